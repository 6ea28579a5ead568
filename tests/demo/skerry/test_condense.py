"""The condensing program: what it punches, read here by the words of ORDERS.md, and run.  source: ORDERS.md."""

from collections.abc import Callable, Sequence
from functools import cache
from random import Random

import pytest

from bridge.cards.deck import Card, card_of, columns_of
from bridge.demo.skerry.assembler import assemble
from bridge.demo.skerry.processor import Processor
from tests.demo.interpreter import CODE
from tests.demo.skerry.job import cards, deck, load
from tests.demo.skerry.scripted import Scripted, run_to_end
from tests.demo.skerry.test_residuals import heights_deck

LOADER = deck("loader.deck")
CONDENSE = deck("condense.deck")
WORD = 1 << 24
PUT, SETX, JUMP = 2, 14, 17
INDEXED = 1 << 17
PROGRAMS = ("residuals", "tide", "condense")
HEIGHTS = cards(heights_deck(list(range(900, 948))) * 2)
SMALL = assemble("\n".join(["  NAME TINY", *["  WORD 7654321"] * 50, "LAST  HALT", "  START LAST", ""]), "a test")
INPUTS = {"residuals": HEIGHTS, "tide": deck("gannet-bay.deck"), "condense": SMALL}


def loose_words(program: Sequence[Card]) -> tuple[dict[int, int], int]:
    """Return the words that a deck in letters loads, and where it begins."""
    store: dict[int, int] = {}
    for number, card in enumerate(program, 1):
        letters = [CODE[column] - ord("A") for column in columns_of(card)[:72]]
        words = [sum(letter << 20 - 4 * n for n, letter in enumerate(letters[at : at + 6])) for at in range(0, 72, 6)]
        assert sum(words) % WORD == 0
        assert words[0] == number
        function, address = divmod(words[1], 1 << 18)
        if function == JUMP:
            assert number == len(program)
            return store, address
        assert function == PUT
        first = (address - INDEXED + 1) % 1024
        store |= {first + n: word for n, word in enumerate(reversed(words[2:11]))}
    raise AssertionError("there is no last card")


def condensed_words(program: Sequence[Card]) -> tuple[dict[int, int], int]:
    """Return the words that a condensed deck loads, and where it begins."""
    store: dict[int, int] = {}
    for number, card in enumerate(program[1:], 2):
        columns = columns_of(card)
        words = [high << 12 | low for high, low in zip(columns[::2], columns[1::2], strict=True)]
        length = words[1] - (SETX << 18)
        assert words[0] == number
        assert 1 <= length <= 36
        assert (sum(words) + number) % WORD == 0
        assert not any(words[4 : 40 - length])
        first = (words[2] - (PUT << 18) - INDEXED + 1) % 1024
        loaded = {first + n: word for n, word in enumerate(reversed(words[40 - length :]))}
        if number == len(program):
            ((address, jump),) = loaded.items()
            assert 984 < address < 1024
            assert jump >> 18 == JUMP
            return store, jump - (JUMP << 18)
        assert max(loaded) < 904
        store |= loaded
    raise AssertionError("there is no last card")


def condense(program: Sequence[Card]) -> tuple[list[Card], Processor, Scripted]:
    processor, devices, _ = load([*LOADER, *CONDENSE, *program], 3_000_000)
    return [card_of(card) for card in devices.punched], processor, devices


@cache
def condensed(name: str) -> tuple[Card, ...]:
    dense, processor, devices = condense(deck(f"{name}.deck"))
    assert not processor.running
    assert not processor.over
    lines = devices.typed.split("\r\n")
    assert lines[1] == f"CONDENSED: CARDS READ{len(deck(f'{name}.deck')):4}, CARDS PUNCHED{len(dense):4}."
    return tuple(dense)


@pytest.mark.parametrize("name", PROGRAMS)
def test_it_holds_exactly_the_same_words_in_fewer_cards(name: str) -> None:
    loose = deck(f"{name}.deck")
    assert condensed_words(condensed(name)) == loose_words(loose)
    assert len(condensed(name)) * 3 < len(loose)


@pytest.mark.parametrize("seed", range(6))
def test_programs_with_gaps(seed: int) -> None:
    random = Random(seed)
    source = ["  NAME T", "  AT 0"] if seed % 2 else []
    at = 0
    while at < 860:
        at += random.choice((0, 1, 9, 40))
        source.append(f"  AT {at}")
        length = random.choice((1, 8, 9, 10, 36, 37, 45))
        length = min(length, 904 - at)
        source += [f"  WORD {random.getrandbits(24)}" for _ in range(length)]
        at += length
    loose = assemble("\n".join([*source, f"  START {random.randrange(904)}", ""]), "a test")
    assert condensed_words(condense(loose)[0]) == loose_words(loose)


