"""The tide program against double-precision arithmetic, and what it says of constants it cannot use.

source: h(t) = H0 + Σ f·H·cos(a·t + (V0+u) − κ), NOAA CO-OPS, "About harmonic constituents".
"""

import re
from dataclasses import dataclass
from math import cos, radians
from random import Random

import pytest

from bridge.cards.deck import columns_of
from bridge.demo.skerry.processor import READER
from tests.demo.skerry.job import cards, deck, load, tide_job
from tests.demo.skerry.scripted import Scripted, run_to_end

# Degrees an hour.  source: NTSLF list of constituents; NOAA CO-OPS agrees to the digits it prints.
SPEEDS = {
    "M2": 28.9841042,
    "S2": 30.0,
    "N2": 28.4397295,
    "K1": 15.0410686,
    "O1": 13.9430356,
    "P1": 14.9589314,
    "K2": 30.0821373,
    "Q1": 13.3986609,
}
NEAR = 0.001
"""Metres: half a millimetre is rounding, and the promise is a hundredth."""

# Rows 12, 11, 0, 1 … 9 from the top bit.  source: ANSI X3.26-1980.
FIGURES = {0: " ", 0x400: "-", 0x842: ".", 0x200: "0"} | {0x200 >> digit: str(digit) for digit in range(1, 10)}


@dataclass(frozen=True)
class Constituent:
    name: str
    speed: float
    f: float
    height: float
    v0u: float
    kappa: float

    def card(self) -> str:
        return (
            f"{self.name:<5}{self.speed:>11.7f} {self.f:6.4f} {self.height:>6.3f} {self.v0u:>7.3f} {self.kappa:>7.3f}"
        )

    def at(self, hour: int) -> float:
        return self.f * self.height * cos(radians(self.speed * hour + self.v0u - self.kappa))


@dataclass(frozen=True)
class Port:
    name: str
    mean: float
    constituents: list[Constituent]

    def lines(self) -> list[str]:
        sign = "-" if self.mean < 0 else " "
        first = f"{self.name:<21}{sign}{abs(self.mean):>6.3f}"
        return [first, *(c.card() for c in self.constituents), f"END  {len(self.constituents):>2}"]

    def heights(self) -> list[float]:
        return [self.mean + sum(c.at(hour) for c in self.constituents) for hour in range(72)]


def random_port(random: Random) -> Port:
    names = random.sample(list(SPEEDS), random.randint(1, len(SPEEDS)))
    constituents = [
        Constituent(
            name,
            SPEEDS[name],
            round(random.uniform(0.7, 1.3), 4),
            round(random.uniform(0, 4), 3),
            round(random.uniform(0, 359.999), 3),
            round(random.uniform(0, 359.999), 3),
        )
        for name in names
    ]
    return Port(f"PORT {random.randint(0, 99999)}", round(random.uniform(-9, 9), 3), constituents)


def punched_heights(devices: Scripted) -> dict[tuple[int, int], float]:
    """Return metres by day and hour, from the holes of the cards."""
    heights = {}
    for card in devices.punched:
        fields = "".join(FIGURES[holes] for holes in card[20:])
        day, hour = int(fields[:2]), int(fields[2:5])
        assert not fields[53:].strip()
        for n in range(6):
            heights[day, hour + n] = float(fields[5 + 8 * n : 13 + 8 * n])
    return heights


def typed_rows(devices: Scripted) -> list[str]:
    return [line for line in devices.typed.split("\r\n") if re.match(r" \d\d ", line)]


