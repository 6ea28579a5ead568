"""Decks with random damage, seeded: what is accepted is what the plain reader reads, what is refused is well said.

CONSOLEWRIGHT_FUZZ=100000 runs as many cases; a few otherwise.
"""

import os
from random import Random

import pytest

from bridge.cards.card import COLUMNS, Card, card_of
from bridge.cards.code import BUILT_IN, described
from bridge.cards.deck import parse, print_deck
from bridge.cards.faults import FINDINGS, DeckError
from bridge.cards.pbm import print_pictures, read_pictures
from tests.cards.plainly import plainly

CASES = int(os.environ.get("CONSOLEWRIGHT_FUZZ", "500"))
CODES = [*BUILT_IN.values(), described("harbour", "commercial", {"£": "12-8-4", "Ж": "0-8-6"})]
# source: what editors, sticks and other people's programs are known to leave; common practice, no source
ODD_BYTES = [b"\0", b"\0" * 512, b"\x1a", b"\xed\xa0\x80", b"\xee\x80", b"\xff", b"P4\n80 12\n"]
ODD_TEXT = ["\n", "\r\n", "\r", "\t", " " * 90, "\ufeff", "a", "Ж£“", "\U0001f0cf\ufffe\u2028", "A" * 81]
DAMAGE = [*ODD_BYTES, *(text.encode() for text in ODD_TEXT)]


def damaged(rng: Random, data: bytes) -> bytes:
    for _ in range(rng.choice([0, 1, 1, 2, 4])):
        at = rng.randint(0, len(data))
        match rng.randrange(5):
            case 0:
                data = data[:at] + rng.choice(DAMAGE) + data[at:]
            case 1:
                data = data[:at] + rng.randbytes(rng.randint(1, 3)) + data[at:]
            case 2:
                data = data[:at] + data[at + rng.randint(1, 40) :]
            case 3:
                data = data[:at] + data[at:] * rng.randint(1, 2)
            case 4:
                data = data.replace(b"\n", rng.choice([b"\r\n", b" \n", b"\t\n", b"\r"]))
    return data


def deck(rng: Random) -> list[Card]:
    pools = (range(4096), [0, 0, 0x900, 0x100], list(rng.choice(CODES).holes.values()))
    pool = rng.choice(pools)
    return [card_of(rng.choices(pool, k=rng.randint(0, COLUMNS))) for _ in range(rng.randint(0, 6))]


def well_said(error: DeckError) -> None:
    lines = str(error).split("\n")
    assert 1 <= len(error.findings) <= FINDINGS
    assert len(error.findings) <= len(lines) <= FINDINGS + 2
    assert all(line.isprintable() and line.strip() for line in lines)
    assert list(error.findings) == sorted(error.findings)


@pytest.mark.timeout(60 + CASES / 100)
def test_no_damage_is_misread_or_badly_said() -> None:
    accepted = refused = 0
    for case in range(CASES):
        rng = Random(case)
        code, cards = rng.choice(CODES), deck(rng)
        data = damaged(rng, print_deck(cards, code).encode())
        try:
            expected = plainly(data.decode(), code)
        except UnicodeDecodeError:
            expected = None
        try:
            read = parse(data, "fuzz", code)
        except DeckError as error:
            assert expected is None, (case, data)
            well_said(error)
            refused += 1
        else:
            assert read == expected, (case, data)
            assert parse(print_deck(read, code).encode(), "fuzz", code) == read, case
            accepted += 1

        pictures = damaged(rng, print_pictures(cards))
        try:
            read = read_pictures(pictures, "fuzz")
        except DeckError as error:
            well_said(error)
        else:
            assert read_pictures(print_pictures(read), "fuzz") == read, case
    assert min(accepted, refused) > CASES / 5  # both ways are really tried
