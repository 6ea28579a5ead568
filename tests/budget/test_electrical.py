import pytest

from bridge.budget.electrical import E24, dissipation, engineering, next_up, series
from bridge.parts.tlc5947 import FACTS
from tests.tables import rows


def test_the_values_are_the_standards() -> None:
    # source: IEC 60063, tests/references/e-series.tsv
    assert " ".join(map(str, E24)) == dict(rows("e-series.tsv"))["E24"]


# source: arithmetic on IEC 60063's values.
@pytest.mark.parametrize(
    ("ohms", "up"),
    [(162.5, 180), (300, 300), (300.001, 330), (400, 430), (9.1, 9.1), (9.2, 10), (95, 100), (24_600, 27_000), (1, 1)],
)
def test_next_value_up(ohms: float, up: float) -> None:
    assert next_up(ohms) == pytest.approx(up, rel=1e-12)


def test_next_value_up_is_never_lower_and_at_most_a_tenth_above() -> None:
    for step in range(-200, 700):
        ohms = 10 ** (step / 100)
        assert ohms * (1 - 1e-8) <= next_up(ohms) <= ohms * 1.16


# source: arithmetic: (V - Vf) / I, the next value up in E24, and the current that then flows.
@pytest.mark.parametrize(
    ("volts", "lamp_volts", "amps", "wanted", "ohms", "flows"),
    [
        (3.3, 2.0, 8e-3, 162.5, 180, 7.222e-3),
        (5.0, 2.0, 10e-3, 300, 300, 10e-3),
        (12.0, 6.0, 15e-3, 400, 430, 13.953e-3),
    ],
)
def test_resistor(volts: float, lamp_volts: float, amps: float, wanted: float, ohms: float, flows: float) -> None:
    one = series(volts, lamp_volts, amps)
    assert one.wanted == pytest.approx(wanted, rel=1e-12)
    assert one.ohms == pytest.approx(ohms, rel=1e-12)
    assert one.amps == pytest.approx(flows, rel=1e-4)
    assert one.watts == pytest.approx(volts * one.amps, rel=1e-12)


def test_heat_of_a_resistor() -> None:
    # source: arithmetic: 3 V × 10 mA.
    assert series(5.0, 2.0, 10e-3).resistor_watts == pytest.approx(30e-3, rel=1e-12)
    assert series(5.0, 2.0, 10e-3, fitted=600).amps == pytest.approx(5e-3, rel=1e-12)


def test_a_lamp_that_cannot_be_lit() -> None:
    with pytest.raises(ValueError, match=r"3.3 V cannot light a lamp that takes 3.4 V"):
        series(3.3, 3.4, 10e-3)


# source: R = 41 × 1.20 V / I (TI SBVS114, from memory).
@pytest.mark.parametrize(("amps", "ohms"), [(2e-3, 24_600), (30e-3, 1_640)])
def test_reference_resistor(amps: float, ohms: float) -> None:
    assert FACTS.electrical.reference_volts / amps == pytest.approx(ohms, rel=1e-12)


def test_heat_of_a_chip() -> None:
    # source: arithmetic: 24 × (5.0 V - 2.0 V) × 15 mA.
    assert dissipation(5.0, [(2.0, 15e-3, 1.0)] * 24) == pytest.approx(1.08, rel=1e-12)
    assert dissipation(5.0, [(2.0, 15e-3, 0.5)] * 24) == pytest.approx(0.54, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (24_600, "Ω", "24.6 kΩ"),
        (7.222e-3, "A", "7.22 mA"),
        (0.03, "W", "30 mW"),
        (1.08, "W", "1.08 W"),
        (2.2e6, "Ω", "2.2 MΩ"),
        (1e-5, "A", "0.01 mA"),
        (999.6, "Ω", "1 kΩ"),
    ],
)
def test_as_engineers_write(value: float, unit: str, said: str) -> None:
    assert engineering(value, unit) == said
