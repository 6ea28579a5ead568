"""The simulated operator: throws keys and changes decks on a rehearsed console, and watches what it does."""

import asyncio
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.errors import ConsoleError
from bridge.links.observer import observe

FULL = 4095
GLANCE = 0.05
"""Seconds between two looks at the page."""
PATIENCE = 60.0
"""Seconds in which nothing at all happens on the console before the operator gives up."""


class Operator:
    """Works one console through its observer and rehearsal sockets; `state` is the daemon's state folder.

    `watch` must run beside everything else: it keeps `lamps`, `devices` and `deck` as they are, and calls `seen`
    with each line of the observer link.
    """

    def __init__(self, state: Path, seen: Callable[[dict[str, Any]], None]) -> None:
        self._state = state
        self._seen = seen
        self._changed = asyncio.Condition()
        self._names: list[str] = []
        self._keys: dict[str, bool] = {}
        self._control: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self.lamps: dict[str, int] = {}
        self.devices: dict[str, dict[str, Any]] = {}
        self.deck: dict[str, Any] = {}
        self._typed = 0

    async def watch(self) -> None:
        """Follow the observer link until the console goes; then raises ConsoleError."""
        async for line in observe(str(self._state / "observer.sock")):
            match line["topic"]:
                case "panel":
                    self._names = line["lamps"]
                case "lamps":
                    self.lamps = dict(zip(self._names, line["codes"], strict=True))
                case "device":
                    self.devices[line["name"]] = line
                case "deck":
                    self.deck = line
                case "key":
                    self._keys[line["name"]] = line["closed"]
                case "typewriter":
                    self._typed = line["taken"]
            self._seen(line)
            async with self._changed:
                self._changed.notify_all()
        raise ConsoleError("The console has gone. What it said last is above.")

    async def until(self, what: str, true: Callable[[], bool]) -> None:
        """Wait until `true()`; raises ConsoleError, naming `what` was waited for, when the console stands still."""
        async with self._changed:
            while not true():
                try:
                    await asyncio.wait_for(self._changed.wait(), PATIENCE)
                except TimeoutError:
                    raise ConsoleError(f"The operator waited for {what}, and nothing happened any more.") from None

    async def throw(self, key: str, *, closed: bool = True) -> None:
        """Close or open a key's contact and wait until the console has seen it."""
        await self.ask(do="throw", key=key, closed=closed)
        await self.until(f"key {key}", lambda: self._keys.get(key) is closed)

    async def press(self, key: str) -> None:
        """Press a key and let it go."""
        await self.throw(key)
        await self.throw(key, closed=False)

    async def put(self, deck: Path) -> None:
        """Put a deck into the reader's hopper in place of the one that is there."""
        hopper = self._state / "reader"
        for old in hopper.glob("*.deck"):
            old.unlink()
        hidden = hopper / f".{deck.name}"
        shutil.copyfile(deck, hidden)
        hidden.rename(hopper / deck.name)

    async def read_through(self, deck: str) -> None:
        """Wait until the last card of the deck with this name has been read."""
        await self.until(
            f"{deck} to be read", lambda: self.deck.get("deck") == deck and self.deck["read"] == self.deck["cards"]
        )

    async def page(self) -> list[str]:
        """Return the typed page once the typewriter has printed all that it was sent: it is slower than the machine."""
        deadline = asyncio.get_running_loop().time() + PATIENCE
        while True:
            answer = await self.ask(do="page")
            if answer["printed"] >= self._typed:
                lines: list[str] = answer["page"]
                return lines
            if asyncio.get_running_loop().time() > deadline:
                raise ConsoleError(f"The typewriter has printed {answer['printed']} of {self._typed} characters.")
            await asyncio.sleep(GLANCE)

    async def ask(self, **request: Any) -> dict[str, Any]:
        """Ask the rehearsal for something; returns its answer, raises ConsoleError when it declines."""
        if self._control is None:
            self._control = await asyncio.open_unix_connection(str(self._state / "rehearsal.sock"), limit=1 << 20)
        reader, writer = self._control
        writer.write(json.dumps(request).encode() + b"\n")
        answer: dict[str, Any] = json.loads(await reader.readline() or b'{"error": "the console has gone"}')
        if "error" in answer:
            raise ConsoleError(f"The rehearsal declined {request}: {answer['error']}.")
        return answer

    def close(self) -> None:
        """Hang up."""
        if self._control is not None:
            self._control[1].close()
