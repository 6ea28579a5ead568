"""The filament model against the exact solution, an independent solver of differential equations, and published sums.

The tables of tungsten's properties are the model's input, so they check nothing here.
"""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from bridge.lamps.filament import (
    AMBIENT,
    Doubles,
    Filaments,
    FilamentType,
    Material,
    mismatch,
    resolve,
)
from bridge.lamps.light import luminance
from bridge.lamps.tungsten import STEFAN_BOLTZMANN
from tests.tables import rows

ONE = np.zeros(1, np.intp)


def f32(*values: float) -> "np.ndarray[tuple[int], np.dtype[np.float32]]":
    return np.array(values, np.float32)


def constant(value: float) -> "object":
    return lambda kelvin: np.full_like(np.asarray(kelvin, float), value)


# Constant properties: emissivity 0.30, no surroundings, C/A = 18.09375 J/(m2 K).
PLAIN = Material(constant(1.0), constant(100.0), constant(0.30), 0.0)  # type: ignore[arg-type]
AREA = 1e-6


def plain_type() -> FilamentType:
    watts = 0.30 * STEFAN_BOLTZMANN * AREA * 2400.0**4
    return FilamentType(1.0, watts, 2400.0, AREA, 18.09375 * AREA / 100.0, 0.04, 0.04, PLAIN)


@pytest.mark.parametrize(("kelvin", "ms"), [(2000.0, 18.671190), (1600.0, 60.912192), (1200.0, 179.530671)])
@pytest.mark.parametrize("frame", [0.0001, 0.001, 0.005, 0.0077])
def test_cooling_with_constant_properties_is_the_exact_solution(kelvin: float, ms: float, frame: float) -> None:
    # source: 1/T^3 - 1/Ti^3 = 3 eps sigma t / (C/A), from 2400 K; worked out to these digits, as scipy has it to 1e-6.
    filament = Filaments([plain_type()], ONE)
    lit, out = f32(1.0), f32(0.0)
    for _ in range(400):
        filament.step(0.01, lit)
    assert filament.temperature[0] == pytest.approx(2400.0, abs=0.5)
    passed, before = 0.0, 2400.0
    while True:
        filament.step(frame, out)
        now = float(filament.temperature[0])
        if now <= kelvin:
            # Within a frame 1/T^3 grows evenly, by the same solution.
            passed += frame * (before**-3 - kelvin**-3) / (before**-3 - now**-3)
            break
        passed, before = passed + frame, now
    assert passed * 1000 == pytest.approx(ms, rel=0.001)


def exact_light(kind: FilamentType, frames: list[tuple[float, float, float]]) -> Doubles:
    kelvin = np.array([AMBIENT])
    seen = []
    for seconds, duty, ratio in frames:
        drive = float(np.float32(duty)) * ratio**2
        solved = solve_ivp(
            lambda _, t, drive=drive: drive * kind.heating(t) - kind.cooling(t),
            (0, seconds),
            kelvin,
            method="LSODA",
            rtol=1e-7,
            atol=1e-4,
        )
        kelvin = solved.y[:, -1]
        seen.append(kelvin[0])
    return luminance(np.array(seen)) / luminance(np.array(kind.kelvin))


duties = st.one_of(st.sampled_from([0.0, 1.0]), st.floats(0, 1))
ratios = st.one_of(st.just(1.0), st.floats(0.5, 1.2))
frame_lengths = st.one_of(st.just(0.005), st.floats(-4, 0).map(lambda power: 10.0**power))


@settings(max_examples=60)
@given(
    st.floats(2000, 2800),
    st.floats(5, 250),
    st.lists(st.tuples(frame_lengths, duties, ratios), min_size=1, max_size=40),
)
@example(2400.0, 5.0, [(0.005, 1.0, 1.0), (0.005, 1.0, 1.0), (0.005, 0.0, 1.0)] * 8)
@example(2700.0, 90.0, [(0.0001, 1.0, 1.2)] * 40)
def test_light_is_that_of_an_ode_solver_at_every_frame(
    kelvin: float, rise_ms: float, frames: list[tuple[float, float, float]]
) -> None:
    # source: scipy.integrate.solve_ivp (LSODA) on the balance; within 0.5 % of rated light.
    kind = resolve(12.0, 0.08, kelvin, rise_ms=rise_ms)
    filament = Filaments([kind], ONE)
    seen = []
    for seconds, duty, ratio in frames:
        filament.step(seconds, f32(duty), ratio)
        seen.append(float(filament.light()[0]))
    assert np.abs(np.array(seen) - exact_light(kind, frames)).max() < 0.005


# source: references computed with scipy from the energy balance: dense emissivity list, from memory; 300 K around.
EXPONENTS = [
    (2000.0, 0.334, 0.605, 1.605, 4.14),
    (2400.0, 0.345, 0.589, 1.589, 3.60),
    (2800.0, 0.352, 0.576, 1.576, 3.18),
]


def steady(kind: FilamentType, ratio: float, duty: float = 1.0) -> tuple[float, float]:
    """Return (temperature, light) once they have settled."""
    filament = Filaments([kind], ONE)
    for _ in range(60):
        filament.step(0.1, f32(duty), ratio)
    return float(filament.temperature[0]), float(filament.light()[0])


