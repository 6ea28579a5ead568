import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from bridge.lamps.drive import HOLD, LampDrive
from bridge.lamps.filament import FilamentType, resolve
from bridge.lamps.flash import Calm, FlashLimit, FlashShare
from bridge.lamps.frames import Frame, FrameSlot
from bridge.lamps.models import LampModels, NeonType
from bridge.lamps.output import FULL, Output

MS = 1_000_000


def led(lamps: int) -> Output:
    return Output(np.ones(lamps, np.float32), np.zeros(FULL + 1, np.uint8))


def alone(lamps: int) -> FlashShare:
    return FlashLimit([lamps]).shares[0]


def instant(lamps: int) -> LampDrive:
    return LampDrive(LampModels([None], np.zeros(lamps, np.intp)), led(lamps), alone(lamps))


def frame(elapsed: int, on_time: list[int], bits: list[int]) -> Frame:
    return Frame(elapsed, np.array(on_time, np.uint64), np.array(bits, np.bool_))


@given(st.lists(st.tuples(st.integers(1, 1000), st.lists(st.integers(0, 1), min_size=3, max_size=3)), min_size=1))
def test_frames_that_wait_are_summed_not_dropped(sent: list[tuple[int, list[int]]]) -> None:
    # source: arithmetic.
    slot = FrameSlot()
    for elapsed, bits in sent:
        slot.add(frame(elapsed, [elapsed * bit for bit in bits], bits))
    got = slot.take()
    assert got is not None
    assert got.elapsed == sum(elapsed for elapsed, _ in sent)
    assert got.on_time.tolist() == [sum(e * bits[n] for e, bits in sent) for n in range(3)]
    assert got.bits.tolist() == [bool(bit) for bit in sent[-1][1]]
    assert slot.take() is None


@pytest.mark.parametrize(("on", "of", "code"), [(0, 7, 0), (7, 7, 4095), (1, 2, 2048), (1, 4095, 1), (1, 100_000, 0)])
def test_duty_becomes_the_nearest_code(on: int, of: int, code: int) -> None:
    # source: arithmetic: round(4095 d); 2047.5 may go either way, numpy rounds half to even.
    assert instant(1).step(0, frame(of, [on], [1])).tolist() == [code]


def test_dark_until_the_first_frame() -> None:
    drive = instant(2)
    assert drive.step(0, None).tolist() == [0, 0]
    assert drive.step(10 * HOLD, None).tolist() == [0, 0]


def test_on_time_is_held_then_the_lamps_stand_as_they_are() -> None:
    drive = instant(2)
    assert drive.step(0, frame(10, [5, 0], [0, 1])).tolist() == [2048, 0]
    assert drive.step(HOLD - 1, None).tolist() == [2048, 0]
    assert drive.step(HOLD, None).tolist() == [0, FULL]


def test_a_machine_at_rest_shows_its_bits_once_its_last_running_moment_has_been_seen() -> None:
    drive = instant(1)
    assert drive.step(0, frame(0, [0], [1])).tolist() == [FULL]
    assert drive.step(1, frame(4, [1], [1])).tolist() == [1024]
    assert drive.step(5 * MS, frame(0, [0], [0])).tolist() == [1024]
    assert drive.step(HOLD + 1, None).tolist() == [0]


def glowing(rise_ms: float = 40.0) -> LampDrive:
    kind = resolve(12.0, 0.08, 2400, rise_ms=rise_ms)
    return LampDrive(LampModels([kind], np.zeros(1, np.intp)), led(1), alone(1))


def test_a_filament_comes_up_in_its_time_and_fades() -> None:
    # source: the definition of the rise: 10 to 90 % of light in 40 ms.
    drive = glowing()
    drive.step(0, None)
    drive.step(0, frame(0, [0], [1]))
    up = [int(drive.step(n * MS, None)[0]) for n in range(1, 200)]
    rising = [n for n, code in enumerate(up) if 0.1 * FULL < code < 0.9 * FULL]
    assert len(rising) == pytest.approx(40, abs=2)
    assert up[-1] == FULL
    drive.step(200 * MS, frame(0, [0], [0]))
    down = [int(drive.step(n * MS, None)[0]) for n in range(201, 600)]
    assert down[0] > 0.7 * FULL
    assert down == sorted(down, reverse=True)
    assert down[-1] == 0


