"""Two decks card by card."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from bridge.cards.card import Card, columns_of

_PAIRS = 1_000_000
"""Decks of which more pairs of cards are alike, such as two stacks of blank cards, would take too long to match."""


@dataclass(frozen=True)
class Difference:
    """One card that is another, or is in one deck only: numbers from 1, None where there is none."""

    first: int | None
    second: int | None
    columns: tuple[int, ...]
    """Where the two cards differ, from 1; empty for a card in one deck only."""


def differences(first: Sequence[Card], second: Sequence[Card]) -> Iterator[Difference]:
    """Yield where two decks differ, in order: a card put in or taken out is one difference, not one in all that follow.

    Where too many cards are alike (_PAIRS), those between what both begin and end with are compared by their place.
    """
    start = 0
    while start < min(len(first), len(second)) and first[start] == second[start]:
        start += 1
    end = 0
    while end < min(len(first), len(second)) - start and first[-1 - end] == second[-1 - end]:
        end += 1
    ours, theirs = first[start : len(first) - end], second[start : len(second) - end]
    alike = Counter(theirs)
    if sum(alike[card] for card in ours) > _PAIRS:
        yield from _in_block(first, second, (start, start + len(ours)), (start, start + len(theirs)))
        return
    for kind, a, a_end, b, b_end in SequenceMatcher(None, ours, theirs, autojunk=False).get_opcodes():
        if kind != "equal":
            yield from _in_block(first, second, (start + a, start + a_end), (start + b, start + b_end))


def _in_block(
    first: Sequence[Card], second: Sequence[Card], ours: tuple[int, int], theirs: tuple[int, int]
) -> Iterator[Difference]:
    (a, a_end), (b, b_end) = ours, theirs
    while a < a_end or b < b_end:
        if a == a_end:
            yield Difference(None, b + 1, ())
        elif b == b_end:
            yield Difference(a + 1, None, ())
        elif first[a] != second[b]:
            pairs = enumerate(zip(columns_of(first[a]), columns_of(second[b]), strict=True), 1)
            yield Difference(a + 1, b + 1, tuple(column for column, (one, other) in pairs if one != other))
        a, b = min(a + 1, a_end), min(b + 1, b_end)
