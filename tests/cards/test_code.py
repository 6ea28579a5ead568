import csv
from collections import Counter
from pathlib import Path

from bridge.cards.code import BLANK, CODES, HOLES, holes, words

# source: ANSI X3.26-1980 / FIPS PUB 14 / ISO 6586:1980
TABLE = Path(__file__).parent.parent / "references" / "card-code.tsv"
ROWS = list(csv.DictReader(TABLE.read_text().splitlines()[1:], delimiter="\t", quoting=csv.QUOTE_NONE))


def test_each_character_has_the_published_holes() -> None:
    published = {int(row["code"]): int(row["mask_hex_row12_msb"], 16) for row in ROWS}
    assert dict(enumerate(HOLES)) == published
    assert {code: mask for mask, code in CODES.items()} == published


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


def test_at_most_one_of_rows_1_to_7() -> None:
    # source: ISO 6586, the rule that makes 256 of the 4096 patterns legal
    assert all((mask & holes("1-2-3-4-5-6-7")).bit_count() <= 1 for mask in HOLES)


# source: ISO 6586's rule from the 8-bit block to holes, those quarters of it that the 128 use; from memory
ZONES = [*("12", "11", "0", ""), *("12", "11", "0", ""), *("12-0", "12-11", "11-0", ""), *("12", "11", "0", "")]
APART = {0x00: "12-0-9-8-1", 0x10: "12-11-9-8-1", 0x40: "", 0x50: "12", 0x60: "11", 0x61: "0-1"}
APART |= {0xC0: "12-0", 0xD0: "11-0", 0xE0: "0-8-2", 0xF0: "0"}


def by_the_block_rule(byte: int) -> int:
    if byte in APART:
        return holes(APART[byte])
    high, low = divmod(byte, 16)
    digit = f"8-{low - 8}" if low > 9 or (low == 9 and high < 8) else str(low)
    return holes(ZONES[high]) | holes(digit) | holes("9" if high < 4 else "")


def test_agrees_with_an_independent_codec() -> None:
    # source: Python's codec cp500, an 8-bit code made for the same cards; it places "|" elsewhere
    others = [chr(code) for code in range(128) if chr(code) != "|"]
    assert [HOLES[ord(c)] for c in others] == [by_the_block_rule(c.encode("cp500")[0]) for c in others]
