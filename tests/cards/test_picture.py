import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest

from bridge.cards import picture
from bridge.cards.card import BLANK_CARD, card_of
from bridge.cards.code import BUILT_IN, HOLES, X3_26
from bridge.cards.picture import holes_of, marks_of, svg

FULL = card_of([0xFFF] * 80)
SVG = "{http://www.w3.org/2000/svg}"


def test_the_card_and_its_holes_have_their_true_proportions() -> None:
    # source: ANSI X3.11, X3.21-1967: 7 3/8 × 3 1/4 in, holes 0.055 × 0.125 in, 0.087 and 0.250 in apart
    root = ET.fromstring(svg(FULL, X3_26, "x"))  # noqa: S314 -- our own
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("7.375in", "3.25in", "0 0 7375 3250")
    path = root.find(f"{SVG}path")
    assert path is not None
    holes = re.findall(r"M([\d.]+) ([\d.]+)h(\d+)v(\d+)h-(\d+)z", path.get("d", ""))
    assert len(holes) == 960
    assert {(width, height, back) for _, _, width, height, back in holes} == {("55", "125", "55")}
    left, top = sorted({float(x) for x, *_ in holes}), sorted({float(y) for _, y, *_ in holes})
    assert {round(b - a, 6) for a, b in pairwise(left)} == {87}
    assert {round(b - a, 6) for a, b in pairwise(top)} == {250}
    # source: arithmetic: 80 columns stand in the middle of the card; row 12 is 0.250 in from the top (from memory)
    assert left[0] + left[-1] + 55 == 7375 + 0  # the same margin on both sides, 223.5
    assert top[0] + 62.5 == 250


def test_the_corner_is_cut_top_left() -> None:
    # source: common practice, no source
    root = ET.fromstring(svg(BLANK_CARD, X3_26, "x"))  # noqa: S314 -- our own
    outline = root.find(f"{SVG}polygon")
    assert outline is not None
    assert outline.get("points") == "250,0 7375,0 7375,3250 0,3250 0,433"


def test_a_hole_stands_where_its_row_and_column_are() -> None:
    card = card_of([0x800, 0x001, 0, HOLES[ord("A")]])
    assert list(holes_of(card)) == [(251, 250), (338, 250 + 11 * 250), (251 + 3 * 87, 250), (251 + 3 * 87, 1000)]
    assert list(holes_of(BLANK_CARD)) == []


@pytest.mark.parametrize(("code", "printed"), [("x3.26", "A<"), ("commercial", "A¤"), ("scientific", "A)")])
def test_the_characters_stand_along_the_top_above_their_columns(code: str, printed: str) -> None:
    card = card_of([HOLES[ord("A")], 0, 0xFFF, HOLES[ord("<")]])
    dark = [mark for mark in marks_of(card, BUILT_IN[code]) if not mark.faint]
    assert "".join(mark.text for mark in dark) == printed
    assert [mark.x for mark in dark] == [251, 251 + 3 * 87]
    assert all(mark.y + mark.size / 2 < 250 - 125 / 2 for mark in dark)  # above the holes of row 12


def test_digits_are_printed_where_there_is_no_hole() -> None:
    faint = [mark.text for mark in marks_of(card_of([0x3FF]), X3_26) if mark.faint and mark.size == 85]
    assert len(faint) == 79 * 10
    numbers = [int(mark.text) for mark in marks_of(FULL, X3_26) if mark.faint]
    assert numbers == [column for column in range(1, 81) for _ in range(2)]


def test_the_picture_is_sound_xml_whatever_is_on_the_card() -> None:
    title = 'card 1 of <"&>.deck'
    root = ET.fromstring(svg(card_of(HOLES[ord("!") : ord("!") + 80]), X3_26, title))  # noqa: S314 -- our own
    assert root.findtext(f"{SVG}title") == title
    printed = [text.text for text in root.iter(f"{SVG}text") if not text.get("fill")]
    assert printed == [chr(code) for code in range(ord("!"), ord("!") + 80)]
    assert pytest.approx(187.325 / 82.55, rel=1e-4) == picture.WIDTH / picture.HEIGHT  # source: 7 3/8 × 3 1/4 in
