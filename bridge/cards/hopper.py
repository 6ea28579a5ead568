"""The reader's hopper: which of the files on a stick is the deck, and what is on its cards.

The rule: the deck is the one file named *.deck at the top of the stick. Several whose names begin with 1, 2, 3 … are
one deck, read in that order; any other several are a choice, and nothing is read until somebody has made it.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bridge.cards import folder
from bridge.cards.code import X3_26, CardCode
from bridge.cards.deck import COLUMNS, MAX_BYTES, MAX_CARDS, Card, DeckError, read_deck, shown
from bridge.cards.folder import Identity

SUFFIX = ".deck"
MOST_DECKS = 100
"""How many decks may be on a stick."""
_LITTER = "~"
"""What editors and office programs leave beside a file begins so; what begins with a dot is never listed at all."""
_PLACE = re.compile(r"0*([1-9][0-9]?)(?![0-9])")
"""A deck's place in a stack. Three digits are no place: years and dates begin names too."""
_NAMED = 4

Images = npt.NDArray[np.uint16]
_NO_CARDS: Images = np.zeros((0, COLUMNS), "<u2")


@dataclass(frozen=True, eq=False)
class Sight:
    """What is in the hopper.

    `state` is "deck" (then `name` and `images`, a row of columns a card, are set), "empty", "choice", "check"
    (something about the deck is wrong) or "not-ready" (no stick, or one that does not work); `words` say what to do
    about it. `decks` are all the decks that were seen, `parts` those that make up this one, `choice` the names of those
    there are to choose from, `notes` what was taken otherwise than it stands in the files.
    """

    state: str
    words: str = ""
    name: str = ""
    images: Images = field(default_factory=lambda: _NO_CARDS)
    decks: tuple[Identity, ...] = ()
    parts: tuple[Identity, ...] = ()
    choice: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def card(self, n: int) -> Card:
        """Return a card of the deck, the first being 0."""
        return Card(self.images[n].tobytes())


def look(
    path: Path,
    known: tuple[Identity, ...] | None = None,
    passed: frozenset[Identity] = frozenset(),
    chosen: str = "",
    code: CardCode = X3_26,
) -> Sight | None:
    """Return what is on the stick, or None if its decks are those already `known`. Raises nothing.

    Decks that have `passed` through the reader, or were beside one that did, do not count any more; `chosen` is the
    name of the one that somebody chose, `code` the card code of them all. To replace a deck while the folder is
    watched, write it under a hidden name and rename it.
    """
    decks: tuple[Identity, ...] = ()
    try:
        decks = tuple(deck for deck in folder.entries(path, SUFFIX) if not deck.name.startswith(_LITTER))
        if len(decks) > MOST_DECKS:
            # No more are named: who asked may be in another process, and no person chooses among so many.
            words = f"{len(decks):,} decks on the stick, {MOST_DECKS} at most: take some off it"
            return Sight("check", words, decks=decks[: MOST_DECKS + 1])
        return None if decks == known else _examine(path, decks, passed, chosen, code)
    except OSError as error:
        return Sight("not-ready", folder.trouble(error, path), decks=decks)


def listed(names: Sequence[str]) -> str:
    """Return names for a message, the first few of many."""
    return ", ".join(map(shown, names[:_NAMED])) + (", …" if len(names) > _NAMED else "")


def _examine(
    path: Path, decks: tuple[Identity, ...], passed: frozenset[Identity], chosen: str, code: CardCode
) -> Sight:
    new = [deck for deck in decks if deck not in passed]
    names = tuple(deck.name for deck in new)
    if not decks:
        return Sight("empty", f"no deck on the stick: put one file named *{SUFFIX} on it")
    if not new:
        return Sight("empty", "no new deck on the stick: take it out, or put another deck on it", decks=decks)
    if len(new) == 1:
        return _read(path, code, decks, new)
    if stack := _stack(new):
        return _read(path, code, decks, stack)
    if chosen in names:
        return _read(path, code, decks, [new[names.index(chosen)]], names)
    return Sight("choice", f"{len(new)} decks on the stick, {listed(names)}", decks=decks, choice=names)


def _stack(decks: Sequence[Identity]) -> list[Identity]:
    """Return the decks in the order of the places 1, 2, 3 … that their names begin with; [] if any does otherwise."""
    places = {int(found[1]): deck for deck in decks if (found := _PLACE.match(deck.name))}
    return [places[n] for n in sorted(places)] if sorted(places) == list(range(1, len(decks) + 1)) else []


def _read(
    path: Path,
    code: CardCode,
    decks: tuple[Identity, ...],
    parts: Sequence[Identity],
    choice: tuple[str, ...] = (),
) -> Sight:
    name = " + ".join(shown(part.name) for part in parts)
    name = name if len(parts) <= _NAMED else f"{shown(parts[0].name)} and {len(parts) - 1} more"
    cards: list[Card] = []
    notes: dict[str, None] = {}

    def sight(state: str, words: str = "", images: Images = _NO_CARDS) -> Sight:
        return Sight(state, words, name, images, decks, tuple(parts), choice, tuple(notes))

    for part in parts:
        file = shown(part.name)
        data = folder.read(path, part.name, MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            return sight("check", f"{file} has more than {MAX_BYTES:,} bytes: split it")
        try:
            deck = read_deck(data, part.name, code)
        except DeckError as error:
            return sight("check", str(error))
        cards += deck.cards
        notes |= dict.fromkeys(deck.notes)
        if len(cards) > MAX_CARDS:
            return sight("check", f"{name} has {len(cards):,} cards, {MAX_CARDS:,} at most: split it")
    if not cards:
        return sight("empty", f"{name} has no cards")
    return sight("deck", images=np.frombuffer(b"".join(cards), "<u2").reshape(-1, COLUMNS))
