"""Cards as lines of text, 80 columns wide as they are."""

from collections.abc import Iterator, Sequence

import numpy as np

from bridge.cards.card import ALL_ROWS, COLUMNS, ROWS, Card, columns_of
from bridge.cards.code import CardCode, words

UNPRINTED = "▒"
"""Stands for a column whose holes have no printing character: an interpreter leaves it out."""

_ROW_NAMES = "YX0123456789"


def interpreted(card: Card, code: CardCode) -> str:
    """Return what an interpreter prints along the top of the card, without blanks at the end."""
    return "".join(code.printing.get(holes, UNPRINTED) for holes in columns_of(card)).rstrip()


def ruler(number: int) -> str:
    """Return a line that begins with a card's number and counts its columns; each number ends in its column."""
    label = f"card {number}" if number < 100 else f"{number}"
    tens = "".join(f"{ten:->10}" for ten in range(10, COLUMNS + 1, 10))
    return f"{label} {tens[len(label) + 1 :]}"


def rows(card: Card) -> Iterator[str]:
    """Yield a line for each row: its name where there is a hole, Y for row 12 and X for row 11, and a dot elsewhere."""
    columns = columns_of(card)
    for row, name in enumerate(_ROW_NAMES):
        yield "".join(name if holes >> (ROWS - 1 - row) & 1 else "." for holes in columns)


def said(holes: int, code: CardCode) -> str:
    """Return a column in words: "A (12-1)", "holes 12-1-2" without a character, "blank" without holes."""
    character = code.printing.get(holes)
    if character is None:
        return f"holes {words(holes)}"
    return f"{character} ({words(holes)})" if holes else "blank"


def unprinted(cards: Sequence[Card], code: CardCode) -> dict[int, int]:
    """Return the holes that have no printing character in the code, and in how many columns each is, most first."""
    columns = np.frombuffer(b"".join(cards), "<u2")
    times = np.bincount(columns, minlength=ALL_ROWS + 1)
    found = [int(holes) for holes in np.flatnonzero(times) if int(holes) not in code.printing]
    return {holes: int(times[holes]) for holes in sorted(found, key=lambda holes: -times[holes])}
