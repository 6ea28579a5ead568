"""The residuals program against whole numbers and fractions worked out here from the deck.  source: arithmetic."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from math import floor, log2
from random import Random

import pytest

from bridge.cards.deck import card_of, print_deck
from bridge.demo.skerry.assembler import AssemblyError, assemble
from bridge.demo.skerry.processor import READER, Processor
from tests.demo.skerry.job import DECKS, cards, deck, load
from tests.demo.skerry.scripted import Scripted, run_to_end

LIMIT = 2_000_000
STORE = 1024  # words.  source: ORDERS.md
HEAD = "GANNET BAY           1 MAY 1962"
ASKED = "TAKE THE DECK OUT OF THE READER AND PUT IT BACK.\r\nPUT BLANK CARDS INTO THE PUNCH.\r\n"
REAL = (DECKS / "gannet-bay-heights.deck").read_text().splitlines()


def heights_deck(heights: Sequence[int], head: str = HEAD) -> list[str]:
    """Return a deck's lines in the form that the program's source states; twelve heights a card."""
    lines = [head]
    for n in range(0, len(heights), 12):
        figures = "".join(f"{'-' if height < 0 else ' '}{abs(height):04}" for height in heights[n : n + 12])
        lines.append(f" {n // 24 + 1:02} {n % 24:02}{figures}")
    return [*lines, f"END {len(heights):04}"]


def read_heights(lines: Sequence[str]) -> list[int]:
    """Return the numbers of a deck in that form, and check the rest of it."""
    heights = []
    for n, line in enumerate(lines[1:-1]):
        assert line[:6] == f" {n // 2 + 1:02} {n % 2 * 12:02}"
        fields = [line[at : at + 5] for at in range(6, 66, 5)]
        assert all(re.fullmatch("[ -][0-9]{4}", field) for field in fields)
        assert not line[66:].strip()
        heights += [int(field) for field in fields]
    assert lines[-1].rstrip() == f"END {len(heights):04}"
    return heights


def rounded(number: Fraction) -> int:
    """Return the nearest whole number, the upper one of two: the rounding that the program's source states."""
    return floor(number + Fraction(1, 2))


@dataclass(frozen=True)
class Run:
    """What came of a job: the typed page, the punched deck's lines, and the machine."""

    typed: str
    punched: list[str]
    processor: Processor
    devices: Scripted

    def row(self, name: str) -> str:
        (found,) = (line[len(name) :] for line in self.typed.split("\r\n") if line.startswith(name))
        return found.strip()

    def table(self) -> list[list[str]]:
        rows = (re.fullmatch(r" +(\d+) - +(\d+) +(-?[\d.]+) +(-?[\d.]+) +(-?[\d.]+)", row) for row in self._lines())
        return [list(row.groups()) for row in rows if row]

    def _lines(self) -> list[str]:
        return self.typed.split("\r\n")


@cache
def loaded() -> tuple[int, ...]:
    processor, devices, _ = load(deck("loader.deck") + deck("residuals.deck"))
    assert processor.waiting == READER
    assert not devices.typed
    return tuple(processor.store)


def job(lines: Sequence[str]) -> Run:
    """Start the loaded program with these cards in the hopper, once."""
    devices = Scripted(cards(lines))
    processor = Processor(devices)
    processor.store[:] = loaded()
    processor.press("START")
    return ran(processor, devices)


def ran(processor: Processor, devices: Scripted) -> Run:
    assert run_to_end(processor, LIMIT) < LIMIT
    return Run(
        devices.typed, print_deck([card_of(card) for card in devices.punched]).split("\n")[:-1], processor, devices
    )


def both_passes(lines: Sequence[str]) -> Run:
    return job([*lines, *lines])


@cache
def real_run() -> Run:
    return both_passes(REAL)


