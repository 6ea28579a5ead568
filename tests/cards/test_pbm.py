import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.cards import pbm
from bridge.cards.card import COLUMNS, Card, card_of
from bridge.cards.code import holes
from bridge.cards.faults import DeckError
from bridge.cards.pbm import print_pictures, read_pictures

CARDS = st.lists(st.integers(0, 0xFFF), max_size=COLUMNS).map(card_of)
HEADER = b"P4\n80 12\n"


def complaint(data: bytes) -> str:
    with pytest.raises(DeckError) as caught:
        read_pictures(data, "tides.pbm")
    return str(caught.value)


def test_every_pattern_of_holes_survives_the_picture() -> None:
    cards = [card_of(range(n, min(n + COLUMNS, 4096))) for n in range(0, 4096, COLUMNS)]
    assert read_pictures(print_pictures(cards), "all") == cards


@given(st.lists(CARDS, max_size=12), st.integers(1, 4))
def test_reading_undoes_printing(cards: list[Card], piece: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pbm, "_PIECE_CARDS", piece)
        data = print_pictures(cards)
        assert read_pictures(data, "x") == cards
        assert len(data) == len(cards) * (len(HEADER) + 12 * 80 // 8)  # source: arithmetic over pbm(5)


def test_a_hole_is_black_and_row_12_is_on_top() -> None:
    # source: pbm(5): rows from the top, eight pixels a byte, the left one in the top bit, 1 is black
    rows = [bytearray(10) for _ in range(12)]
    rows[0][0] = 0b1000_0000  # row 12, column 1
    rows[11][0] = 0b1100_0000  # row 9, columns 1 and 2
    rows[2][9] = 0b0000_0001  # row 0, column 80
    data = HEADER + b"".join(rows)
    card = card_of([holes("12-9"), holes("9"), *[0] * 77, holes("0")])
    assert read_pictures(data, "x") == [card]
    assert print_pictures([card]) == data


@pytest.mark.parametrize(
    "header", [b"P4 80 12 ", b"P4\r\n80\t12\n", b"P4\n# made by\n# somebody\n80 12\n", b"P4\n80 # wide\n12\n"]
)
def test_headers_as_others_write_them(header: bytes) -> None:
    # source: pbm(5): white space between the words, # and the rest of its line is a comment
    assert read_pictures((header + b"\xff" * 120) * 2, "x") == [card_of([0xFFF] * 80)] * 2


def test_no_pictures_are_no_cards() -> None:
    assert read_pictures(b"", "x") == []
    assert print_pictures([]) == b""


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"GIF89a", "picture 1: this is no P4 picture: the picture form of a deck is PBM of the raw kind"),
        (b"P4 " + b"9" * 5000 + b" 12\n", "picture 1: this is no P4 picture: the picture form of a deck is PBM of"),
        (b"P1\n80 12\n0 1", "picture 1: this is a P1 picture: save it as PBM of the raw kind, P4"),
        (b"P4\n100 12\n" + bytes(156), "picture 1: it is 100 × 12 pixels, and a card 80 × 12: one for each place for"),
        (b"P4\n80 13\n" + bytes(130), "picture 1: it is 80 × 13 pixels, and a card 80 × 12: one for each place for"),
        (HEADER + bytes(120) + HEADER + bytes(60), "picture 2: the file ends after 60 of its 120 bytes: copy it again"),
        (HEADER + bytes(121), "picture 2: after 129 bytes there is something that is no P4 picture: cut it off"),
    ],
)
def test_what_is_no_deck_of_pictures(data: bytes, says: str) -> None:
    assert complaint(data).startswith(f"tides.pbm, {says}")
    assert "\n" not in complaint(data)


def test_a_bad_picture_is_counted_through_pieces() -> None:
    assert complaint((HEADER + bytes(120)) * 1000 + b"x").startswith("tides.pbm, picture 1001: after 129,000 bytes")
