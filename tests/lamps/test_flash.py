import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.lamps.flash import SECOND, Calm, FlashLimit

FRAME = SECOND // 200
LAMPS = 40
Light = npt.NDArray[np.float32]


def flashes(light: npt.NDArray[np.float64]) -> list[int]:
    """Return the frames in which one lamp's light ends a flash.

    source: WCAG 2.2, general flash: a pair of opposing changes of 0.1 or more, the darker state below 0.80. Counted
    from the turning points of the whole record, not as it goes.
    """
    turns: list[tuple[int, float]] = [(0, 0.0)]
    rising = True
    for frame, value in enumerate(light):
        if (value > turns[-1][1]) == rising and value != turns[-1][1]:
            turns[-1] = (frame, value)
        elif abs(value - turns[-1][1]) >= 0.1 - 1e-6 and min(value, turns[-1][1]) < 0.8:
            turns.append((frame, value))
            rising = not rising
    changes = [when for when, _ in turns[1:]]
    return changes[1::2]


def most_lamps_over_three_in_a_second(record: npt.NDArray[np.float64]) -> int:
    """Return how many lamps at most had over three flashes within one and the same second that ends in any frame."""
    ended = [flashes(record[:, lamp]) for lamp in range(record.shape[1])]
    marks = np.zeros(record.shape)
    for lamp, frames in enumerate(ended):
        marks[frames, lamp] = 1
    total = np.cumsum(np.vstack([np.zeros((200, record.shape[1])), marks]), axis=0)
    return int(((total[200:] - total[:-200]) > 3).sum(axis=1).max())


def shown(wanted: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    limit = FlashLimit(wanted.shape[1])
    rows = [limit.pass_on(n * FRAME, row.astype(np.float32)).astype(np.float64) for n, row in enumerate(wanted)]
    return np.array(rows)


def square(
    hertz: float, share: float, frames: int = 600, low: float = 0.0, high: float = 1.0
) -> "npt.NDArray[np.float64]":
    """Return a share of the lamps blinking together, the others dark."""
    wave = np.where((np.arange(frames) * hertz / 200) % 1 < 0.5, high, low)
    lamps = np.zeros((frames, LAMPS))
    lamps[:, : round(share * LAMPS)] = wave[:, None]
    return lamps


@pytest.mark.parametrize("hertz", [4, 5, 10, 25, 50, 100])
@pytest.mark.parametrize("share", [0.25, 0.5, 1.0])
def test_a_large_area_never_flashes_over_three_times_a_second(hertz: float, share: float) -> None:
    wanted = square(hertz, share)
    assert most_lamps_over_three_in_a_second(wanted) == round(share * LAMPS)
    assert most_lamps_over_three_in_a_second(shown(wanted)) == 0


@pytest.mark.parametrize(
    "wanted",
    [
        square(20, 0.2),
        square(2.9, 1.0),
        square(20, 1.0, low=0.5, high=0.59),
        square(20, 1.0, low=0.81, high=1.0)[200:],
        np.tile(np.linspace(0, 1, 600)[:, None], (1, LAMPS)),
    ],
    ids=["few lamps", "slow", "little change", "all bright", "a ramp"],
)
def test_what_is_no_danger_passes_exactly(wanted: npt.NDArray[np.float64]) -> None:
    assert np.array_equal(shown(wanted), wanted.astype(np.float32))


def test_a_small_panel_is_no_large_area() -> None:
    wanted = square(20, 1.0)[:, :31]
    assert np.array_equal(shown(wanted), wanted)


def test_after_the_flashing_the_lamps_are_as_wanted() -> None:
    wanted = np.concatenate([square(10, 1.0), np.zeros((250, LAMPS)), np.ones((250, LAMPS))])
    record = shown(wanted)
    assert record[849].max() == 0
    assert record[-1].min() == 1


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.02, 0.1, 0.3]), st.booleans())
def test_random_and_adversarial_light_never_flashes_over_a_quarter(seed: int, change: float, groups: bool) -> None:
    rng = np.random.default_rng(seed)
    frames = 500
    flips = rng.random((frames, 4 if groups else LAMPS)) < change
    state = np.cumsum(flips, axis=0) % 2 * rng.choice([0.3, 0.7, 1.0], size=flips.shape)
    wanted = np.repeat(state, LAMPS // 4, axis=1) if groups else state
    assert most_lamps_over_three_in_a_second(shown(wanted)) < LAMPS / 4


def test_calm_dims_and_slows() -> None:
    # source: arithmetic: half brightness, from dark to that in 0.8 s.
    calm = Calm(2, 0.5, 0.8)
    light = np.array([1.0, 0.0], np.float32)
    up = [float(calm.pass_on(0.005, light)[0]) for _ in range(200)]
    assert up[79] == pytest.approx(0.25, abs=0.005)
    assert up[159] == pytest.approx(0.5, abs=0.005)
    assert up[-1] == pytest.approx(0.5)
    assert np.diff(up).max() == pytest.approx(0.005 / 0.8 * 0.5, rel=1e-3)
    down = [float(calm.pass_on(0.005, np.zeros(2, np.float32))[0]) for _ in range(200)]
    assert down[79] == pytest.approx(0.25, abs=0.005)
    assert down[-1] == 0
