"""The reader's hopper: a folder that stands for the stick in its port, and the one deck on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.cards import folder
from bridge.cards.deck import Card, DeckError, parse, shown
from bridge.cards.folder import Identity

MAX_CARDS = 100_000
"""The most cards a deck may have."""

MAX_BYTES = 25_000_000
"""The most bytes a deck file may have: MAX_CARDS full cards of private-use characters, each ended by CR LF, fit."""

SUFFIX = ".deck"
_NAMED = 4


@dataclass(frozen=True, eq=False)
class Sight:
    """What is in the hopper.

    `state` is "deck" (then `name` and `cards` are set), "empty", "choice" (more than one deck), "check" (something
    about the deck is wrong) or "not-ready" (no stick, or one that does not work); `words` say what to do about it.
    """

    state: str
    words: str = ""
    name: str = ""
    cards: Sequence[Card] = ()


class Hopper:
    """The folder at `path`. A deck is a file named *.deck, in any case; hidden files are no decks.

    To replace a deck while the folder is watched, write it under a hidden name and rename it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._known: list[Identity] | None = None
        self._sight = Sight("empty")

    def look(self) -> Sight:
        """Look into the folder and return what is there; the same object as long as it has not changed. Never raises.

        A deck is read again only if its name, size, time or inode is another than last time, or reading it failed.
        """
        try:
            decks = [entry for entry in folder.entries(self._path) if entry.name.lower().endswith(SUFFIX)]
            if decks != self._known:
                self._known = None
                self._sight = self._examine(decks)
                self._known = decks
        except OSError as error:
            self._known = None
            words = folder.trouble(error, self._path)
            if self._sight.words != words:
                self._sight = Sight("not-ready", words)
        return self._sight

    def _examine(self, decks: list[Identity]) -> Sight:
        if not decks:
            return Sight("empty", f"no deck on the stick: put one file named *{SUFFIX} on it")
        if len(decks) > 1:
            names = ", ".join(shown(deck.name) for deck in decks[:_NAMED]) + (", …" if len(decks) > _NAMED else "")
            return Sight("choice", f"{len(decks)} decks on the stick: leave one of {names}")
        return self._read(decks[0].name)

    def _read(self, file: str) -> Sight:
        name = shown(file)
        data = folder.read(self._path, file, MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            return Sight("check", f"{name} has more than {MAX_BYTES:,} bytes: split it")
        try:
            cards = parse(data, file)
        except DeckError as error:
            return Sight("check", str(error))
        if not cards:
            return Sight("empty", f"{name} has no cards")
        if len(cards) > MAX_CARDS:
            return Sight("check", f"{name} has {len(cards):,} cards, {MAX_CARDS:,} at most: split it")
        return Sight("deck", name=name, cards=cards)
