"""The simulated operator: throws keys, carries sticks between hoppers on a rehearsed console, and watches what it does.

A stick is a folder. It is in a hopper while it lies at the hopper's place in the state folder, and in the operator's
drawer otherwise.
"""

import asyncio
import itertools
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from bridge.errors import ConsoleError
from bridge.links.observer import observe

FULL = 4095
GLANCE = 0.05
"""Seconds between two looks at the page."""
PATIENCE = 60.0
"""Seconds in which nothing at all happens on the console before the operator gives up."""
HINT = 5.0
"""Seconds in which nothing happens before the operator says what is waited for."""
HOPPERS = ("reader", "punch")


class Operator:
    """Works one console through its observer and rehearsal sockets; `state` is the daemon's state folder.

    `watch` must run beside everything else: it keeps `lamps`, `devices` and `deck` as they are, and calls `seen`
    with each line of the observer link. `say` is told what the operator waits for when that takes long.
    """

    def __init__(self, state: Path, seen: Callable[[dict[str, Any]], None], say: Callable[[str], None]) -> None:
        self._state = state
        self._seen = seen
        self._say = say
        self._changed = asyncio.Condition()
        self._names: list[str] = []
        self._keys: dict[str, bool] = {}
        self._control: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._drawer = state / "drawer"
        self._labels = itertools.count(1)
        self._unread = ""
        self._typed = 0
        self.lamps: dict[str, int] = {}
        self.devices: dict[str, dict[str, Any]] = {}
        self.deck: dict[str, Any] = {}

    async def watch(self) -> None:
        """Follow the observer link until the console goes; then raises ConsoleError."""
        async for line in self._lines():
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
                case "typed":
                    self._unread += line["text"]
                case "typewriter":
                    self._typed = line["taken"]
            self._seen(line)
            if line["topic"] != "bus":  # told every second, whether or not anything happens
                async with self._changed:
                    self._changed.notify_all()
        raise ConsoleError("The console has gone. What it said last is above.")

    def _lines(self) -> AsyncIterator[dict[str, Any]]:
        return observe(str(self._state / "observer.sock"))

    async def until(self, what: str, true: Callable[[], bool]) -> None:
        """Wait until `true()`; when the console stands still, say `what` is waited for, and in the end raise that."""
        patience = HINT
        async with self._changed:
            while not true():
                try:
                    await asyncio.wait_for(self._changed.wait(), patience)
                except TimeoutError:
                    words = " ".join((f"Waiting for {what}.", *self._standing()))
                    if patience == PATIENCE:
                        raise ConsoleError(f"{words} Nothing happens any more.") from None
                    self._say(words)
                    patience = PATIENCE

    def _standing(self) -> list[str]:
        """Return what the hoppers say of themselves."""
        told = [self.devices[name] for name in HOPPERS if name in self.devices]
        return [f"The {device['name']}: {device['words'] or device['state']}." for device in told]

    # What hands do

    async def throw(self, key: str, *, closed: bool = True) -> None:
        """Close or open a key's contact and wait until the console has seen it."""
        await self._by_hand(lambda: self.ask(do="throw", key=key, closed=closed))
        await self.until(f"key {key}", lambda: self._keys.get(key) is closed)

    async def press(self, key: str) -> None:
        """Press a key and let it go."""
        await self.throw(key)
        await self.throw(key, closed=False)

    def stick(self, name: str = "", decks: Sequence[Path] = ()) -> Path:
        """Return a new stick: blank, or with a deck of this name, in which `decks` lie one after another."""
        stick = self._drawer / str(next(self._labels))
        stick.mkdir(parents=True)
        if decks:
            (stick / name).write_bytes(b"".join(deck.read_bytes() for deck in decks))
        return stick

    async def take_out(self, hopper: str) -> Path:
        """Take the stick out of a hopper and return it. To put the same one back, wait until that has been `missed`."""
        stick = self._drawer / str(next(self._labels))

        async def act() -> None:
            self._drawer.mkdir(exist_ok=True)
            (self._state / hopper).rename(stick)

        await self._by_hand(act)
        return stick

    async def put_in(self, hopper: str, stick: Path) -> None:
        """Put a stick into an empty hopper."""

        async def act() -> None:
            stick.rename(self._state / hopper)

        if hopper == "reader":
            self.deck = {}
        await self._by_hand(act)

    async def put(self, *decks: Path) -> None:
        """Put a stick with these decks, one after another, into the reader, in place of one that is there."""
        name = " + ".join(deck.stem for deck in decks)
        if (self._state / "reader").exists():
            await self.take_out("reader")
        await self.put_in("reader", self.stick(f"{name}.deck", decks))

    async def _by_hand(self, act: Callable[[], Awaitable[Any]]) -> None:
        await act()

    # What eyes see

    def state_of(self, device: str) -> str:
        """Return the state of a device in one word."""
        return str(self.devices.get(device, {}).get("state", ""))

    async def missed(self, hopper: str) -> None:
        """Wait until the console has seen that a hopper is without a stick."""
        await self.until(f"the {hopper} to see that its stick is out", lambda: self.state_of(hopper) == "not-ready")

    async def read_through(self) -> None:
        """Wait until the last card of the deck in the reader has been read."""
        await self.until(
            "the deck in the reader to be read", lambda: bool(self.deck) and self.deck["read"] == self.deck["cards"]
        )

    async def typed(self, words: str) -> None:
        """Wait until the machine has typed these words, after those waited for before."""
        await self.until(f"the machine to type {words!r}", lambda: words in self._unread)
        self._unread = self._unread.partition(words)[2]

    async def halted(self) -> None:
        """Wait until the lamps say that the machine has stopped."""
        await self.until("the machine to halt", lambda: self.lamps.get("STOPPED", 0) > self.lamps.get("RUN", FULL))

    async def settled(self) -> None:
        """Wait until no lamp glows or fades any more."""
        await self.until("the lamps to settle", lambda: set(self.lamps.values()) <= {0, FULL})

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
