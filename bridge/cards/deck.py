"""The text form of a deck.

A deck is UTF-8, one line a card, split on LF only. A printing character of the deck's card code stands for the holes
that the code gives it; any other pattern of holes is the private-use character U+E000 + holes. Blank columns at the end
of a card are not written, so every card is a line of up to 80 characters and an empty line is a blank card.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from bridge.cards.card import (
    ALL_ROWS,
    BLANK_CARD,
    COLUMNS,
    Card,
    card_of,
    cards_of,
    columns_of,
    from_image,
)
from bridge.cards.code import BLANK, X3_26, CardCode
from bridge.cards.editors import PIECE, TABS, Edited, not_text
from bridge.cards.faults import FINDINGS, PRIVATE, REFUSED, DeckError, Faults, Finding, shown

__all__ = [
    "BLANK_CARD",
    "COLUMNS",
    "FINDINGS",
    "MAX_BYTES",
    "MAX_CARDS",
    "Card",
    "Deck",
    "DeckError",
    "Finding",
    "card_of",
    "columns_of",
    "from_image",
    "parse",
    "print_deck",
    "read_deck",
    "shown",
]

MAX_CARDS = 100_000
"""The most cards that a machine takes as one deck."""

MAX_BYTES = 25_000_000
"""The most bytes it may have as a file: MAX_CARDS full cards of private-use characters, each ended by CR LF, fit."""

_PIECE_CARDS = 512
_LF = 10

_Units = npt.NDArray[np.uint16]
_UNIT = np.dtype("<u2")


@dataclass(frozen=True)
class Deck:
    """What a deck file holds; `notes` say what was taken as an editor left it, and is nothing wrong."""

    cards: list[Card]
    notes: tuple[str, ...] = ()


@lru_cache(maxsize=16)
def _tables(code: CardCode) -> tuple[_Units, _Units]:
    """Return holes by UTF-16 unit, and back."""
    masks = np.full(1 << 16, REFUSED, _UNIT)
    masks[PRIVATE : PRIVATE + ALL_ROWS + 1] = range(ALL_ROWS + 1)
    characters = np.arange(PRIVATE, PRIVATE + ALL_ROWS + 1).astype(_UNIT)
    for holes, character in code.printing.items():
        masks[ord(character)] = holes
        characters[holes] = ord(character)
    return masks, characters


def read_deck(data: bytes, name: str, code: CardCode = X3_26, tabs: int = TABS) -> Deck:
    """Return the deck in a file's content, MAX_CARDS cards at most; `name` is what messages call it.

    CR LF ends a line too; a byte order mark, a missing LF at the end, and blanks beyond column 80 are accepted; a tab
    is blanks up to the column after the next multiple of `tabs`. Raises DeckError, with every line that is too long,
    and once every character that is not in the code.
    """
    if what := not_text(data):
        raise DeckError(name, [Finding(1, 1, what)])
    masks, _ = _tables(code)
    edited = Edited(data, tabs)
    faults = Faults(code, masks, tabs)
    cards: list[Card] = []
    line = 1
    for piece in edited.pieces():
        if piece is None:
            faults.add(
                line, COLUMNS + 1, f"the line has over {PIECE:,} bytes, and a card {COLUMNS} columns: break it up"
            )
            line += 1
            continue
        punched = _punch(piece, masks, edited)
        if punched is None:
            text = edited.trim(edited.undo(piece.decode(errors="surrogateescape")))
            faults.look(text, line, [n for n, row in enumerate(piece.split(b"\n")) if b"\t" in row.rstrip()])
        else:
            cards += punched
        line += piece.count(b"\n")
        if line > MAX_CARDS + 1:
            faults.add(MAX_CARDS + 1, 1, f"a deck has {MAX_CARDS:,} cards at most: split it")
            break
    else:
        if edited.nuls:
            ends = f"the file ends in {edited.nuls:,} NUL bytes, as after a power cut while it was written"
            faults.add(line, 1, f"{ends}: delete them, and see whether the last card is whole")
    if faults:
        raise faults.error(name)
    return Deck(cards, edited.notes())


def parse(data: bytes, name: str, code: CardCode = X3_26) -> list[Card]:
    """Return the cards of `read_deck`."""
    return read_deck(data, name, code).cards


def print_deck(cards: Sequence[Card], code: CardCode = X3_26) -> str:
    """Return the deck's text, every line ended by LF; `parse` of it gives the same cards."""
    _, characters = _tables(code)
    return "".join(_print(cards[n : n + _PIECE_CARDS], characters) for n in range(0, len(cards), _PIECE_CARDS))


def _punch(piece: bytes, masks: _Units, edited: Edited) -> list[Card] | None:
    """Return the cards of whole lines, or None if anything in them is wrong."""
    try:
        text = edited.undo(piece.decode())
    except UnicodeDecodeError:
        return None
    units, ends, lengths = _measure(text)
    if lengths.max() > COLUMNS:
        units, ends, lengths = _measure(edited.trim(text))
        if lengths.max() > COLUMNS:
            return None
        edited.trimmed()
    holes = masks[units[~ends]]
    if REFUSED in holes:
        return None
    cards: list[Card] = []
    for some in (lengths[n : n + _PIECE_CARDS] for n in range(0, len(lengths), _PIECE_CARDS)):
        columns = np.zeros((len(some), COLUMNS), _UNIT)
        columns[np.arange(COLUMNS) < some[:, None]], holes = np.split(holes, [some.sum()])
        cards += cards_of(columns.tobytes())
    return cards


def _measure(text: str) -> tuple[_Units, npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
    units = np.frombuffer(text.encode("utf-16-le"), _UNIT)
    ends = units == _LF
    return units, ends, np.diff(np.flatnonzero(ends), prepend=-1) - 1


def _print(cards: Sequence[Card], characters: _Units) -> str:
    columns = np.frombuffer(b"".join(cards), _UNIT).reshape(-1, COLUMNS)
    punched = columns != BLANK
    lengths = np.where(punched.any(axis=1), COLUMNS - punched[:, ::-1].argmax(axis=1), 0)
    units = np.empty((len(columns), COLUMNS + 1), _UNIT)
    units[:, :COLUMNS] = characters[columns]
    units[np.arange(len(columns)), lengths] = _LF
    return units[np.arange(COLUMNS + 1) <= lengths[:, None]].tobytes().decode("utf-16-le")
