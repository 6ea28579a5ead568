import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock import SECOND
from bridge.typewriter.mechanism import BEL, CR, LF, Mechanism, Schedule, prints

MS = SECOND // 1000
# source: arithmetic: baud / (start + data + parity + stop bits)
TIMING = Path(__file__).parent.parent / "references" / "serial-timing.tsv"
RATES = [float(row["cps"]) for row in csv.DictReader(TIMING.read_text().splitlines()[1:], delimiter="\t")]

# source: common practice, no source: 10 characters a second, 0.2 to 1 s for a full return
TEN = Mechanism(10, 10, columns=80, return_ms=200, travel_ms=10)


def run(mechanism: Mechanism, codes: bytes, column: int = 0) -> tuple[float, int]:
    total = 0.0
    for code in codes:
        duration, column = mechanism.step(column, code)
        total += duration
    return total / MS, column


@pytest.mark.parametrize(
    ("codes", "milliseconds", "column"),
    [
        (b"A", 100, 1),
        (b"TIDE TABLE", 1000, 10),
        (b"A\b", 200, 0),
        (b"\b\b", 200, 0),
        (bytes([BEL, LF]), 200, 0),
        (b"AB\n", 300, 2),
        (b"\r", 200, 0),
        (b"ABCD\r", 400 + 200 + 4 * 10, 0),
        (b"A" * 100, 10_000, 79),
        (b"A" * 100 + b"\b", 10_100, 78),
        (b"A" * 100 + b"\r", 10_000 + 200 + 79 * 10, 0),
        (b"\x00\x7f\x1b\xff", 400, 0),
    ],
)
def test_what_each_code_does(codes: bytes, milliseconds: float, column: int) -> None:
    # source: arithmetic from TEN
    took, ended = run(TEN, codes)
    assert took == pytest.approx(milliseconds)
    assert ended == column


def test_what_prints() -> None:
    # source: ISO 646: 95 printing characters, the space counted
    assert [code for code in range(256) if prints(code)] == list(range(0x20, 0x7F))


@pytest.mark.parametrize("rate", RATES)
def test_the_slower_of_line_and_mechanism_sets_the_rate(rate: float) -> None:
    fast_line = Schedule(Mechanism(rate, 1e6, 80, 0, 0), pace=1.0, hold=2)
    slow_line = Schedule(Mechanism(1e6, rate, 80, 0, 0), pace=1.0, hold=2)
    for schedule in (fast_line, slow_line):
        done = [schedule.send(ord("A"), schedule.free_at()) for _ in range(1001)]
        assert (done[-1] - done[0]) / SECOND == pytest.approx(1000 / rate, rel=1e-5)


@given(st.binary(max_size=300), st.lists(st.integers(0, SECOND), max_size=300), st.sampled_from([1, 2, 5]))
def test_no_more_than_hold_are_unfinished_and_nothing_waits(codes: bytes, pauses: list[int], hold: int) -> None:
    mechanism = Mechanism(15, 30, columns=20, return_ms=150, travel_ms=7.5)
    schedule = Schedule(mechanism, pace=1.0, hold=hold)
    column, at, done, wire_free = 0, 0, 0, 0
    finished: list[int] = []
    for n, code in enumerate(codes):
        at = max(schedule.free_at(), at + (pauses[n] if n < len(pauses) else 0))
        assert sum(when > at for when in finished) < hold
        # What a typewriter does with it, told in the plainest way.
        wire_free = max(at, wire_free) + round(SECOND / 30)
        duration, column = mechanism.step(column, code)
        done = max(wire_free, done) + round(duration)
        assert schedule.send(code, at) == done
        finished.append(done)


def test_pace() -> None:
    hurried = Schedule(TEN, pace=8.0, hold=2)
    done = [hurried.send(ord("A"), hurried.free_at()) for _ in range(9)]
    assert done[-1] - done[0] == 100 * MS
    at_once = Schedule(TEN, pace=math.inf, hold=2)
    assert [at_once.send(CR, 5), at_once.send(CR, 5), at_once.free_at()] == [5, 5, 5]
