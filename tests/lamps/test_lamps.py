import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.lamps.drive import FULL, HOLD, LampDrive
from bridge.lamps.frames import Frame, FrameSlot

MS = 1_000_000


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
    assert LampDrive(1).step(0, frame(of, [on], [1])).tolist() == [code]


def test_dark_until_the_first_frame() -> None:
    drive = LampDrive(2)
    assert drive.step(0, None).tolist() == [0, 0]
    assert drive.step(10 * HOLD, None).tolist() == [0, 0]


def test_on_time_is_held_then_the_lamps_stand_as_they_are() -> None:
    drive = LampDrive(2)
    assert drive.step(0, frame(10, [5, 0], [0, 1])).tolist() == [2048, 0]
    assert drive.step(HOLD - 1, None).tolist() == [2048, 0]
    assert drive.step(HOLD, None).tolist() == [0, FULL]


def test_a_machine_at_rest_shows_its_bits_once_its_last_running_moment_has_been_seen() -> None:
    drive = LampDrive(1)
    assert drive.step(0, frame(0, [0], [1])).tolist() == [FULL]
    assert drive.step(1, frame(4, [1], [1])).tolist() == [1024]
    assert drive.step(5 * MS, frame(0, [0], [0])).tolist() == [1024]
    assert drive.step(HOLD + 1, None).tolist() == [0]
