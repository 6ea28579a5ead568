import threading
import time

import pytest

from bridge.daemon.bus import Bus, BusThread, Job

MS = 1_000_000


def test_jobs_keep_their_own_absolute_deadlines() -> None:
    # source: arithmetic: periods of 4 and 5 ms over 1 s, first at 0.
    scans: list[int] = []
    frames: list[int] = []
    bus = Bus("trial", [Job(4 * MS, scans.append), Job(5 * MS, frames.append)])
    now = bus.start(0)
    while now < 1000 * MS:
        now = bus.step(now)
    assert scans == list(range(0, 1000 * MS, 4 * MS))
    assert frames == list(range(0, 1000 * MS, 5 * MS))


def test_lateness_does_not_accumulate_and_missed_periods_are_skipped() -> None:
    ran: list[int] = []
    bus = Bus("trial", [Job(4 * MS, ran.append)])
    bus.start(0)
    assert bus.step(3 * MS) == 4 * MS
    assert bus.step(5 * MS) == 8 * MS
    assert bus.step(8 * MS + 1) == 12 * MS
    assert bus.step(101 * MS) == 104 * MS
    assert list(bus.late) == [3 * MS, MS, 1, 89 * MS]
    assert bus.step(102 * MS) == 104 * MS
    assert len(ran) == 4


def test_a_job_with_slack_shares_the_wake_ups_of_another_and_keeps_its_rate() -> None:
    # source: arithmetic: 250 and 200 times a second meet in 250 wake-ups if the slower may move by half a scan.
    wakes = 0
    scans: list[int] = []
    frames: list[int] = []
    bus = Bus("trial", [Job(4 * MS, scans.append), Job(5 * MS, frames.append, slack=2 * MS)])
    now = bus.start(0)
    while now < 1000 * MS:
        now, wakes = bus.step(now), wakes + 1
    assert (wakes, len(scans), len(frames)) == (250, 250, 200)
    assert set(frames) <= set(scans)
    assert all(abs(at - 5 * MS * n) <= 2 * MS for n, at in enumerate(frames))


def test_the_thread_steps_until_stopped_on_the_monotonic_clock() -> None:
    ran: list[int] = []
    enough = threading.Event()

    def job(now: int) -> None:
        ran.append(now)
        if len(ran) == 5:
            enough.set()

    start = time.monotonic_ns()
    thread = BusThread(Bus("trial", [Job(MS, job)]), lambda error: pytest.fail(str(error)))
    assert enough.wait(10)
    thread.stop()
    assert thread.ended(10)
    after = len(ran)
    assert ran == sorted(ran)
    assert ran[0] >= start
    assert ran[4] - ran[0] >= 3 * MS
    assert len(ran) == after


def test_a_job_that_raises_ends_the_thread_with_a_word_to_the_supervisor() -> None:
    told: list[BaseException] = []
    ended = threading.Event()

    def job(_: int) -> None:
        raise ZeroDivisionError("a fault of our own")

    def failed(error: BaseException) -> None:
        told.append(error)
        ended.set()

    thread = BusThread(Bus("trial", [Job(MS, job)]), failed)
    assert ended.wait(10)
    thread.stop()
    assert thread.ended(10)
    assert [str(error) for error in told] == ["a fault of our own"]
