"""The loader, and that the committed decks are what the sources say."""

from functools import cache

import pytest

from bridge.cards.deck import Card, card_of, columns_of, print_deck
from bridge.demo.skerry.assembler import assemble
from bridge.demo.skerry.processor import READER
from tests.demo.skerry.job import DECKS, cards, deck, load

LOADER = deck("loader.deck")
TIDE = deck("tide.deck")
CONSTANTS = deck("gannet-bay.deck")


@cache
def good_run() -> tuple[str, list[tuple[int, ...]], int]:
    processor, devices, cycles = load(LOADER + TIDE + CONSTANTS)
    assert not processor.running
    assert not devices.hopper
    return devices.typed, devices.punched, cycles


@pytest.mark.parametrize("name", ["loader", "tide", "residuals", "condense"])
def test_the_committed_deck_is_what_the_assembler_makes_of_its_source(name: str) -> None:
    source = (DECKS / f"{name}.source.deck").read_bytes().decode()
    assert (DECKS / f"{name}.deck").read_bytes().decode() == print_deck(assemble(source, name))


def test_sources_leave_the_columns_for_numbers_free() -> None:
    # source: common practice, no source: columns 73 to 80 are for the deck's name and numbers.
    for path in DECKS.glob("*.source.deck"):
        assert max(map(len, path.read_text().splitlines())) <= 72


def test_the_whole_job_ends_well() -> None:
    typed, punched, _ = good_run()
    assert typed.endswith("END OF TABLE. TWELVE CARDS ARE PUNCHED.\r\n")
    assert len(punched) == 12


@pytest.mark.parametrize("missing", range(len(LOADER) + len(TIDE)))
def test_a_missing_card_never_passes_unseen(missing: int) -> None:
    hopper = LOADER + TIDE + CONSTANTS
    del hopper[missing]
    typed, punched, cycles = good_run()
    processor, devices, _ = load(hopper, cycles + 1000)
    assert devices.typed != typed
    assert devices.punched != punched
    number = missing - len(LOADER) + 1
    if missing == 0:
        assert (processor.running, processor.r) == (False, 2)  # a HALT with the number of the card that came
    elif missing < len(LOADER):
        assert devices.typed == f"\r\nLOADER {missing + 1} BAD"
    elif missing < len(LOADER) + len(TIDE) - 1:
        assert devices.typed == f"\r\nNO CARD {number:02}"
    else:
        assert devices.typed == f"\r\nBAD CARD {number:02}"  # the first of the constants came instead
    assert not processor.running


def damaged(card: Card) -> Card:
    columns = list(columns_of(card))
    columns[20] ^= 0x010
    return card_of(columns)


@pytest.mark.parametrize("number", [2, 3])
def test_a_damaged_card_of_the_loader_is_named(number: int) -> None:
    hopper = list(LOADER)
    hopper[number - 1] = damaged(hopper[number - 1])
    processor, devices, _ = load(hopper + TIDE)
    assert devices.typed == f"\r\nLOADER {number} BAD"
    assert not processor.running


def test_loader_cards_in_the_wrong_order_are_refused() -> None:
    _, devices, _ = load([LOADER[0], LOADER[2], LOADER[1], *TIDE])
    assert devices.typed == "\r\nLOADER 2 BAD"


@pytest.mark.parametrize("number", [1, 2, 40, len(TIDE)])
def test_a_damaged_card_of_a_program_is_named(number: int) -> None:
    hopper = list(TIDE)
    hopper[number - 1] = damaged(hopper[number - 1])
    processor, devices, _ = load(LOADER + hopper)
    assert devices.typed == f"\r\nBAD CARD {number:02}"
    assert not processor.running


def test_start_goes_on_with_a_card_put_right() -> None:
    processor, devices, _ = load(LOADER + TIDE[:4] + TIDE[5:7])
    assert devices.typed == "\r\nNO CARD 05"
    devices.hopper = [columns_of(card) for card in TIDE[4:]]
    processor.press("START")
    for _ in range(200_000):
        processor.cycle()
    assert (processor.waiting, devices.hopper) == (READER, [])
    assert devices.typed == "\r\nNO CARD 05"


def test_any_small_program_loads_and_runs() -> None:
    source = '  NAME T\n  AT 500\nBEGIN TYPI "O"\n  TYPI "K"\n  HALT\n  START BEGIN\n'
    processor, devices, _ = load(LOADER + assemble(source, "a test"))
    assert devices.typed == "OK"
    assert (processor.running, processor.c) == (False, 503)


def test_a_deck_of_something_else_is_refused() -> None:
    _, devices, _ = load(LOADER + cards(["GANNET BAY            02.640"]))
    assert devices.typed == "\r\nBAD CARD 01"
