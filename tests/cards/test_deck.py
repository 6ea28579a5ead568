import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.cards import deck
from bridge.cards.code import HOLES, holes
from bridge.cards.deck import (
    BLANK_CARD,
    COLUMNS,
    FINDINGS,
    Card,
    DeckError,
    card_of,
    columns_of,
    from_image,
    parse,
    print_deck,
    shown,
)

CARDS = st.lists(st.integers(0, 0xFFF), max_size=COLUMNS).map(card_of)


def text_card(text: str) -> Card:
    return card_of([HOLES[ord(c)] for c in text])


def complaint(data: bytes, name: str = "tides.deck") -> list[str]:
    with pytest.raises(DeckError) as caught:
        parse(data, name)
    return str(caught.value).splitlines()


def test_every_pattern_of_holes_survives_the_text() -> None:
    cards = [card_of(range(n, min(n + COLUMNS, 4096))) for n in range(0, 4096, COLUMNS)]
    text = print_deck(cards)
    assert parse(text.encode(), "all") == cards
    assert {c for c in text if c.isascii()} == {chr(code) for code in range(0x20, 0x7F)} | {"\n"}
    assert len(set(text)) == 4096 + 1  # source: arithmetic; every pattern has a character of its own, and LF


@given(st.lists(CARDS, max_size=30))
def test_parse_undoes_print(cards: list[Card]) -> None:
    text = print_deck(cards)
    assert parse(text.encode(), "x") == cards
    assert text.count("\n") == len(cards)
    assert not any(line.endswith(" ") for line in text.split("\n"))


@given(st.text(st.sampled_from("\nA ~\ue000\uefff\u2028\ufeff\r\tä\U0001f0cf\x00"), max_size=200), st.integers(1, 40))
def test_the_quick_way_and_the_explaining_way_agree(text: str, piece: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deck, "_PIECE_BYTES", piece)
        patch.setattr(deck, "_PIECE_CARDS", 2)
        data = text.encode()
        sound = all(
            len(line) <= COLUMNS and all(" " <= c <= "~" or "\ue000" <= c <= "\uefff" for c in line)
            for line in text.removeprefix("\ufeff").replace("\r\n", "\n").removesuffix("\r").split("\n")
        )
        if sound:
            cards = parse(data, "x")
            assert parse(print_deck(cards).encode(), "x") == cards
        else:
            assert complaint(data)


def test_lines_and_their_ends() -> None:
    a, b = text_card("A"), text_card("B")
    assert parse(b"", "x") == []
    assert parse(b"\n", "x") == [BLANK_CARD]
    assert parse(b"A\nB\n", "x") == [a, b]
    assert parse(b"A\nB", "x") == [a, b]
    assert parse(b"A\r\nB\r\n", "x") == [a, b]
    assert parse(b"\xef\xbb\xbfA\n\nB\n\n", "x") == [a, BLANK_CARD, b, BLANK_CARD]
    assert parse(b"A   \n", "x") == [a]
    assert parse(b"~" * COLUMNS + b"\r\n", "x") == [text_card("~" * COLUMNS)]


def test_only_lf_splits() -> None:
    assert complaint("A\u2028B\n".encode()) == [
        "tides.deck, line 1, column 2: (U+2028 LINE SEPARATOR) cannot be punched: use space to ~, or U+E000 + holes"
    ]


def test_everything_wrong_is_told_at_once() -> None:
    lines = [
        b"GOOD",
        b"N = 4 \xe2\x80\x9cTIDE\xe2\x80\x9d",
        b"",
        b"X" * 92,
        b"caf\xe9",
        b"\tA",
        b"NUL\0",
        b"\x7f",
        b"\r.",
    ]
    assert complaint(b"\n".join(lines), "ti\nde\x1b[2J.deck") == [
        f"ti\\x0ade\\x1b[2J.deck, line {line}, column {column}: {what}"
        for line, column, what in [
            (2, 7, "“ (U+201C LEFT DOUBLE QUOTATION MARK) cannot be punched: use space to ~, or U+E000 + holes"),
            (2, 12, "” (U+201D RIGHT DOUBLE QUOTATION MARK) cannot be punched: use space to ~, or U+E000 + holes"),
            (4, 81, "the line has 92 columns and a card 80: shorten it by 12"),
            (5, 4, "byte E9 is not UTF-8: save the deck as UTF-8 text"),
            (6, 1, "HORIZONTAL TABULATION (U+0009) does not print: for its holes write U+E811"),
            (7, 4, "NULL (U+0000) does not print: for its holes write U+EB03"),
            (8, 1, "DELETE (U+007F) does not print: for its holes write U+E805"),
            (9, 1, "CARRIAGE RETURN (U+000D) does not print: for its holes write U+E813"),
        ]
    ]


def test_findings_are_counted_through_pieces_and_bounded() -> None:
    data = (b"A" * 79 + b"\n") * 3000 + b"\xff\n"
    assert complaint(data)[0].startswith("tides.deck, line 3001, column 1: byte FF")
    lines = complaint(b"\t\n" * 100_000)
    assert len(lines) == FINDINGS + 1
    assert lines[-1] == f"There may be more: only the first {FINDINGS} are listed."


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
    assert shown("x" * 300) == "x" * 59 + "…"
