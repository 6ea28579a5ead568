import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.cards.clutch import TEETH, Clutch

# source: arithmetic from cards a minute
THROUGHPUT = Path(__file__).parent.parent / "references" / "card-throughput.tsv"
ROWS = list(csv.DictReader(THROUGHPUT.read_text().splitlines()[1:], delimiter="\t"))


def test_a_cycle_lasts_as_long_as_the_table_says() -> None:
    for row in ROWS:
        cycle = Clutch(0, float(row["cards_per_min"]), 1.0).cycle
        assert cycle / 1e6 == pytest.approx(float(row["ms_per_card"]), abs=0.0001)


def test_pace_divides_the_cycle() -> None:
    assert Clutch(0, 300, 4.0).cycle == 50_000_000  # source: arithmetic: 200 ms / 4
    assert Clutch(7, 300, math.inf).cycle == 0
    assert Clutch(7, 300, math.inf).latch(12345) == 12345


@given(st.integers(0, 10**18), st.integers(0, 10**18), st.sampled_from([60, 300, 450, 500, 1999.5]))
def test_latch_points_are_the_next_on_a_grid(origin: int, later: int, speed: float) -> None:
    clutch = Clutch(origin, speed, 1.0)
    at = origin + later
    latch = clutch.latch(at)
    assert at <= latch < at + clutch.cycle / TEETH
    assert (latch - origin) % (clutch.cycle // TEETH) == 0
    assert clutch.latch(latch) == latch