@pytest.mark.parametrize("row", EXPONENTS, ids=[f"{row[0]:g} K" for row in EXPONENTS])
def test_exponents_at_the_rated_point(row: tuple[float, float, float, float, float]) -> None:
    kelvin, hotter, current, power, light = row
    kind = resolve(28.0, 0.04, kelvin, rise_ms=60)
    (low_t, low_l), (high_t, high_l) = steady(kind, 0.98), steady(kind, 1.02)
    span = math.log(1.02 / 0.98)
    resistance = math.log(
        float(kind.material.resistivity(np.array(high_t)) / kind.material.resistivity(np.array(low_t)))
    )
    assert math.log(high_t / low_t) / span == pytest.approx(hotter, rel=0.02)
    assert 1 - resistance / span == pytest.approx(current, rel=0.02)
    assert 2 - resistance / span == pytest.approx(power, rel=0.02)
    assert math.log(high_l / low_l) / span == pytest.approx(light, rel=0.02)


def test_rerating_is_near_the_handbooks_rules_without_being_fitted_to_them() -> None:
    # source: lamp-rerating.tsv (Fink and Beaty 1978): light ~ V^3.5, current ~ V^0.55; rules of thumb for hotter lamps.
    kind = resolve(28.0, 0.04, 2400, rise_ms=60)
    for row in rows("lamp-rerating.tsv"):
        ratio, current, light = float(row[0]), float(row[1]), float(row[2])
        if 0.8 <= ratio <= 1.2:
            kelvin, shown = steady(kind, ratio)
            drawn = ratio * float(
                kind.material.resistivity(np.array(2400.0)) / kind.material.resistivity(np.array(kelvin))
            )
            assert drawn == pytest.approx(current, rel=0.03)
            assert shown == pytest.approx(light, rel=0.12)


@pytest.mark.parametrize(("kelvin", "light"), [(2100.0, 0.237), (2400.0, 0.272), (2700.0, 0.307)])
def test_lit_half_the_time_is_not_half_the_light(kelvin: float, light: float) -> None:
    # source: references computed with scipy: dense emissivity list, from memory.
    assert steady(resolve(12.0, 0.08, kelvin, rise_ms=50), 1.0, duty=0.5)[1] == pytest.approx(light, rel=0.01)


def test_rated_duty_is_rated_light_and_stays() -> None:
    kind = resolve(12.0, 0.08, 2400, rise_ms=40)
    filament = Filaments([kind], ONE)
    full = f32(1.0)
    for _ in range(4000):
        filament.step(0.005, full)
    assert filament.light()[0] == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("given_rise", [15.0, 60.0, 200.0])
def test_a_type_made_from_its_rise_shows_that_rise(given_rise: float) -> None:
    # source: arithmetic on the model's own output, 0.1 ms frames: the quadrature and the stepping must agree.
    kind = resolve(6.0, 0.1, 2300, rise_ms=given_rise)
    filament = Filaments([kind], ONE)
    up, down = _crossings(filament, 1.0, given_rise), _crossings(filament, 0.0, given_rise)
    assert up == pytest.approx(given_rise, rel=0.01)
    assert down == pytest.approx(1000 * kind.fall, rel=0.01)


def _crossings(filament: Filaments, duty: float, rise_ms: float) -> float:
    at, light = f32(duty), []
    for _ in range(int(200 * rise_ms)):
        filament.step(0.0001, at)
        light.append(float(filament.light()[0]))
    inside = [0.1 < value < 0.9 for value in light]
    return 0.1 * (len(inside) - inside[::-1].index(True) - inside.index(True))


def test_a_fall_gives_the_mass_too_and_a_mismatch_is_told() -> None:
    by_rise = resolve(12.0, 0.08, 2400, rise_ms=40)
    by_fall = resolve(12.0, 0.08, 2400, fall_ms=1000 * by_rise.fall)
    assert by_fall.mass == pytest.approx(by_rise.mass)
    assert mismatch(by_rise, 40, 1000 * by_rise.fall) == pytest.approx(1.0)
    assert mismatch(by_rise, 40, 2000 * by_rise.fall) == pytest.approx(2.0)
    both = resolve(12.0, 0.08, 2400, rise_ms=40, fall_ms=4000 * by_rise.fall)
    assert both.mass == pytest.approx(2 * by_rise.mass)
    with pytest.raises(ValueError, match="neither is given"):
        resolve(12.0, 0.08, 2400)


def test_types_mix_without_touching_each_other() -> None:
    kinds = [resolve(12.0, 0.08, 2400, rise_ms=40), resolve(28.0, 0.04, 2100, rise_ms=90)]
    which = np.array([1, 0, 1, 0], np.intp)
    together = Filaments(kinds, which)
    alone = [Filaments([kinds[n]], ONE) for n in which]
    rng = np.random.default_rng(1)
    for _ in range(50):
        duty = rng.random(4).astype(np.float32)
        together.step(0.004, duty)
        for n, one in enumerate(alone):
            one.step(0.004, duty[n : n + 1])
    assert together.light().tolist() == [float(one.light()[0]) for one in alone]


def test_the_same_array_again_saves_looking_and_changes_nothing() -> None:
    kind = resolve(12.0, 0.08, 2400, rise_ms=40)
    same, fresh = Filaments([kind], ONE), Filaments([kind], ONE)
    duty = f32(0.7)
    for _ in range(20):
        same.step(0.005, duty)
        fresh.step(0.005, duty.copy())
    assert same.light() == fresh.light()