@pytest.mark.parametrize("seed", range(20))
def test_heights_agree_with_double_precision(seed: int) -> None:
    port = random_port(Random(seed))
    processor, devices = tide_job(cards(port.lines()))
    assert not processor.running
    heights = punched_heights(devices)
    assert len(heights) == 72
    for hour, exact in enumerate(port.heights()):
        assert heights[hour // 24 + 1, hour % 24] == pytest.approx(exact, abs=NEAR)
    for hour, row in enumerate(typed_rows(devices)):
        assert [float(field) for field in row.split()] == [hour, *(heights[day, hour] for day in (1, 2, 3))]


def test_the_random_ports_have_heights_of_both_signs() -> None:
    ports = [random_port(Random(seed)) for seed in range(20)]
    assert {len(port.constituents) for port in ports} >= {1, 8}
    assert sum(min(port.heights()) < -1 for port in ports) > 5
    assert sum(max(port.heights()) > 1 for port in ports) > 5


@pytest.mark.parametrize("degrees", [0, 45, 90, 135, 179.999, 180, 180.001, 225, 270, 315, 359.999])
def test_the_cosine_all_round_the_turn(degrees: float) -> None:
    port = Port("ROUND", 0, [Constituent("A", 90, 1, 16.383, degrees, 0), Constituent("B", 0, 1, 1, 0, degrees)])
    _, devices = tide_job(cards(port.lines()))
    heights = punched_heights(devices)
    for hour, exact in enumerate(port.heights()):
        assert heights[hour // 24 + 1, hour % 24] == pytest.approx(exact, abs=NEAR)


def test_sixteen_constituents_are_summed() -> None:
    random = Random(16)
    sixteen = [c for _ in range(16) for c in random_port(random).constituents[:1]]
    port = Port("SIXTEEN", 20.0, sixteen)
    _, devices = tide_job(cards(port.lines()))
    heights = punched_heights(devices)
    for hour, exact in enumerate(port.heights()):
        assert heights[hour // 24 + 1, hour % 24] == pytest.approx(exact, abs=NEAR)


def test_the_typed_page() -> None:
    _, devices = tide_job(deck("gannet-bay.deck"))
    page = devices.typed
    assert page.count("\r") == page.count("\n") == page.count("\r\n")
    assert page.startswith("\r\n")
    assert page.endswith("\r\n")
    lines = page.split("\r\n")
    assert max(map(len, lines)) < 72
    assert lines[1].split() == ["TIDE", "TABLE", "FOR", "GANNET", "BAY"]
    (head,) = (line for line in lines if line.startswith("HOUR"))
    rows = typed_rows(devices)
    assert [int(row.split()[0]) for row in rows] == list(range(24))
    assert {len(row) for row in rows} == {len(head)}
    for row in rows:
        assert re.fullmatch(r" \d\d(   [ -]{1,2}\d{1,2}\.\d{3}){3}", row)
    assert len({tuple(m.start() for m in re.finditer(r"\.", row)) for row in rows}) == 1
    assert set(page) <= set(map(chr, range(32, 127))) | {"\r", "\n"}


def test_a_height_below_zero_has_its_sign_before_its_figures() -> None:
    _, devices = tide_job(cards(Port("LOW", -1.25, [Constituent("S2", 30, 1, 11, 0, 0)]).lines()))
    assert typed_rows(devices)[0] == " 00     9.750     9.750     9.750"
    assert typed_rows(devices)[6] == " 06   -12.250   -12.250   -12.250"
    _, devices = tide_job(cards(Port("LOW", -1.25, [Constituent("S2", 30, 1, 0, 0, 0)]).lines()))
    assert typed_rows(devices)[0] == " 00    -1.250    -1.250    -1.250"


def test_punched_cards_say_port_day_and_hour() -> None:
    _, devices = tide_job(cards(Port("LOW", 3, [Constituent("S2", 30, 1, 0, 0, 0)]).lines()))
    (named,) = cards(["LOW"])
    assert [card[:20] for card in devices.punched] == [columns_of(named)[:20]] * 12
    figures = ["".join(FIGURES[holes] for holes in card[20:25]) for card in devices.punched]
    assert figures == [f" {day} {hour:02}" for day in (1, 2, 3) for hour in (0, 6, 12, 18)]


def test_rows_are_typed_as_they_are_computed() -> None:
    processor, devices = tide_job(deck("gannet-bay.deck")[:-1])
    devices.hopper += Scripted(deck("gannet-bay.deck")[-1:]).hopper
    cycles = 0
    while len(typed_rows(devices)) < 2:
        processor.cycle()
        cycles += 1
    assert cycles < run_to_end(processor, 400_000) / 10


def test_start_takes_another_port() -> None:
    low = Port("LOW", 3, [Constituent("S2", 30, 1, 0, 0, 0)])
    processor, devices = tide_job(cards(low.lines()))
    devices.hopper += Scripted(deck("gannet-bay.deck")).hopper
    first = devices.typed
    processor.press("START")
    run_to_end(processor, 400_000)
    _, alone = tide_job(deck("gannet-bay.deck"))
    assert devices.typed == first + alone.typed
    assert devices.punched[12:] == alone.punched


def test_the_job_takes_about_two_minutes_at_the_machine_s_pace() -> None:
    # source: arithmetic; 96 µs a cycle (ORDERS.md), reader 300 cards a minute, punch 100, 15 characters a second.
    hopper = deck("loader.deck") + deck("tide.deck") + deck("gannet-bay.deck")
    _, devices, cycles = load(hopper)
    seconds = cycles * 96e-6 + len(hopper) * 60 / 300 + 12 * 60 / 100 + len(devices.typed) / 15
    assert 90 < seconds < 150


GOOD = Port("GOOD", 3, [Constituent(name, SPEEDS[name], 1, 1, 10, 20) for name in ("M2", "S2")]).lines()


def changed(card: int, column: int, text: str) -> list[str]:
    lines = list(GOOD)
    lines[card - 1] = lines[card - 1][: column - 1] + text + lines[card - 1][column - 1 + len(text) :]
    return lines


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (changed(1, 5, "\uefff"), "CARD 01 COLUMN 05: NOT A CHARACTER"),
        (changed(1, 21, "X"), "CARD 01 COLUMN 21: NOT BLANK"),
        (changed(1, 22, "X"), "CARD 01 COLUMN 22: NOT A SIGN"),
        (changed(1, 24, "X"), "CARD 01 COLUMN 24: NOT A DIGIT"),
        (changed(1, 25, "0"), "CARD 01 COLUMN 25: NOT A POINT"),
        (changed(1, 28, " "), "CARD 01 COLUMN 28: NOT A DIGIT"),
        (changed(2, 5, "2"), "CARD 02 COLUMN 05: NOT BLANK"),
        (changed(2, 6, "-"), "CARD 02 COLUMN 06: NOT A DIGIT"),
        (changed(2, 8, " "), "CARD 02 COLUMN 08: NOT A DIGIT"),
        (changed(2, 9, ","), "CARD 02 COLUMN 09: NOT A POINT"),
        (changed(2, 16, " "), "CARD 02 COLUMN 16: NOT A DIGIT"),
        (changed(2, 16, "\uefff"), "CARD 02 COLUMN 16: NOT A DIGIT"),
        (changed(2, 6, "360"), "CARD 02 COLUMN 16: 360 DEGREES OR MORE"),
        (changed(2, 17, "1"), "CARD 02 COLUMN 17: NOT BLANK"),
        (changed(2, 18, "1,0"), "CARD 02 COLUMN 19: NOT A POINT"),
        (changed(2, 25, "16.384"), "CARD 02 COLUMN 31: 16 METRES OR MORE"),
        (changed(2, 18, "9.0000 02.000"), "CARD 02 COLUMN 31: 16 METRES OR MORE"),
        (changed(3, 32, "360.000"), "CARD 03 COLUMN 39: 360 DEGREES OR MORE"),
        (changed(3, 40, "999.999"), "CARD 03 COLUMN 46: 360 DEGREES OR MORE"),
        (changed(3, 46, "/"), "CARD 03 COLUMN 46: NOT A DIGIT"),
        (changed(3, 46, ":"), "CARD 03 COLUMN 46: NOT A DIGIT"),
        (changed(1, 22, "-98.500"), "CARD 02 COLUMN 31: 99 METRES OR MORE IN ALL"),
        (changed(4, 7, "3"), "CARD 04 COLUMN 07: NOT THE NUMBER OF CARDS READ"),
        (changed(4, 4, "."), "CARD 04 COLUMN 04: NOT BLANK"),
        ([GOOD[0], GOOD[1], GOOD[3]], "CARD 03 COLUMN 07: NOT THE NUMBER OF CARDS READ"),
        ([GOOD[0], "END  00"], "CARD 02 COLUMN 07: NO CONSTITUENTS"),
        ([*GOOD[:3], *GOOD], "CARD 04 COLUMN 09: NOT A POINT"),
        ([*GOOD[:3], "", *GOOD[3:]], "CARD 04 COLUMN 09: NOT A POINT"),
        (GOOD[1:], "CARD 01 COLUMN 21: NOT BLANK"),
        ([GOOD[0], *GOOD[1:2] * 17, "END  17"], "CARD 18 COLUMN 03: OVER 16 CONSTITUENTS"),
    ],
)
def test_malformed_constants_are_refused_with_card_and_column(lines: list[str], message: str) -> None:
    processor, devices = tide_job(cards(lines))
    assert devices.typed == f"\r\nCONSTANTS {message}\r\n"
    assert not devices.punched
    assert not processor.running
    devices.hopper = Scripted(cards(GOOD)).hopper
    processor.press("START")
    run_to_end(processor, 400_000)
    assert devices.typed.endswith("PUNCHED.\r\n")


def test_constants_without_their_last_card_are_waited_for() -> None:
    processor, devices = tide_job(cards(GOOD[:-1]))
    assert (processor.waiting, devices.typed) == (READER, "")
    devices.hopper = Scripted(cards(GOOD[-1:])).hopper
    run_to_end(processor, 400_000)
    assert devices.typed.endswith("PUNCHED.\r\n")