@settings(max_examples=20)
@given(st.lists(st.integers(1, 150), min_size=1, max_size=8))
def test_a_daemon_that_stalls_loses_no_light(stalls_ms: list[int]) -> None:
    # source: arithmetic: the same frames summed over longer steps end in the same state, where duty is steady.
    smooth, stalled = glowing(), glowing()
    for drive in (smooth, stalled):
        drive.step(0, None)
    now = 0
    for stall in stalls_ms:
        for n in range(now + 1, now + stall + 1):
            expected = smooth.step(n * MS, frame(4, [1], [0]))
        now += stall
        got = stalled.step(now * MS, frame(4 * stall, [stall], [0]))
        assert abs(int(got[0]) - int(expected[0])) <= 8


def test_lamps_left_alone_show_what_they_would_have_shown(mocker: MockerFixture) -> None:
    """A drive that never leaves its lamps alone is what is compared with, step by step: none may be seen to differ."""
    rng = np.random.default_rng(5)
    kinds = [resolve(12, 0.08, 2300, rise_ms=60), resolve(6, 0.06, 2450, rise_ms=400), None]
    drives = []
    for patient in (False, True):
        output = Output(np.ones(6, np.float32), np.where(np.arange(FULL + 1) > 300, 2, 0).astype(np.uint8))
        drives.append(LampDrive(LampModels(kinds, np.arange(6) % 3), output, alone(6)))
        if patient:
            drives[-1]._settles = 10**18
    steps = mocker.spy(LampModels, "step")
    now = left_alone = 0
    for _ in range(40):
        bits = rng.integers(0, 2, 6).tolist()
        on_time = [int(rng.integers(0, 9)) * bit for bit in bits]
        came: Frame | None = frame(int(rng.integers(0, 2)) * 8, on_time, bits)
        for _ in range(int(rng.choice([3, 400, 2500]))):
            now += 5 * MS
            steps.reset_mock()
            codes = [drive.step(now, came).astype(int) for drive in drives]
            left_alone += steps.call_count == 1
            came = None
            assert np.abs(codes[0] - codes[1]).max() <= 0.005 * FULL  # what the model itself is held to
    assert left_alone > 5000


def test_lamps_held_by_the_flash_limit_are_not_left_alone() -> None:
    drive = LampDrive(LampModels([None], np.zeros(64, np.intp)), led(64), alone(64))
    now = 0
    for n in range(60):
        now += 20 * MS
        drive.step(now, frame(0, [0] * 64, [n % 2] * 64))
    for _ in range(400):
        now += 5 * MS
        codes = drive.step(now, None)
    assert codes.tolist() == [FULL] * 64


def test_kinds_mix_and_a_warm_filament_does_not_glow() -> None:
    kind = resolve(6.0, 0.06, 2450, rise_ms=30)
    models = LampModels([None, kind], np.array([0, 1, 1], np.intp), np.array([0.5, 0.01, 0.0], np.float32))
    drive = LampDrive(models, led(3), alone(3))
    drive.step(0, frame(0, [0, 0, 0], [0, 0, 0]))
    for n in range(1, 400):
        codes = drive.step(n * 5 * MS, None)
    assert codes.tolist() == [0, 0, 0]
    assert models._filaments is not None
    assert 900 < models._filaments.temperature[0] < 1400
    drive.step(2001 * MS, frame(4, [1, 1, 1], [0, 0, 0]))
    assert drive.step(2006 * MS, None)[0] == 1024