def test_a_program_without_words_is_condensed_too() -> None:
    loose = assemble("  START 700\n", "a test")
    assert condensed_words(condense(loose)[0]) == ({}, 700)


@cache
def loose_run(name: str) -> tuple[str, list[tuple[int, ...]]]:
    return run([*LOADER, *deck(f"{name}.deck"), *INPUTS[name]])


def run(hopper: Sequence[Card]) -> tuple[str, list[tuple[int, ...]]]:
    processor, devices, _ = load(hopper, 3_000_000)
    assert not processor.running
    assert not devices.hopper
    return devices.typed, devices.punched


@pytest.mark.parametrize("name", PROGRAMS)
def test_it_types_and_punches_the_same_as_the_loose_one(name: str) -> None:
    typed, punched = loose_run(name)
    assert typed
    assert punched
    assert run([*condensed(name), *INPUTS[name]]) == (typed, punched)


@pytest.mark.parametrize("name", ["loader", "tide", "residuals"])
def test_what_was_in_the_store_makes_no_difference(name: str) -> None:
    # The machine is not switched off between two decks.
    devices = Scripted([*condensed("residuals"), *HEIGHTS])
    processor = Processor(devices)
    processor.store[:] = [Random(name).getrandbits(24) for _ in range(1024)]
    processor.press("LOAD")
    run_to_end(processor, 3_000_000)
    assert (devices.typed, devices.punched) == loose_run("residuals")


def damaged(card: Card, column: int) -> Card:
    columns = list(columns_of(card))
    columns[column] ^= 0x010
    return card_of(columns)


@pytest.mark.parametrize("column", [*range(10), 79])
@pytest.mark.parametrize("number", [2, 10])
def test_a_damaged_card_is_noticed_and_start_goes_on_with_it_put_right(number: int, column: int) -> None:
    dense = condensed("condense")
    bad = damaged(dense[number - 1], column)
    processor, devices, _ = load([*dense[: number - 1], bad], 200_000)
    assert devices.typed == "\r\nBAD"
    assert (processor.running, processor.a) == (False, number)
    devices.hopper = Scripted([*dense[number - 1 :], *INPUTS["condense"]]).hopper
    processor.press("START")
    run_to_end(processor, 3_000_000)
    assert devices.typed == "\r\nBAD" + loose_run("condense")[0]


@pytest.mark.parametrize("number", range(2, 10))
def test_a_missing_card_is_noticed(number: int) -> None:
    dense = condensed("condense")
    assert len(dense) == 10
    processor, devices, _ = load([*dense[: number - 1], *dense[number:]], 200_000)
    assert devices.typed == "\r\nBAD"
    assert (processor.running, processor.a) == (False, number)


def test_without_its_first_card_the_machine_halts_with_the_number_that_came() -> None:
    processor, devices, _ = load(condensed("condense")[1:], 200_000)
    assert (processor.running, processor.r, devices.typed) == (False, 2, "")


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (lambda loose: [*loose[:3], damaged(loose[3], 20), *loose[4:]], "BAD CARD   4"),
        (lambda loose: [*loose[:3], *loose[4:]], "NO CARD   4"),
        (lambda loose: [loose[1], loose[0], *loose[2:]], "NO CARD   1"),
        (lambda loose: [*LOADER, *loose], "BAD CARD   1"),
        (lambda loose: [*loose[:-1], *HEIGHTS], "BAD CARD  33"),
    ],
)
def test_a_loose_card_that_is_wrong_is_named_and_start_goes_on(
    wrong: Callable[[list[Card]], list[Card]], message: str
) -> None:
    loose = deck("condense.deck")
    dense, processor, devices = condense(wrong(loose))
    assert devices.typed == f"\r\n{message}"
    assert not processor.running
    first_missing = int(message.rsplit(maxsplit=1)[-1])
    devices.hopper = Scripted(loose[first_missing - 1 :]).hopper
    processor.press("START")
    run_to_end(processor, 3_000_000)
    assert [card_of(card) for card in devices.punched] == list(condensed("condense"))
    assert dense == list(condensed("condense")[: len(dense)])
