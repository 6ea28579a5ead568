import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.cards import deck, editors
from bridge.cards.code import BUILT_IN, HOLES, X3_26, CardCode, described, holes
from bridge.cards.deck import (
    BLANK_CARD,
    COLUMNS,
    FINDINGS,
    MAX_CARDS,
    Card,
    DeckError,
    card_of,
    columns_of,
    from_image,
    parse,
    print_deck,
    read_deck,
    shown,
)
from tests.cards.plainly import plainly

CODES = [*BUILT_IN.values(), described("harbour", "commercial", {"£": "12-8-4", "Ж": "0-8-6"})]
CARDS = st.lists(st.integers(0, 0xFFF), max_size=COLUMNS).map(card_of)
in_each_code = pytest.mark.parametrize("code", CODES, ids=lambda code: code.name)


def text_card(text: str, code: CardCode = X3_26) -> Card:
    return card_of([code.holes[c] for c in text])


def complaint(data: bytes, name: str = "tides.deck", code: CardCode = X3_26) -> list[str]:
    with pytest.raises(DeckError) as caught:
        parse(data, name, code)
    lines = str(caught.value).splitlines()
    assert len(caught.value.findings) <= FINDINGS
    assert list(caught.value.findings) == sorted(caught.value.findings, key=lambda f: (f.line, f.column))
    return lines


@in_each_code
def test_every_pattern_of_holes_survives_the_text(code: CardCode) -> None:
    cards = [card_of(range(n, min(n + COLUMNS, 4096))) for n in range(0, 4096, COLUMNS)]
    text = print_deck(cards, code)
    assert parse(text.encode(), "all", code) == cards
    assert {c for c in text if not "\ue000" <= c <= "\uefff"} == {*code.printing.values(), "\n"}
    assert len(set(text)) == 4096 + 1  # source: arithmetic; every pattern has a character of its own, and LF


@given(st.lists(CARDS, max_size=30), st.sampled_from(CODES))
def test_parse_undoes_print(cards: list[Card], code: CardCode) -> None:
    text = print_deck(cards, code)
    assert parse(text.encode(), "x", code) == cards
    assert text.count("\n") == len(cards)
    assert not any(line.endswith(" ") for line in text.split("\n"))


def test_control_characters_and_line_feeds_on_cards_survive() -> None:
    # source: the rule of the text form: what does not print is U+E000 + holes
    cards = [card_of(HOLES[n : n + 32]) for n in range(0, 128, 32)]
    assert print_deck(cards).count("\n") == len(cards)
    assert print_deck(cards)[0] == chr(0xE000 + holes("12-0-9-8-1"))  # NUL
    assert chr(0xE000 + holes("0-9-5")) in print_deck(cards)  # LF
    assert parse(print_deck(cards).encode(), "x") == cards


