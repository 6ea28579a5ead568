import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.cards import compare
from bridge.cards.card import Card, card_of
from bridge.cards.compare import differences
from bridge.cards.deck import parse

DECKS = st.lists(st.integers(0, 3).map(lambda holes: card_of([holes])), max_size=12)


def deck(text: str) -> list[Card]:
    return parse(text.replace(" ", "\n").encode(), "x")


def found(first: str, second: str) -> list[tuple[int | None, int | None, tuple[int, ...]]]:
    return [(one.first, one.second, one.columns) for one in differences(deck(first), deck(second))]


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        # source: counted by eye
        ("A B C", "A B C", []),
        ("", "", []),
        ("ABC B C", "AXX B C", [(1, 1, (2, 3))]),
        ("A B C", "A B", [(3, None, ())]),
        ("A B C", "A X B C", [(None, 2, ())]),
        ("A B C D", "B C D", [(1, None, ())]),
        ("A A", "A", [(2, None, ())]),
        ("A B C D E", "A X C CC D", [(2, 2, (1,)), (None, 4, ()), (5, None, ())]),
        ("A B C", "A X Y Z C", [(2, 2, (1,)), (None, 3, ()), (None, 4, ())]),
    ],
)
def test_differences(first: str, second: str, told: list[tuple[int | None, int | None, tuple[int, ...]]]) -> None:
    assert found(first, second) == told


@given(DECKS, DECKS)
def test_differences_make_the_one_deck_into_the_other(first: list[Card], second: list[Card]) -> None:
    gone = {one.first for one in differences(first, second)}
    come = {one.second for one in differences(first, second)}
    kept = [card for n, card in enumerate(first, 1) if n not in gone]
    assert kept == [card for n, card in enumerate(second, 1) if n not in come]
    assert list(differences(first, first)) == []


def test_decks_of_too_many_cards_alike_are_compared_by_place(monkeypatch: pytest.MonkeyPatch) -> None:
    assert found("1 2 3 4 5", "1 3 2 6 5") == [(None, 2, ()), (3, 4, (1,)), (4, None, ())]
    monkeypatch.setattr(compare, "_PAIRS", 1)
    assert found("1 2 3 4 5", "1 3 2 6 5") == [(2, 2, (1,)), (3, 3, (1,)), (4, 4, (1,))]


def test_a_hundred_thousand_cards_are_no_trouble() -> None:
    # A comparison of each card with each would never end: the per-test timeout is the judge.
    rng = random.Random(7)
    first = [card_of([rng.randrange(4096), rng.randrange(4096), 1]) for _ in range(100_000)]
    second = first[:10] + first[11:]
    second[60_000] = card_of([0, 0, 0, 7])
    told = list(differences(first, second))
    assert [(one.first, one.second) for one in told] == [(11, None), (60_002, 60_001)]
    assert told[1].columns == (1, 2, 3, 4)
    blanks = [card_of([])] * 50_000
    assert len(list(differences([*first[:1], *blanks, *first[:1]], [*first[1:2], *blanks[:-7], *first[1:2]]))) == 9
