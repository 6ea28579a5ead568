import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.console import spans


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("0-3", [0, 1, 2, 3]),
        ("3-0", [3, 2, 1, 0]),
        ("5", [5]),
        (" 3 - 1 , 8,10-11 ", [3, 2, 1, 8, 10, 11]),
        ("4-4", [4]),
        ("007", [7]),
    ],
)
def test_numbers(text: str, numbers: list[int]) -> None:
    assert spans.read(text) == numbers
    assert re.match(spans.PATTERN, text)


@pytest.mark.parametrize("text", ["", "a", "1-", "-1", "1--2", "1,,2", "1;2", "1.5", "12345", "1 2", "١", "1-2-3"])
def test_what_is_no_list_of_numbers_is_quoted_back(text: str) -> None:
    with pytest.raises(ValueError, match=r'^has ".*" where'):
        spans.read(text)
    assert not re.match(spans.PATTERN, text)


def test_pins_have_rows_of_letters() -> None:
    assert spans.read_pins("a2-a1, B7, 3") == ["a2", "a1", "B7", "3"]
    with pytest.raises(ValueError, match="from one row of pins into another"):
        spans.read_pins("a1-b3")
    with pytest.raises(ValueError, match=r'"a1" where only numbers'):
        spans.read("3, a1")


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([], ""),
        ([4], "4"),
        ([1, 2], "1-2"),
        ([3, 2, 1, 8], "3-1, 8"),
        ([0, 1, 0], "0-1, 0"),
        ([0, 2, 4], "0, 2, 4"),
        ([5, 5], "5, 5"),
        (["a1", "a2", "b3"], "a1-a2, b3"),
    ],
)
def test_written_as_a_builder_writes(numbers: list[int | str], text: str) -> None:
    assert spans.write(numbers) == text


@given(st.lists(st.integers(0, 9999), min_size=1) | st.lists(st.integers(0, 5), min_size=1))
def test_reading_is_the_inverse_of_writing(numbers: list[int]) -> None:
    assert spans.read(spans.write(numbers)) == numbers
    assert spans.read_pins(spans.write([f"x{number}" for number in numbers])) == [f"x{number}" for number in numbers]
