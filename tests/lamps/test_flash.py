"""The flash limit against counters of flashes that look at a whole record afterwards, and share nothing with it."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.lamps.flash import SECOND, Calm, FlashLimit, FlashShare

HERTZ = 200
FRAME = SECOND // HERTZ
LAMPS = 40
Record = npt.NDArray[np.float64]
"""Light of each lamp (column) in each frame (row)."""


def changes(light: Record) -> list[tuple[int, int]]:
    """Return (frame, way) of each opposing change of one lamp that starts dark, at the moment it reaches a tenth.

    source: WCAG 2.2, general flash: "a pair of opposing changes in relative luminance of 10 % or more of the maximum".
    """
    found: list[tuple[int, int]] = []
    lowest = highest = 0.0
    way = -1
    for frame, value in enumerate(light):
        lowest, highest = min(lowest, value), max(highest, value)
        if way < 0 and value - lowest >= 0.1 - 1e-6:
            found.append((frame, 1))
            way, highest = 1, value
        elif way > 0 and highest - value >= 0.1 - 1e-6:
            found.append((frame, -1))
            way, lowest = -1, value
    return found


def most_in_a_second(frames: list[int]) -> int:
    """Return how many of these lie within one second."""
    return max((sum(last - HERTZ < frame <= last for frame in frames) for last in frames), default=0)


def lamps_that_flash_four_times(record: Record) -> float:
    """Return the largest share of lamps with over three pairs of changes within one and the same second."""
    marks = np.zeros(record.shape)
    for lamp, light in enumerate(record.T):
        marks[[frame for frame, _ in changes(light)], lamp] = 1
    total = np.cumsum(np.vstack([np.zeros((HERTZ, record.shape[1])), marks]), axis=0)
    return float(((total[HERTZ:] - total[:-HERTZ]) // 2 > 3).mean(axis=1).max())


def flashes_of_a_large_area(record: Record) -> int:
    """Return how many pairs of opposing changes of a quarter of the lamps, each within 40 ms, a second has at most.

    The lamps of one change need not be those of the next. source: WCAG 2.2, "the combined area of flashes occurring
    concurrently", a quarter; ITU-R BT.1702 judges pictures of television, 25 a second.
    """
    turned: dict[int, dict[int, set[int]]] = {1: {}, -1: {}}
    for lamp, light in enumerate(record.T):
        for frame, way in changes(light):
            turned[way].setdefault(frame, set()).add(lamp)
    panel: list[int] = []
    way, since = 1, -1
    for frame in range(len(record)):
        window = range(max(since, frame - HERTZ // 25) + 1, frame + 1)
        together = set().union(*(turned[way].get(at, ()) for at in window))
        if len(together) >= record.shape[1] / 4:
            panel.append(frame)
            way, since = -way, frame
    return most_in_a_second(panel) // 2


def mean_flashes(record: Record) -> int:
    """Return how many flashes a second has at most, of the mean light of all lamps, by a quarter or more."""
    return most_in_a_second([frame for frame, _ in changes(record.mean(axis=1) * 0.4)]) // 2


def alone(lamps: int) -> FlashShare:
    """Return the limit of a console with one bus."""
    return FlashLimit([lamps]).shares[0]


def shown(wanted: Record) -> Record:
    limit = alone(wanted.shape[1])
    rows = [limit.pass_on(n * FRAME, row.astype(np.float32)).astype(np.float64) for n, row in enumerate(wanted)]
    return np.array(rows)


def square(hertz: float, share: float = 1.0, frames: int = 600, low: float = 0.0, high: float = 1.0) -> Record:
    """Return a share of the lamps blinking together, the others dark."""
    wave = np.where((np.arange(frames) * hertz / HERTZ) % 1 < 0.5, high, low)
    lamps = np.zeros((frames, LAMPS))
    lamps[:, : round(share * LAMPS)] = wave[:, None]
    return lamps


def pulses(on: int, off: int, count: int, frames: int = 600) -> Record:
    wave = np.tile(np.repeat([1.0, 0.0], [on, off]), count)
    return np.tile(np.concatenate([np.zeros(10), wave, np.zeros(frames)])[:frames, None], (1, LAMPS))


def wandering(steps_a_second: float, groups: int) -> Record:
    """Return one group of lamps after another lit, each for one step."""
    lit = (np.arange(600) * steps_a_second / HERTZ).astype(int) % groups
    return np.repeat(np.eye(groups)[lit], LAMPS // groups, axis=1)


def staggered(hertz: float) -> Record:
    """Return all lamps blinking at one rate, evenly out of step, each from the first time that it lights."""
    turns = np.arange(600)[:, None] * hertz / HERTZ + np.arange(LAMPS) / LAMPS
    return np.asarray(((turns % 1 < 0.5) & (turns >= 1)).astype(np.float64))


DANGERS = {
    **{f"{hertz} Hz, {share:.0%}": square(hertz, share) for hertz in (4, 5, 10, 25, 100) for share in (0.25, 0.5, 1.0)},
    "four short pulses from dark": pulses(24, 24, 4),
    "a storm of four": pulses(5, 5, 4),
    "halves by turns": np.hstack([square(5, frames=600)[:, :20], 1 - square(5)[:, 20:]]),
    "a slow wave form": np.tile(0.5 - 0.5 * np.cos(np.arange(600) * 2 * np.pi * 5 / HERTZ)[:, None], (1, LAMPS)),
    "a shallow one": square(8, low=0.45, high=0.56),
    "a bright one": square(8, low=0.85, high=1.0),
    "a tenth, in numbers that cannot be told exactly": square(8, low=0.8, high=0.9),
}


@pytest.mark.parametrize("wanted", DANGERS.values(), ids=DANGERS)
def test_a_large_area_never_flashes_over_three_times_a_second(wanted: Record) -> None:
    assert lamps_that_flash_four_times(wanted) >= 0.25
    assert flashes_of_a_large_area(wanted) > 3
    record = shown(wanted)
    assert lamps_that_flash_four_times(record) < 0.25
    assert flashes_of_a_large_area(record) <= 3


@pytest.mark.parametrize("steps", [8, 12, 40])
def test_a_large_area_that_wanders_is_held_although_no_lamp_flashes_often(steps: int) -> None:
    wanted = wandering(steps, 4)
    assert steps > 12 or lamps_that_flash_four_times(wanted) == 0
    assert flashes_of_a_large_area(wanted) > 3
    assert flashes_of_a_large_area(shown(wanted)) <= 3


def test_lamps_out_of_step_are_held_although_few_change_together() -> None:
    wanted = staggered(5)
    assert flashes_of_a_large_area(wanted) <= 3
    assert lamps_that_flash_four_times(wanted) == 1
    assert lamps_that_flash_four_times(shown(wanted)) < 0.25


HARMLESS = {
    "few lamps": square(20, 0.2),
    "three a second": square(3),
    "three and no more": pulses(10, 10, 3),
    "little change": square(20, low=0.5, high=0.59),
    "a ramp": np.tile(np.linspace(0, 1, 600)[:, None], (1, LAMPS)),
    "a slow breath": np.tile(0.5 - 0.5 * np.cos(np.arange(600) * 2 * np.pi / HERTZ)[:, None], (1, LAMPS)),
    "lamps out of step": staggered(3),
    "a light that runs along": wandering(100, LAMPS),
}


@pytest.mark.parametrize("wanted", HARMLESS.values(), ids=HARMLESS)
def test_what_is_no_danger_passes_exactly(wanted: Record) -> None:
    assert np.array_equal(shown(wanted), wanted.astype(np.float32))


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_a_machine_at_work_whose_lamps_twinkle_by_themselves_passes_exactly(seed: int) -> None:
    # A fifth of the lamps change at any rate, the others about once a second, each at its own moment.
    rng = np.random.default_rng(seed)
    often = rng.random((600, LAMPS // 5)) < 0.3
    rarely = np.arange(600)[:, None] % 200 == (np.arange(LAMPS - LAMPS // 5) * 6 + rng.integers(0, 6)) % 200
    wanted = np.cumsum(np.hstack([often, rarely]), axis=0) % 2.0
    assert np.array_equal(shown(wanted), wanted)


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.005, 0.02, 0.1, 0.3]), st.sampled_from([1, 4, 8, LAMPS]))
def test_random_light_never_flashes_too_often(seed: int, change: float, groups: int) -> None:
    rng = np.random.default_rng(seed)
    flips = rng.random((600, groups)) < change
    levels = rng.choice([0.3, 0.7, 1.0], size=flips.shape) if seed % 2 else 1.0
    record = shown(np.repeat(np.cumsum(flips, axis=0) % 2 * levels, LAMPS // groups, axis=1))
    assert lamps_that_flash_four_times(record) < 0.25
    assert flashes_of_a_large_area(record) <= 3
    assert groups > 1 or mean_flashes(record) <= 3


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_one_who_looks_at_what_is_shown_and_wants_the_opposite_gets_no_further(seed: int) -> None:
    rng = np.random.default_rng(seed)
    limit = alone(LAMPS)
    light = np.zeros(LAMPS, np.float32)
    rows = []
    for n in range(500):
        chosen = rng.random(LAMPS) < rng.choice([0.1, 0.26, 1.0])
        light = limit.pass_on(n * FRAME, np.where(chosen, 1 - light.round(), light).astype(np.float32))
        rows.append(light)
    record = np.array(rows, np.float64)
    assert lamps_that_flash_four_times(record) < 0.25
    assert flashes_of_a_large_area(record) <= 3


def test_a_small_panel_is_no_large_area() -> None:
    wanted = square(20)[:, :31]
    assert np.array_equal(shown(wanted), wanted)


def test_after_the_flashing_the_lamps_are_as_wanted() -> None:
    wanted = np.concatenate([square(10), np.zeros((250, LAMPS)), np.ones((250, LAMPS))])
    record = shown(wanted)
    assert record[849].max() == 0
    assert record[-1].min() == 1


def test_a_second_of_rest_is_enough_and_so_is_a_night() -> None:
    limit = alone(LAMPS)
    on, off = np.ones(LAMPS, np.float32), np.zeros(LAMPS, np.float32)
    for start in (0, SECOND * 9 // 8, 40_000 * SECOND):
        for n in range(3):
            assert limit.pass_on(start + 2 * n * FRAME, on).min() == 1
            assert limit.pass_on(start + (2 * n + 1) * FRAME, off).max() == 0
    # A fourth flash would begin here.
    assert limit.pass_on(40_000 * SECOND + 7 * FRAME, on).max() == 0
    assert limit.pass_on(40_001 * SECOND - 1, on).max() == 0
    assert limit.pass_on(40_001 * SECOND, on).min() == 1


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


def test_calm_leaves_alone_what_can_only_be_lit_or_out() -> None:
    calm = Calm(2, 0.5, 0.8, np.array([1]))
    assert calm.pass_on(0.0, np.ones(2, np.float32)).tolist() == [0, 0]
    assert calm.pass_on(0.005, np.ones(2, np.float32))[1] == 1
    assert calm.pass_on(0.005, np.zeros(2, np.float32))[1] == 0


def shown_by_two(wanted: Record, first: int) -> Record:
    """Return what is shown by a console whose lamps are on two buses that run a quarter of a frame apart."""
    shares = FlashLimit([first, wanted.shape[1] - first]).shares
    rows = []
    for n, row in enumerate(wanted.astype(np.float32)):
        left = shares[0].pass_on(n * FRAME, row[:first])
        right = shares[1].pass_on(n * FRAME + FRAME // 4, row[first:])
        rows.append(np.concatenate([left, right]))
    return np.array(rows, np.float64)


@pytest.mark.parametrize("first", [1, 8, 20])
@pytest.mark.parametrize("wanted", DANGERS.values(), ids=DANGERS)
def test_lamps_of_two_buses_are_one_area(wanted: Record, first: int) -> None:
    # Neither of two buses with 20 lamps each is a large area of its own.
    record = shown_by_two(wanted, first)
    assert lamps_that_flash_four_times(record) < 0.25
    assert flashes_of_a_large_area(record) <= 3


@pytest.mark.parametrize("wanted", HARMLESS.values(), ids=HARMLESS)
def test_what_is_no_danger_passes_exactly_on_two_buses(wanted: Record) -> None:
    assert np.array_equal(shown_by_two(wanted, 17), wanted.astype(np.float32))


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1), st.integers(1, LAMPS - 1))
def test_random_light_on_two_buses_never_flashes_too_often(seed: int, first: int) -> None:
    rng = np.random.default_rng(seed)
    wanted: Record = (np.cumsum(rng.random((600, LAMPS)) < 0.1, axis=0) % 2).astype(np.float64)
    record = shown_by_two(wanted, first)
    assert lamps_that_flash_four_times(record) < 0.25
    assert flashes_of_a_large_area(record) <= 3
