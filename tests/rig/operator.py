"""The demonstration's operator, with sticks that are plugged into the guest's ports and a typewriter on its line."""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any

from bridge.demo.operator import GLANCE, PATIENCE, Operator
from bridge.errors import ConsoleError
from tests.rig import sticks
from tests.rig.console import PUNCH, READER, Console

PORTS = {"reader": READER, "punch": PUNCH}


class Hands(Operator):
    """An operator at the rig's console. A stick is a folder of what is on it, as its jobs have it, and has an image.

    `make` makes the image of a new stick with files on it, and `read` reads one.
    """

    def __init__(
        self,
        console: Console,
        make: Callable[[Path, dict[str, bytes]], Path] = sticks.fat,
        read: Callable[[Path], dict[str, bytes]] = sticks.files,
    ) -> None:
        super().__init__(console.machine.folder, lambda _: None, print)
        self._console = console
        self._make, self._read = make, read
        self._images: dict[Path, Path] = {}
        self._in: dict[str, Path] = {}
        self._above = len(console.typewriter.came)
        self._typed_before = int(console.watcher.latest("typewriter").get("taken", 0))

    async def _lines(self) -> AsyncIterator[dict[str, Any]]:
        loop = asyncio.get_running_loop()
        lines: asyncio.Queue[dict[str, Any]] = asyncio.Queue()

        def passed_on(line: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(lines.put_nowait, line)

        self._console.watcher.listen(passed_on)
        try:
            while True:
                yield await lines.get()
        finally:
            self._console.watcher.listen(None)

    def stick(self, name: str = "", decks: Sequence[Path] = ()) -> Path:
        """Return a new stick."""
        stick = self._console.image()
        contents = {name: b"".join(deck.read_bytes() for deck in decks)} if decks else {}
        self._images[stick] = self._make(self._console.image(), contents)
        return stick

    async def take_out(self, hopper: str) -> Path:
        """Pull the stick out of a hopper, if one is in, and return what is on it."""
        if hopper not in self._in:
            return Path()
        stick = self._in.pop(hopper)
        await asyncio.to_thread(self._console.machine.pull, hopper)
        stick.mkdir(exist_ok=True)
        for name, data in (await asyncio.to_thread(self._read, self._images[stick])).items():
            (stick / name).write_bytes(data)
        return stick

    async def put_in(self, hopper: str, stick: Path) -> None:
        """Put a stick into a hopper's port."""
        if hopper == "reader":
            self.deck = {}
        self._in[hopper] = stick
        plug = self._console.machine.plug
        await asyncio.to_thread(lambda: plug(PORTS[hopper], self._images[stick], name=hopper))

    async def put(self, *decks: Path) -> None:
        """Put a stick with these decks into the reader, in place of one that is there."""
        await self.take_out("reader")
        await self.missed("reader")
        await self.put_in("reader", self.stick(f"{' + '.join(deck.stem for deck in decks)}.deck", decks))

    async def page(self) -> list[str]:
        """Return what was typed since these hands came, once everything has come over the line."""
        deadline = asyncio.get_running_loop().time() + PATIENCE
        typed = self._console.typewriter
        while len(typed.came) - self._above < self._typed - self._typed_before:
            if asyncio.get_running_loop().time() > deadline:
                raise ConsoleError(f"The typewriter has not got all of {self._typed - self._typed_before} characters.")
            await asyncio.sleep(GLANCE)
        text = typed.came[self._above :].decode("ascii").replace("\r", "")
        return [line.rstrip() for line in text.removesuffix("\n").split("\n")] if text else []

    async def work(self, job: Callable[[], Any]) -> Any:
        """Do a job with one's eyes open."""
        watching = asyncio.ensure_future(self.watch())
        try:
            return await job()
        finally:
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)
            self.close()
