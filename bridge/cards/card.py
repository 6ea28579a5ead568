"""A card: 80 columns of twelve bits."""

import struct
from collections.abc import Sequence
from typing import NewType

from bridge.cards.code import BLANK

COLUMNS = 80
ROWS = 12
ALL_ROWS = (1 << ROWS) - 1
"""A column with a hole in every row."""

Card = NewType("Card", bytes)
"""80 columns of twelve bits, column 1 first, as 160 bytes: 16 bits a column, little-endian, the top four zero."""

_IMAGE = struct.Struct(f"<{COLUMNS}H")
CARD_BYTES = _IMAGE.size
BLANK_CARD = Card(bytes(CARD_BYTES))


def card_of(columns: Sequence[int]) -> Card:
    """Return the card with these columns' holes (0 to 4095 each), the rest of its 80 columns blank.

    Raises ValueError for more columns, or for a value that is not twelve holes.
    """
    if len(columns) > COLUMNS or any(not 0 <= holes <= ALL_ROWS for holes in columns):
        raise ValueError(f"a card has {COLUMNS} columns of 0 to {ALL_ROWS}")
    return Card(_IMAGE.pack(*columns, *[BLANK] * (COLUMNS - len(columns))))


def columns_of(card: Card) -> tuple[int, ...]:
    """Return the holes of the card's 80 columns."""
    return _IMAGE.unpack(card)


def cards_of(images: bytes) -> list[Card]:
    """Return the cards whose images follow each other in `images`."""
    return [Card(images[at : at + CARD_BYTES]) for at in range(0, len(images), CARD_BYTES)]


def from_image(data: bytes) -> Card:
    """Return the card in `data`, which came from outside; raises ValueError unless it is 80 columns of twelve bits."""
    if len(data) != CARD_BYTES:
        raise ValueError(f"a card image is {CARD_BYTES} bytes, not {len(data)}")
    if any(data[i] & 0xF0 for i in range(1, len(data), 2)):
        raise ValueError("a card image has holes above row 12: the top four bits of a column must be zero")
    return Card(bytes(data))
