import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lamps.output import FULL, Output, gains

NOWHERE: npt.NDArray[np.uint8] = np.zeros(FULL + 1, np.uint8)
SIXTEENTHS: npt.NDArray[np.uint8] = np.full(FULL + 1, 4, np.uint8)


def f32(*values: float) -> npt.NDArray[np.float32]:
    return np.array(values, np.float32)


def led(fineness: npt.NDArray[np.uint8], *gain: float) -> Output:
    return Output(f32(*gain), fineness)


@given(st.lists(st.floats(0, 1, width=32), min_size=1, max_size=20), st.floats(0, 1, width=32))
def test_without_dither_the_nearest_code(lights: list[float], gain: float) -> None:
    # source: arithmetic.
    codes = led(NOWHERE, *[gain] * len(lights)).codes(f32(*lights))
    assert np.abs(codes - np.array(lights) * gain * FULL).max() <= 0.5 + 1e-3


@given(st.floats(0, 1, width=32), st.integers(0, 1000))
def test_with_dither_the_mean_of_sixteen_frames_is_within_a_thirty_second_of_a_step(light: float, before: int) -> None:
    # source: arithmetic: half of 1/16 of a step, and what float32 leaves over.
    output = led(SIXTEENTHS, 1.0)
    for _ in range(before % 16):
        output.codes(f32(light))
    codes = [int(output.codes(f32(light))[0]) for _ in range(16)]
    assert max(codes) - min(codes) <= 1
    assert abs(np.mean(codes) - light * FULL) <= 1 / 32 + 1e-3


@given(st.lists(st.tuples(st.floats(0, 1, width=32), st.integers(1, 60)), min_size=1, max_size=8))
def test_any_pattern_of_light_has_its_mean_over_a_second(pattern: list[tuple[float, int]]) -> None:
    # source: arithmetic; 200 frames are a second.
    output = led(SIXTEENTHS, 1.0)
    lights = [light for light, frames in pattern for _ in range(frames)]
    second = [lights[n % len(lights)] for n in range(200)]
    codes = [int(output.codes(f32(light))[0]) for light in second]
    assert abs(np.mean(codes) / FULL - np.mean(second)) < 1 / 4096


def test_dither_spreads_its_frames_evenly() -> None:
    # source: arithmetic: 4 of 16 frames are every fourth one.
    output = led(SIXTEENTHS, 1.0)
    codes = [int(output.codes(f32(100.25 / FULL))[0]) for _ in range(16)]
    assert np.diff([n for n, code in enumerate(codes) if code == 101]).tolist() == [4, 4, 4]


def test_light_beyond_full_is_full_and_none_is_none_on_every_frame() -> None:
    output = led(SIXTEENTHS, 1.0, 1.0, 1.0)
    assert all(output.codes(f32(1.5, 0, 1.0)).tolist() == [4095, 0, 4095] for _ in range(16))


@pytest.mark.parametrize(
    ("trim", "expected"),
    [
        ((1.0, 1.0), (1.0, 1.0)),
        ((1.0, 0.9), (0.9, 1.0)),
        ((1.0, 0.8, 0.4), (0.8, 1.0, 1.0)),
        ((0.5, 0.4), (0.8, 1.0)),
    ],
)
def test_lamps_of_a_group_match_but_a_failing_one_pulls_nobody_down(
    trim: tuple[float, ...], expected: tuple[float, ...]
) -> None:
    # source: arithmetic, from the rule in the docstring.
    assert gains(f32(*trim)) == pytest.approx(expected)


@given(st.lists(st.floats(0.8125, 1, width=32), min_size=1, max_size=12))
def test_trimmed_lamps_give_the_same_light_within_half_a_step(trim: list[float]) -> None:
    gain = gains(f32(*trim))
    ones = np.ones(len(trim), np.float32)
    codes = Output(gain, NOWHERE).codes(ones)
    light = codes * np.array(trim) / FULL
    assert np.abs(light - min(trim)).max() <= 0.5 / FULL + 1e-6