def test_a_fitted_filament_gets_the_duty_itself() -> None:
    kind = resolve(12.0, 0.08, 2400, rise_ms=40)
    drive = LampDrive(LampModels([kind], np.zeros(2, np.intp)), led(2), alone(2), filaments=np.array([1]))
    drive.step(0, None)
    codes = drive.step(5 * MS, frame(4, [2, 2], [1, 1]))
    assert codes[0] < 20
    assert codes[1] == 2048


def test_calm_and_the_flash_limit_stand_before_the_lamps() -> None:
    # source: arithmetic; WCAG 2.2: at most three flashes in a second over a large area.
    lamps = 40
    models = LampModels([None], np.zeros(lamps, np.intp))
    blink = [frame(0, [0] * lamps, [n // 10 % 2] * lamps) for n in range(200)]
    drive = LampDrive(models, led(lamps), alone(lamps))
    shown = [int(drive.step(n * 5 * MS, blink[n])[0]) for n in range(200)]
    assert sum(a < b for a, b in itertools.pairwise(shown)) <= 4
    calm = LampDrive(models, led(lamps), alone(lamps), calm=Calm(lamps, 0.5, 0.5))
    shown = [int(calm.step(n * 5 * MS, frame(0, [0] * lamps, [1] * lamps))[0]) for n in range(200)]
    assert shown[50] == pytest.approx(1024, abs=25)
    assert shown[-1] == 2048


def switched(light_of: list[int], *, calm: float = 1.0, gain: float = 1.0) -> list[int]:
    """Return the codes of a lamp that can only be lit or out, wanted at these shares (of 100), one a frame."""
    one = np.array([0])
    output = Output(np.array([gain], np.float32), np.zeros(FULL + 1, np.uint8))
    hour = Calm(1, calm, 0.8, one) if calm < 1 else None
    drive = LampDrive(LampModels([None], one), output, alone(1), switched=one, calm=hour)
    drive.step(0, None)
    return [int(drive.step((n + 1) * 5 * MS, frame(100, [on], [0]))[0]) for n, on in enumerate(light_of)]


def test_what_can_only_be_lit_or_out_is_lit_from_60_percent_and_out_from_40() -> None:
    assert switched([59, 60, 41, 59, 40, 59, 100]) == [0, FULL, FULL, FULL, 0, 0, FULL]


def test_light_about_the_middle_does_not_make_it_chatter() -> None:
    assert switched([46, 54] * 20) == [0] * 40


def test_it_is_lit_in_a_calm_hour_too() -> None:
    assert switched([100, 100, 0], calm=0.3) == [FULL, FULL, 0]


def test_lit_or_out_lamps_are_held_by_the_flash_limit_as_they_were() -> None:
    # source: WCAG 2.2: at most three flashes in a second over a large area.
    lamps = 40
    every = np.arange(lamps)
    drive = LampDrive(LampModels([None], np.zeros(lamps, np.intp)), led(lamps), alone(lamps), switched=every)
    shown = [
        int(drive.step(n * 5 * MS, frame(100, [n // 10 % 2 * 20 + 40] * lamps, [0] * lamps))[0]) for n in range(200)
    ]
    assert set(shown) == {0, FULL}
    assert sum(a < b for a, b in itertools.pairwise(shown)) <= 4


def test_a_neon_strikes_and_is_then_as_bright_as_it_is_driven() -> None:
    glow = resolve(12.0, 0.08, 2400, rise_ms=40)
    types: list[FilamentType | NeonType | None] = [NeonType(0.3, 0.2), glow, NeonType(0.0, 0.0), None]
    models = LampModels(types, np.array([3, 0, 2, 1]))
    duties = (0.25, 0.3, 0.25, 0.2, 0.25, 0.9)
    seen = []
    for duty in duties:
        models.step(0.0, np.full(4, duty, np.float32))
        seen.append([round(float(light), 3) for light in models.light()])
    assert [light[1] for light in seen] == [0, 0.3, 0.25, 0, 0, 0.9]
    assert [(light[0], light[2]) for light in seen] == [(duty, duty) for duty in duties]
    assert all(light[3] == 0 for light in seen)