def check(lines: Sequence[str], run: Run) -> None:
    """Compare a whole run with the numbers on its cards."""
    heights = read_heights(lines)
    mean = rounded(Fraction(sum(heights), len(heights)))
    residuals = [height - mean for height in heights]
    assert read_heights(run.punched) == residuals
    assert run.punched[0] == f"{lines[0]:41}{'-' if mean < 0 else ' '}{abs(mean):04}"
    assert abs(sum(residuals)) <= Fraction(len(heights), 2)
    assert Fraction(run.row("MEAN").removesuffix(" METRES")) == Fraction(mean, 1000)
    assert Fraction(run.row("THEIR SUM").removesuffix(" METRES")) == Fraction(sum(residuals), 1000)
    assert int(run.row("HEIGHTS")) == len(heights)
    assert int(run.row("CARDS PUNCHED")) == len(run.punched) == len(lines)
    groups = [residuals[n : n + 120] for n in range(0, len(residuals), 120)]
    days = [(5 * n + 1, min(5 * n + 5, -(-len(heights) // 24))) for n in range(len(groups))]
    expected = [
        [*map(str, day), *(f"{number / 1000:.3f}" for number in (min(group), max(group), group_mean(group)))]
        for day, group in zip(days, groups, strict=True)
    ]
    assert run.table() == expected
    assert not run.processor.running
    assert not run.processor.over


def group_mean(group: Sequence[int]) -> int:
    return rounded(Fraction(sum(group), len(group)))


def test_the_deck_of_the_demonstration() -> None:
    check(REAL, real_run())


@pytest.mark.parametrize("seed", range(12))
def test_random_decks(seed: int) -> None:
    random = Random(seed)
    lowest = random.choice((-4000, 0, 2000))
    heights = [random.randint(lowest, lowest + random.choice((1, 9, 5999))) for _ in range(12 * random.randint(1, 13))]
    lines = heights_deck(heights, f"PORT {seed:<36}")
    check(lines, both_passes(lines))


@pytest.mark.parametrize(("heights", "mean"), [((0, 1), 1), ((0, -1), 0), ((2, 3), 3), ((-3, -2), -2), ((7, 7), 7)])
def test_a_mean_on_a_half_is_the_upper_one(heights: tuple[int, int], mean: int) -> None:
    # source: the program's comment: the upper one from a half on.
    assert rounded(Fraction(sum(heights), 2)) == mean
    run = both_passes(heights_deck(heights * 6))
    assert int(run.punched[0][41:46]) == mean
    assert abs(sum(read_heights(run.punched))) <= 6


@pytest.mark.parametrize("sign", [1, -1])
def test_the_greatest_residual_that_fits(sign: int) -> None:
    lines = heights_deck([sign * 9999] + [sign * -909] * 11)
    run = both_passes(lines)
    check(lines, run)
    assert max(map(abs, read_heights(run.punched))) == 9999
    assert job(heights_deck([sign * 9999] + [sign * -910] * 11) * 2).typed.endswith("A RESIDUAL OF TEN METRES\r\n")


def test_residuals_of_residuals_are_the_same() -> None:
    # source: arithmetic: their mean is less than half a millimetre off zero.
    again = both_passes(real_run().punched)
    assert again.punched[1:] == real_run().punched[1:]
    assert again.punched[0] == f"{REAL[0]:41} 0000"


def fits_beside_the_program(words: int) -> bool:
    """Tell whether the assembler finds room for so many words more."""
    source = (DECKS / "residuals.source.deck").read_text()
    kept = f"ALLKEPT  ROOM  {words}\nAFTER    IS    ALLKEPT+{words}\nREACHED  IS    {STORE}-AFTER\n"
    try:
        assemble(source + kept, "residuals")
    except AssemblyError:
        return False
    return True


def test_the_deck_is_longer_than_the_store() -> None:
    # source: ORDERS.md: 1,024 words of 24 bits; arithmetic.
    heights = read_heights(REAL)
    assert len(REAL[1:-1]) * 12 == len(heights) > STORE  # a height a word does not fit into a store that is empty
    assert max(heights) - min(heights) >= 2**12  # no two of them fit into one word, from wherever they are counted
    # Nor would they fit beside the program if they were packed without a bit to spare.
    assert not fits_beside_the_program(floor(len(heights) * log2(max(heights) - min(heights) + 1) / 24))
    assert fits_beside_the_program(50)


def test_the_machine_keeps_none_of_the_heights_but_the_last_card_s() -> None:
    heights = Random(1).sample(range(2000, 9000), 1032)
    run = job(heights_deck(heights))
    assert run.typed.endswith(ASKED)
    assert len(set(run.processor.store) & set(heights)) < 60


def test_it_asks_for_the_deck_and_waits_until_it_is_put_back() -> None:
    run = job(REAL)
    assert run.typed.endswith(ASKED)
    assert (run.processor.running, run.processor.waiting) == (True, READER)
    assert not run.punched
    run.devices.hopper += Scripted(cards(REAL)).hopper
    assert ran(run.processor, run.devices).punched == real_run().punched


def test_the_typed_page() -> None:
    page = real_run().typed
    lines = page.split("\r\n")
    assert page.count("\r") == page.count("\n") == len(lines) - 1
    assert max(map(len, lines)) < 72
    assert lines[1] == "RESIDUALS OF HOURLY HEIGHTS"
    assert [line.split()[:2] for line in lines[3:5]] == [["STATION", "GANNET"], ["FROM", "1"]]
    (head,) = (line for line in lines if "LOWEST" in line)
    rows = [line for line in lines if re.match(r" +\d+ - +\d+ ", line)]
    assert len(rows) == 9
    assert {len(row) for row in rows} == {len(head)}
    assert set(page) <= set(map(chr, range(32, 127))) | {"\r", "\n"}


def test_start_takes_another_deck() -> None:
    short = heights_deck(list(range(24)))
    run = both_passes(short)
    run.devices.hopper = Scripted(cards([*REAL, *REAL])).hopper
    run.processor.press("START")
    again = ran(run.processor, run.devices)
    assert again.punched == run.punched + real_run().punched
    assert again.typed == run.typed + real_run().typed


GOOD = heights_deck([1000 + n for n in range(48)])


def changed(card: int, column: int, text: str) -> list[str]:
    lines = list(GOOD)
    lines[card - 1] = lines[card - 1][: column - 1] + text + lines[card - 1][column - 1 + len(text) :]
    return lines


def shifted(first: int) -> list[str]:
    return heights_deck([first, *[1000] * 47])


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (changed(1, 5, "\uefff"), "CARD    1: NOT A CHARACTER"),
        (changed(2, 1, "X"), "CARD    2: NEITHER A BLANK NOR END"),
        (changed(6, 2, "A"), "CARD    6: NEITHER A BLANK NOR END"),
        (changed(6, 3, "S"), "CARD    6: NEITHER A BLANK NOR END"),
        (changed(2, 2, "1"), "CARD    2: NOT THE NEXT DAY AND HOUR"),
        (changed(3, 5, "00"), "CARD    3: NOT THE NEXT DAY AND HOUR"),
        (changed(2, 3, " "), "CARD    2: NOT A DIGIT"),
        (changed(2, 4, "0"), "CARD    2: NOT BLANK"),
        (changed(6, 4, "0"), "CARD    6: NOT BLANK"),
        (changed(2, 7, "+"), "CARD    2: NOT A SIGN"),
        (changed(3, 62, "\uefff"), "CARD    3: NOT A SIGN"),
        *((changed(2, column, text), "CARD    2: NOT A DIGIT") for column in (8, 9, 10, 11, 66) for text in "/: A"),
        (changed(6, 8, "7"), "CARD    6: NOT THE NUMBER OF HEIGHTS READ"),
        ([GOOD[0], "END 0000"], "CARD    2: NO HEIGHTS"),
        ([GOOD[0], *GOOD[2:]], "CARD    2: NOT THE NEXT DAY AND HOUR"),
        (heights_deck([9999] * 852), "CARD   71: THE SUM IS TOO GREAT"),
        (shifted(-9999) * 2, "CARD    2: A RESIDUAL OF TEN METRES"),
        (shifted(1002) + shifted(1003), "CARD    6: NOT THE DECK OF THE FIRST PASS"),
        (GOOD + heights_deck([1000] * 24), "CARD    4: NOT THE DECK OF THE FIRST PASS"),
        ([*GOOD, "ANOTHER", *GOOD[1:]], "CARD    1: NOT THE DECK OF THE FIRST PASS"),
        (GOOD + changed(3, 20, "X"), "CARD    3: NOT A DIGIT"),
    ],
)
def test_a_wrong_card_is_named_and_start_begins_again(lines: list[str], message: str) -> None:
    run = job(lines)
    assert run.typed.endswith(f"\r\n{message}\r\n")
    assert not run.processor.running
    # Nothing of the wrong card is left in the punch.
    run.devices.hopper = Scripted(cards([*GOOD, *GOOD])).hopper
    run.processor.press("START")
    assert ran(run.processor, run.devices).punched[-len(GOOD) :] == both_passes(GOOD).punched


def test_the_reader_s_column_lamps_show_the_wrong_column() -> None:
    # source: ORDERS.md: RC is the next column to be taken, counted from 0.
    assert job(changed(2, 9, "X")).processor.rc == 9
