"""Card codes in a description: what they become, and that their names are those the card rooms know."""

from pathlib import Path

from bridge.cards import code as cards
from bridge.cards.code import described
from bridge.console import describe
from bridge.console.cardcodes import BUILT_IN
from tests.console.sample import changed, loaded


def test_the_built_in_names_are_those_of_the_codes_there_are() -> None:
    assert set(BUILT_IN) == cards.BUILT_IN.keys()
    assert BUILT_IN[0] == "x3.26"  # source: the README: X3.26 unless something else is said


def test_a_hopper_says_nothing_and_gets_x3_26(tmp_path: Path) -> None:
    reader = loaded(tmp_path).reader
    assert reader
    assert (reader.code.name, reader.code.like, reader.code.holes) == ("x3.26", "x3.26", {})
    assert described("x3.26", reader.code.like, reader.code.holes) == cards.X3_26


def test_a_code_of_ones_own_is_what_was_described(tmp_path: Path) -> None:
    console = loaded(tmp_path)
    assert console.punch
    assert console.card_codes == (console.punch.code,)
    code = described(console.punch.code.name, console.punch.code.like, console.punch.code.holes)
    assert code.name == "harbour"
    # source: arithmetic: row 12 is 2048, row 0 is 512, row 4 is 32, row 8 is 2
    assert (code.holes["£"], code.holes["½"]) == (2048 + 2 + 32, 512 + 2 + 32)
    assert {"¤", "%"} & code.holes.keys() == set()  # their holes went to the two
    assert (code.holes["A"], code.holes["#"]) == (2048 + 256, 64 + 2)


def test_a_code_like_nothing_has_only_its_own(tmp_path: Path) -> None:
    console = loaded(tmp_path, changed(('like = "commercial"\n', "")))
    (own,) = console.card_codes
    assert set(described(own.name, own.like, own.holes).holes) == {" ", "£", "½"}
    assert "harbour: like nothing, with £ 12-8-4, ½ 0-8-4 of its own" in describe(console)


def test_a_code_nobody_uses_is_minded(tmp_path: Path) -> None:
    told = 'card_code "harbour" is the code of neither reader nor punch'
    assert told not in describe(loaded(tmp_path))
    assert told in describe(loaded(tmp_path, changed(('code = "harbour"\n', ""))))
