"""A hopper's place for a stick, and what is in it: told by whoever watches the port, acted on by the machine."""

import asyncio
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Stick:
    """What is in a slot just now.

    `folder` is where its files are, or None if there is nothing to read from or write to: then `words` say why, and
    what to do. `insertion` is another number each time a stick is put in, so that one put back is not taken for one
    that was never out, whatever is on it.
    """

    insertion: int
    folder: Path | None
    words: str = ""


class Slot:
    """A place for a stick. `stick` is what is in it; `put` changes that, and wakes whoever waits in `changed`."""

    def __init__(self, stick: Stick) -> None:
        self._stick = stick
        self._news = asyncio.Event()

    @property
    def stick(self) -> Stick:
        """What is in the slot."""
        return self._stick

    def put(self, stick: Stick) -> None:
        """Tell what is in the slot now."""
        if stick != self._stick:
            self._stick = stick
            self._news.set()
            self._news = asyncio.Event()

    async def changed(self, seen: Stick) -> None:
        """Return as soon as something else than `seen` is in the slot."""
        while self._stick == seen:
            await self._news.wait()


def plain(folder: Path) -> Slot:
    """Return the slot of a folder that stands for a stick: nobody watches it, and it may be missing."""
    return Slot(Stick(0, folder))
