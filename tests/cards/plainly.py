"""The text form's rules read line by line, with nothing clever: what the quick reader is compared with."""

from functools import lru_cache

from bridge.cards.card import COLUMNS, Card, card_of
from bridge.cards.code import CardCode


@lru_cache
def _known(code: CardCode) -> dict[str, int]:
    private = {chr(0xE000 + mask): mask for mask in range(4096)}
    return private | {character: mask for mask, character in code.printing.items()}


def plainly(text: str, code: CardCode) -> list[Card] | None:
    """Return the cards of a deck's text, None for a deck that must be refused."""
    known = _known(code)
    cards = []
    lines = text.removeprefix("\ufeff").split("\n")
    for line in lines if lines[-1] else lines[:-1]:
        row = line.removesuffix("\r").rstrip(" \t").expandtabs(8)
        if len(row) > COLUMNS or any(c not in known for c in row):
            return None
        cards.append(card_of([known[c] for c in row]))
    return cards
