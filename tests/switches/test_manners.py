import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.switches.manners import Manner, Manners
from bridge.switches.scan import KeyEvent


def told(manners: Manners, *contacts: tuple[int, bool]) -> list[tuple[int, bool]]:
    return [
        (e.key, e.closed) for n, (key, closed) in enumerate(contacts) for e in manners.feed([KeyEvent(n, key, closed)])
    ]


def test_a_key_that_turns_is_closed_by_one_press_and_opened_by_the_next() -> None:
    manners = Manners([Manner(turns=True), Manner()])
    presses = [(0, True), (0, False)] * 3
    assert told(manners, *presses) == [(0, True), (0, False), (0, True)]
    assert told(manners, (1, True), (1, False)) == [(1, True), (1, False)]


def test_keys_that_exclude_each_other_are_never_told_closed_together_and_all_is_told_in_the_end() -> None:
    manners = Manners([Manner()] * 3, [(0, 1)])
    assert told(manners, (0, True)) == [(0, True)]
    assert told(manners, (1, True), (2, True)) == [(2, True)]
    assert manners.impossible == {0}
    # However often it chatters.
    assert told(manners, *[(1, False), (1, True)] * 20) == []
    assert told(manners, (0, False)) == [(0, False), (1, True)]
    assert manners.impossible == frozenset()


def test_of_three_pressed_together_the_one_that_was_told_is_told_when_it_is_let_go_of() -> None:
    manners = Manners([Manner()] * 3, [(0, 1, 2)])
    assert told(manners, (0, True), (1, True), (2, True)) == [(0, True)]
    assert told(manners, (0, False)) == [(0, False)]
    assert manners.impossible == {0}
    assert told(manners, (1, False)) == [(2, True)]


@given(st.lists(st.tuples(st.integers(0, 3), st.booleans())))
def test_whatever_is_pressed_at_most_one_of_a_set_is_told_and_in_the_end_what_is_possible(
    contacts: list[tuple[int, bool]],
) -> None:
    manners = Manners([Manner()] * 4, [(0, 1, 2), (2, 3)])
    state, closed = [False] * 4, [False] * 4
    for key, is_closed in [*contacts, (0, False), (1, False), (2, False)]:
        closed[key] = is_closed
        for event in manners.feed([KeyEvent(0, key, is_closed)]):
            assert state[event.key] != event.closed
            state[event.key] = event.closed
            assert sum(state[:3]) <= 1
            assert state[2] + state[3] <= 1
    assert state == closed


def test_a_key_that_is_held_too_long_is_stuck_until_it_is_let_go_of() -> None:
    manners = Manners([Manner(stuck=100), Manner()])
    manners.feed([KeyEvent(5, 0, True), KeyEvent(5, 1, True)])
    assert [manners.stuck(now) for now in (5, 104, 105, 1000)] == [frozenset(), frozenset(), {0}, {0}]
    manners.feed([KeyEvent(1001, 0, False)])
    assert manners.stuck(1002) == frozenset()


@pytest.mark.parametrize("stuck", [None, 100])
def test_only_a_key_that_springs_back_is_ever_stuck(stuck: int | None) -> None:
    manners = Manners([Manner(stuck=stuck)])
    manners.feed([KeyEvent(0, 0, True)])
    assert manners.stuck(10_000) == ({0} if stuck else frozenset())
