from hypothesis import given
from hypothesis import strategies as st

from bridge.console.columns import paragraph, table

WORDS = st.lists(st.text("abcdefghi-", min_size=1, max_size=9), max_size=12).map(" ".join)


def test_narrow_tables_have_straight_columns() -> None:
    assert table([["a", "bb", "c"], ["aaa", "b", ""]]) == ["a    bb  c", "aaa  b"]
    assert table([]) == []


def test_what_is_too_long_goes_on_below() -> None:
    assert table([["name", "one two three"], ["x", "four"]], width=13) == ["name  one two", "      three", "x     four"]


def test_a_single_long_word_is_not_broken() -> None:
    assert table([["a", "/dev/serial/by-id/x"]], width=10) == ["a  /dev/serial/by-id/x"]


@given(rows=st.lists(st.tuples(WORDS, WORDS, WORDS), min_size=1, max_size=6))
def test_nothing_is_lost_and_nothing_is_wider(rows: list[tuple[str, str, str]]) -> None:
    lines = table(rows, width=40)
    assert all(len(line) <= 40 for line in lines)
    assert sorted(" ".join(lines).split()) == sorted(word for row in rows for cell in row for word in cell.split())


def test_a_paragraph() -> None:
    assert paragraph("one two three", width=9) == ["one two", "  three"]
