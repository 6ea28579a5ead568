import math

import numpy as np
import pytest

from bridge.lamps.light import luminance
from tests.tables import rows

TABLE = [[float(value) for value in row[:6]] for row in rows("planck-v-lambda.tsv") if 1000 <= float(row[0]) <= 3200]
IDS = [f"{row[0]:g} K" for row in TABLE]


def at(kelvin: float) -> float:
    return float(luminance(np.array(kelvin)))


def test_the_ratio_that_everything_hangs_on() -> None:
    # source: planck-v-lambda.tsv's own method, more digits: colour-science 0.4.7, CIE 1924 V(lambda) at 1 nm.
    assert at(2400) / at(2800) == pytest.approx(0.2237356, abs=1e-4)


@pytest.mark.parametrize("row", TABLE, ids=IDS)
def test_ratios_to_2800_k(row: list[float]) -> None:
    # source: planck-v-lambda.tsv.
    assert at(row[0]) / at(2800) == pytest.approx(row[3], rel=0.005)


@pytest.mark.parametrize("row", TABLE, ids=IDS)
def test_local_exponents(row: list[float]) -> None:
    # source: planck-v-lambda.tsv.
    exponent = math.log(at(row[0] * 1.001) / at(row[0] / 1.001)) / math.log(1.001**2)
    assert exponent == pytest.approx(row[5], rel=0.005)


def test_many_temperatures_at_once() -> None:
    assert luminance(np.array([[300.0, 2400.0], [2800.0, 3000.0]])).shape == (2, 2)
    assert at(300) < 1e-25 * at(2800)
