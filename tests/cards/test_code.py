import csv
from collections import Counter
from pathlib import Path

import pytest

from bridge.cards.code import BLANK, BUILT_IN, CODES, HOLES, X3_26, CardCode, described, holes, is_character, words
from tests.tables import rows

# source: ANSI X3.26-1980 / FIPS PUB 14 / ISO 6586:1980
TABLE = Path(__file__).parent.parent / "references" / "card-code.tsv"
ROWS = list(csv.DictReader(TABLE.read_text().splitlines()[1:], delimiter="\t", quoting=csv.QUOTE_NONE))


def test_each_character_has_the_published_holes() -> None:
    published = {int(row["code"]): int(row["mask_hex_row12_msb"], 16) for row in ROWS}
    assert dict(enumerate(HOLES)) == published
    assert {code: mask for mask, code in CODES.items()} == published
    assert X3_26.holes == {chr(code): mask for code, mask in published.items()}


def test_holes_are_said_as_published() -> None:
    said = [row["holes"].replace("(none)", "") for row in ROWS]
    assert [words(mask) for mask in HOLES] == said
    assert [holes(word) for word in said] == list(HOLES)


def test_the_whole_code_is_there_once() -> None:
    assert len(ROWS) == len(HOLES) == len(CODES) == 128  # source: ISO 646, seven bits
    assert HOLES[ord(" ")] == BLANK


def test_histogram_of_holes() -> None:
    # source: arithmetic over the published table
    assert Counter(mask.bit_count() for mask in HOLES) == {0: 1, 1: 12, 2: 39, 3: 61, 4: 13, 5: 2}


# source: the rule of X3.26 and ISO 6586 from the 8-bit block to holes, all 256 places of it; from memory
ZONES = ["12", "11", "0", "", "12", "11", "0", "", "12-0", "12-11", "11-0", "12-11-0", "12", "11", "0", ""]
APART = {0x00: "12-0-9-8-1", 0x10: "12-11-9-8-1", 0x20: "11-0-9-8-1", 0x30: "12-11-0-9-8-1"}
APART |= {0x40: "", 0x50: "12", 0x60: "11", 0x61: "0-1", 0x6A: "12-11", 0x70: "12-11-0"}
APART |= {0x80: "12-0-8-1", 0x90: "12-11-8-1", 0xA0: "11-0-8-1", 0xB0: "12-11-0-8-1"}
APART |= {0xC0: "12-0", 0xD0: "11-0", 0xE0: "0-8-2", 0xE1: "11-0-9-1", 0xF0: "0"}
NINES = ["12-0-9", "12-11-9", "11-0-9", "12-11-0-9"]


def by_the_block_rule(byte: int) -> int:
    if byte in APART:
        return holes(APART[byte])
    high, low = divmod(byte, 16)
    digit = f"8-{low - 8}" if low > 9 or (low == 9 and high < 8) else str(low)
    if 4 <= high < 8 and low < 9:
        return holes(NINES[high - 4]) | holes(digit)
    if high >= 12 and low > 9:
        return holes(NINES[high - 12]) | holes(digit)
    return holes(ZONES[high]) | holes(digit) | holes("9" if high < 4 else "")


def test_agrees_with_an_independent_codec() -> None:
    # source: Python's codec cp500, an 8-bit code made for the same cards; it places "|" elsewhere
    others = [chr(code) for code in range(128) if chr(code) != "|"]
    assert [HOLES[ord(c)] for c in others] == [by_the_block_rule(c.encode("cp500")[0]) for c in others]


def test_256_patterns_are_characters_one_for_each_place_of_the_block() -> None:
    # source: ISO 6586: at most one of rows 1 to 7, so 32 × 8 of the 4096 patterns; the block rule reaches each once
    legal = {mask for mask in range(4096) if is_character(mask)}
    assert len(legal) == 256
    assert sorted(by_the_block_rule(byte) for byte in range(256)) == sorted(legal)
    assert all(is_character(mask) for code in BUILT_IN.values() for mask in code.holes.values())


@pytest.mark.parametrize("name", ["commercial", "scientific"])
def test_the_older_arrangements(name: str) -> None:
    # source: the plates "A" and "H" of a keypunch's parts list of 1963, and the trade's memory of them
    column = ["commercial", "scientific"].index(name) + 1
    published = {row[column]: holes(row[0]) for row in rows("older-arrangements.tsv")}
    code = BUILT_IN[name].holes
    assert {c: mask for c, mask in code.items() if not c.isalnum() and c != " "} == published
    alike = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 "
    assert {c: code[c] for c in alike} == {c: HOLES[ord(c)] for c in alike}
    assert len(code) == 48


def test_the_older_arrangements_share_their_holes() -> None:
    commercial, scientific = (BUILT_IN[name].printing for name in ("commercial", "scientific"))
    assert commercial.keys() == scientific.keys()
    assert [(commercial[mask], scientific[mask]) for mask in commercial if commercial[mask] != scientific[mask]] == [
        ("&", "+"),
        ("#", "="),
        ("@", "'"),
        ("¤", ")"),
        ("%", "("),
    ]


def test_what_does_not_print_is_a_character_that_is_not_written() -> None:
    assert len(X3_26.printing) == 95  # source: ISO 646, space to tilde
    assert "\n" in X3_26.holes


@pytest.mark.parametrize("table", [{"A": 0x900}, {" ": 0, "A": 0x900, "B": 0x900}, {" ": 1}])
def test_a_code_is_one_to_one_and_blank_is_space(table: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="no two characters"):
        CardCode("x", table)


def test_a_code_of_ones_own() -> None:
    code = described("mine", "commercial", {"£": "12-8-4", "&": "8-3"})
    assert code.printing[holes("12-8-4")] == "£"
    assert code.printing[holes("8-3")] == "&"
    assert holes("12") not in code.printing  # "&" went elsewhere
    assert not {"¤", "#"} & code.holes.keys()
    assert len(code.holes) == 48 - 2 + 1
    assert described("bare", "", {"A": "12-1"}).holes == {" ": BLANK, "A": 0x900}