@in_each_code
@given(
    text=st.text(st.sampled_from("\nAa ~£&\ue000\uefff\u2028\ufeff\r\tä\U0001f0cf\x00"), max_size=200),
    piece=st.integers(170, 400),
)
def test_the_quick_way_is_the_plain_way(code: CardCode, text: str, piece: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(editors, "PIECE", piece)
        patch.setattr(deck, "_PIECE_CARDS", 2)
        # Short texts of mostly odd characters are no text at all: an honest card goes before them.
        honest = "A" * 60 + "\n"
        text = honest + text
        cards = plainly(text, code)
        if cards is not None:
            assert parse(text.encode(), "x", code) == cards
            assert parse(print_deck(cards, code).encode(), "x", code) == cards
        else:
            assert complaint(text.encode(), code=code)


def test_lines_and_their_ends() -> None:
    a, b = text_card("A"), text_card("B")
    assert parse(b"", "x") == []
    assert parse(b"\n", "x") == [BLANK_CARD]
    assert parse(b"A\nB\n", "x") == [a, b]
    assert parse(b"A\nB", "x") == [a, b]
    assert parse(b"A\r\nB\r\n", "x") == [a, b]
    assert parse(b"A\r\nB\r", "x") == [a, b]
    assert parse(b"\xef\xbb\xbfA\n\nB\n\n", "x") == [a, BLANK_CARD, b, BLANK_CARD]
    assert parse(b"\xef\xbb\xbf", "x") == []
    assert parse(b"A   \n", "x") == [a]
    assert parse(b"~" * COLUMNS + b"\r\n", "x") == [text_card("~" * COLUMNS)]


@pytest.mark.parametrize(
    ("data", "cards", "notes"),
    [
        (b"A\nB\n", ["A", "B"], []),
        (b"", [], []),
        (b"\xef\xbb\xbfA\n", ["A"], ["taken as an editor left it: a byte order mark"]),
        (b"A\r\nB", ["A", "B"], ["taken as an editor left it: CR LF, no LF at the end"]),
        (b"A" + b" " * 99 + b"\n", ["A"], ["taken as an editor left it: blanks after column 80"]),
        (b"A\t\t\t\t\t\t\t\t\t\t\t\n", ["A"], []),
        (b"\tA\n1\tB\t12345678\tC\nD\n", [" " * 8 + "A", "1       B       12345678        C", "D"],
         ["tabs in 2 lines went to the next stop, every 8 columns: 9, 17, 25, …"]),
        (b"1234567\tA\n", ["1234567 A"], ["tabs in 1 line went to the next stop, every 8 columns: 9, 17, 25, …"]),
    ],
)  # fmt: skip
def test_what_an_editor_left_is_taken_and_noted_once(data: bytes, cards: list[str], notes: list[str]) -> None:
    taken = read_deck(data, "x")
    assert taken.cards == [text_card(card) for card in cards]
    assert list(taken.notes) == notes


def test_tabs_go_where_it_is_said() -> None:
    taken = read_deck(b"A\tB\n", "x", tabs=40)
    assert taken.cards == [text_card("A" + " " * 39 + "B")]
    assert taken.notes == ("tabs in 1 line went to the next stop, every 40 columns: 41",)


def test_only_lf_splits() -> None:
    assert complaint("AAAA\u2028B\n".encode()) == [
        "tides.deck, line 1, column 5: (U+2028 LINE SEPARATOR) is not in card code x3.26",
        "Card code x3.26 has the characters space to ~; any other column is written as the character U+E000 + holes.",
    ]


def test_everything_wrong_is_told_at_once() -> None:
    lines = [
        b"GOOD" * 20,
        b"N = 4 \xe2\x80\x9cTIDE\xe2\x80\x9d",
        b"",
        b"X" * 92 + b"   ",
        b"caf\xe9 cr\xe8me",
        b"\tA\xe2\x80\x9c\xe2\x80\x9c",
        b"NUL\0",
        b"\x7f",
        b"\r.",
        b"\t" + b"X" * 79,
    ]
    assert complaint(b"\n".join(lines), "ti\nde\x1b[2J.deck") == [
        *(
            f"ti\\x0ade\\x1b[2J.deck, line {line}, column {column}: {what}"
            for line, column, what in [
                (2, 7, '“ (U+201C LEFT DOUBLE QUOTATION MARK), the first of 3, is not in card code x3.26: write "'),
                (2, 12, '” (U+201D RIGHT DOUBLE QUOTATION MARK) is not in card code x3.26: write "'),
                (4, 81, "the line has 92 columns and a card 80: shorten it by 12"),
                (5, 4, "byte E9, the first of 2, is not UTF-8: save the deck as UTF-8 text"),
                (7, 4, "NULL (U+0000) does not print: for its holes write U+EB03"),
                (8, 1, "DELETE (U+007F) does not print: for its holes write U+E805"),
                (9, 1, "CARRIAGE RETURN (U+000D) does not print: for its holes write U+E813"),
                (10, 81, "the line has 87 columns (a tab goes to every 8th) and a card 80: shorten it by 7"),
            ]
        ),
        "Card code x3.26 has the characters space to ~; any other column is written as the character U+E000 + holes.",
    ]


COMMERCIAL = (
    "Card code commercial has the characters space, 0-9, A-Z and #$%&*,-./@¤; "
    "any other column is written as the character U+E000 + holes."
)


def test_each_code_says_what_it_has_and_what_to_write() -> None:
    assert complaint("Tide + 3\nTides – 4\n\x07\n".encode(), code=BUILT_IN["commercial"]) == [
        "tides.deck, line 1, column 2: i, the first of 7 small letters, is not in card code commercial: write I",
        "tides.deck, line 1, column 6: + (U+002B PLUS SIGN) is not in card code commercial",
        "tides.deck, line 2, column 7: – (U+2013 EN DASH) is not in card code commercial: write -",
        "tides.deck, line 3, column 1: BELL (U+0007) is not in card code commercial",
        COMMERCIAL,
    ]
    assert complaint(b"A\ni\n", code=BUILT_IN["scientific"])[0] == (
        "tides.deck, line 2, column 1: i, a small letter, is not in card code scientific: write I"
    )
    some = described("some", "", {"A": "12-1", "ß": "12"})
    assert complaint(b"B\n", code=some)[-1].startswith("Card code some has the characters space and Aß;")
    digits = described("digits", "", {digit: digit for digit in "0123456789"})
    assert complaint("ſ²\n".encode(), code=digits)[-1].startswith("Card code digits has the characters space, 0-9;")


WIDE = "this is UTF-16 text: save the deck as UTF-8 text"
NONE = "this is no text, and so no deck: a deck is a text file with a line for each card"
PICTURE = "this is a picture: name a deck of pictures *.pbm, and make it text with: consolewright deck convert"
CR_ALONE = "the lines end in CR alone: save the deck with line ends LF or CR LF"
CUT = (
    "the file ends in 300 NUL bytes, as after a power cut while it was written: delete them, "
    "and see whether the last card is whole"
)
NO_TEXT = [
    ("A\nB\n".encode("utf-16"), WIDE),
    ("HARBOUR\n".encode("utf-16-be"), WIDE),
    ("HARBOUR\n".encode("utf-16-le"), WIDE),
    (random.Random(1).randbytes(100_000), NONE),
    (b"\x7fELF\x02\x01\x01" + bytes(9) + b"A\n" * 20, NONE),
    (b"P4\n80 12\n" + bytes(119) + b"\x01", PICTURE),
    (b"A\rB\rC", CR_ALONE),
    (b"A\nB\nC" + bytes(300), CUT),
]


@pytest.mark.parametrize(("data", "what"), NO_TEXT)
def test_what_is_no_deck_at_all_is_said_once(data: bytes, what: str) -> None:
    line = 4 if what == CUT else 1
    assert complaint(data) == [f"tides.deck, line {line}, column 1: {what}"]


def test_text_that_begins_like_a_picture_or_has_few_controls_is_text() -> None:
    assert parse(b"P4\n80 12\n", "x") == [text_card("P4"), text_card("80 12")]
    assert complaint(b"\x07\n")[0].startswith("tides.deck, line 1, column 1: BELL")
    assert complaint((b"A" * 80 + b"\n") * 25 + b"\x07" * 50 + b"\n")[0].endswith(
        "BELL (U+0007), the first of 50, does not print: for its holes write U+E207"
    )


def test_findings_are_counted_through_pieces_and_bounded() -> None:
    good = (b"A" * 79 + b"\n") * 3000
    data = b"\xff\n" + good + b"\xfe\n" + good + b"X" * 81
    assert complaint(data) == [
        "tides.deck, line 1, column 1: byte FF, the first of 2, is not UTF-8: save the deck as UTF-8 text",
        "tides.deck, line 6003, column 81: the line has 81 columns and a card 80: shorten it by 1",
    ]
    lines = complaint((b"X" * 81 + b"\n") * 1000)
    assert len(lines) == FINDINGS + 1
    assert lines[-1] == f"There is more wrong: only the first {FINDINGS} are listed."
    many = "".join(map(chr, range(0x4E00, 0x4E00 + 50))).encode() + b"\n"
    lines = complaint(many * 2000)
    assert len(lines) == FINDINGS + 2
    assert lines[0].startswith(
        "tides.deck, line 1, column 1: 一 (U+4E00 CJK UNIFIED IDEOGRAPH-4E00), the first of 2,000,"
    )
    more = "\u4fff\n".encode() * 20_000 + many  # a piece that begins with one that is not listed any more
    assert "the first of 2,001," in complaint(many * 2000 + more)[0]
    mixed = complaint(b"X" * 81 + b"\n" + b"".join(b"%c\n" % c for c in range(0x01, 0x09)) + (b"X" * 81 + b"\n") * 15)
    assert len(mixed) == FINDINGS + 2


def test_a_line_without_an_end_is_not_looked_at() -> None:
    said = "the line has over 32,768 bytes, and a card 80 columns: break it up"
    assert complaint(b"A\n" + b"A" * 5_000_000 + b"\nB\n" + b"X" * 81) == [
        f"tides.deck, line 2, column 81: {said}",
        "tides.deck, line 4, column 81: the line has 81 columns and a card 80: shorten it by 1",
    ]
    for long in (1_000_000, 2_000_000, 3_000_000):
        assert len(complaint(b"A" * long + b"\n" + b"X" * 81 + b"\n" + b"A" * 3_000_000)) == 3
    assert complaint(b"A" * 40_000) == [f"tides.deck, line 1, column 81: {said}"]


def test_a_deck_has_at_most_so_many_cards() -> None:
    assert len(parse(b"\n" * MAX_CARDS, "x")) == MAX_CARDS
    for over in (b"\n", b"\n" * 200_000, b"A"):
        assert complaint(b"\n" * MAX_CARDS + over) == [
            f"tides.deck, line {MAX_CARDS + 1}, column 1: a deck has 100,000 cards at most: split it"
        ]


def test_nuls_at_the_end_are_found_however_many() -> None:
    assert "ends in 3,000,000 NUL bytes" in complaint(b"A\n" + bytes(3_000_000))[0]
    assert "ends in 50 NUL bytes" in complaint(bytes(50))[0]


def test_a_card_is_the_image_the_link_carries() -> None:
    # source: the link's page: 16 bits a column, little-endian
    card = card_of([holes("12-9"), 0, holes("0-1")])
    assert card[:6] == bytes([0x01, 0x08, 0, 0, 0x00, 0x03])
    assert len(card) == 160
    assert columns_of(card)[:4] == (0x801, 0, 0x300, 0)
    assert from_image(bytes(card)) == card


@pytest.mark.parametrize("data", [b"", bytes(159), bytes(161), bytes(159) + b"\x10", b"\0\x80" + bytes(158)])
def test_an_image_from_outside_is_checked(data: bytes) -> None:
    with pytest.raises(ValueError, match="card image"):
        from_image(data)


@pytest.mark.parametrize("columns", [[0] * 81, [4096], [-1]])
def test_a_card_has_80_columns_of_twelve_holes(columns: list[int]) -> None:
    with pytest.raises(ValueError, match="80 columns"):
        card_of(columns)


def test_a_name_is_shown_without_tricks() -> None:
    assert shown("a\u202e\x07b\udcff") == "a\\x202e\\x07b\\xdcff"
    assert shown("a" * 300 + ".deck") == "a" * 29 + "…" + "a" * 25 + ".deck"
    assert shown("x" * 60) == "x" * 60
