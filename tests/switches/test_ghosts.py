"""Ghosts of a matrix without diodes, against connectivity worked out by brute force.

source: a column reads low if its row and it are connected in the bipartite graph of closed switches.
"""

from collections import defaultdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.switches.ghosts import Ghosts

Closed = frozenset[tuple[int, int]]


def read(closures: Closed, rows: int, columns: int) -> Closed:
    """Return what a scan reads: each column that a walk along closed contacts reaches from a row."""
    found = set()
    for row in range(rows):
        rows_reached, columns_reached = {row}, set[int]()
        while True:
            more_columns = {c for r, c in closures if r in rows_reached} - columns_reached
            columns_reached |= more_columns
            more_rows = {r for r, c in closures if c in columns_reached} - rows_reached
            rows_reached |= more_rows
            if not more_columns and not more_rows:
                break
        found |= {(row, column) for column in columns_reached if column < columns}
    return frozenset(found)


def bits(contacts: Closed, columns: int) -> int:
    return sum(1 << row * columns + column for row, column in contacts)


def contacts(number: int, rows: int, columns: int) -> Closed:
    every = [(row, column) for row in range(rows) for column in range(columns)]
    return frozenset(one for one in every if number >> one[0] * columns + one[1] & 1)


@pytest.mark.parametrize(("rows", "columns"), [(1, 4), (4, 1), (2, 2), (2, 4), (3, 3), (3, 4), (4, 3)])
def test_exactly_what_cannot_be_told_is_withheld_for_every_state_of_a_small_matrix(rows: int, columns: int) -> None:
    ghosts = Ghosts(rows, columns)
    alike: defaultdict[Closed, list[int]] = defaultdict(list)
    for number in range(1 << rows * columns):
        alike[read(contacts(number, rows, columns), rows, columns)].append(number)
    for seen, states in alike.items():
        always = sometimes = states[0]
        for state in states:
            always &= state
            sometimes |= state
        assert ghosts.withheld(bits(seen, columns)) == always ^ sometimes


@settings(max_examples=300)
@given(st.data())
def test_random_closures_up_to_sixteen_by_sixteen(data: st.DataObject) -> None:
    rows, columns = data.draw(st.integers(1, 16)), data.draw(st.integers(1, 16))
    place = st.tuples(st.integers(0, rows - 1), st.integers(0, columns - 1))
    closures = frozenset(data.draw(st.lists(place, max_size=40)))
    seen = read(closures, rows, columns)
    held = contacts(Ghosts(rows, columns).withheld(bits(seen, columns)), rows, columns)
    # Nothing that is told is wrong, and nothing is withheld without need: it may be closed or open, and reads the same.
    assert seen - held == closures - held
    assert read(seen, rows, columns) == seen
    for one in held:
        assert read(seen - {one}, rows, columns) == seen


@settings(max_examples=300)
@given(st.integers(0, (1 << 25) - 1))
def test_what_a_scan_that_is_not_of_one_moment_reads_is_never_told_in_part_of_a_rectangle(number: int) -> None:
    seen = contacts(number, 5, 5)
    held = contacts(Ghosts(5, 5).withheld(number), 5, 5)
    for row, column in seen:
        across = {(r, c) for r in range(5) for c in range(5) if r != row and c != column}
        if any({(row, c), (r, column), (r, c)} <= seen for r, c in across):
            assert (row, column) in held


def test_three_corners_and_what_they_do_to_the_fourth() -> None:
    # Rows 0 and 1, columns 0 and 1 of a 3 × 3 matrix; the contact at row 2, column 2 stands apart.
    ghosts = Ghosts(3, 3)
    assert ghosts.withheld(0b100_000_011) == 0
    assert ghosts.withheld(0b100_011_011) == 0b000_011_011
    assert ghosts.withheld(0b001_001_001) == 0
