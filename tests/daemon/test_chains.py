from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from bridge.daemon.chains import CABLE, CHECK, PATIENCE, RETRY, REWRITE, Cables, KeyJob, LampChain, LampJob
from bridge.daemon.opening import Opening
from bridge.report import DeviceState
from bridge.switches.scan import Contact, KeyEvent, KeyScan
from tests.lamps.test_lamps import instant

MS = 1_000_000


class Driver:
    """A lamp or key driver that takes notes and fails to order."""

    def __init__(self) -> None:
        self.broken = False
        self.written: list[list[int]] = []
        self.upset = False
        self.asked = 0
        self.levels = 0b011
        self.doubts = 0
        self.moved: list[int] = []

    def write(self, codes: npt.NDArray[np.uint16]) -> None:
        if self.broken:
            raise OSError(5, "Input/output error")
        self.written.append(codes.tolist())

    def check(self) -> bool:
        self.asked += 1
        upset, self.upset = self.upset, False
        return upset

    def dark(self) -> None:
        self.write(np.zeros(4, np.uint16))

    def read(self) -> int:
        if self.broken:
            raise OSError(5, "Input/output error")
        return self.levels

    def doubted(self, levels: int, moved: int) -> int:
        self.moved.append(moved)
        return self.doubts


def opened(part: str, driver: Driver) -> Opening[Any]:
    opening = Opening(part, lambda: driver)
    opening.open()
    return opening


def lamp_job(driver: Driver, said: list[DeviceState]) -> LampJob:
    """The console's lamps 1 and 3 are on this bus, on channels 2 and 0."""
    lamps = np.array([1, 3], np.intp)
    places = np.array([0, 1], np.intp)
    chain = LampChain("lamps", opened("lamps", driver), places, np.array([2, 0], np.intp), 4)
    return LampJob(lamps, [chain], instant(2), said.append)


def frame(job: LampJob, *bits: int) -> None:
    on = np.array(bits, np.uint64)
    job.add(1, on, on.astype(np.bool_))


def test_lamps_go_to_their_channels_and_only_changes_are_written() -> None:
    driver, said = Driver(), list[DeviceState]()
    job = lamp_job(driver, said)
    job.run(0)
    frame(job, 1, 1, 1, 0)
    job.run(5 * MS)
    job.run(10 * MS)
    frame(job, 0, 1, 0, 0)
    job.run(15 * MS)
    frame(job, 0, 0, 0, 1)
    job.run(20 * MS)
    assert driver.written == [[0, 0, 0, 0], [0, 0, 4095, 0], [4095, 0, 0, 0]]
    assert said == [DeviceState("lamps", "ready")]


def test_everything_is_written_again_once_a_second() -> None:
    driver = Driver()
    job = lamp_job(driver, [])
    for now in range(0, 3 * REWRITE + MS, 5 * MS):
        job.run(now)
    assert len(driver.written) == 4


def test_a_bus_that_fails_is_said_once_tried_each_second_and_said_to_be_back() -> None:
    driver, said = Driver(), list[DeviceState]()
    job = lamp_job(driver, said)
    job.run(0)
    driver.broken = True
    frame(job, 0, 1, 0, 0)
    for now in range(5 * MS, 3 * RETRY, 5 * MS):
        job.run(now)
    job.dark()
    assert [state.state for state in said] == ["ready", "not-ready"]
    assert "Input/output error" in said[-1].words
    driver.broken = False
    job.run(4 * RETRY)
    assert said[-1] == DeviceState("lamps", "ready")
    assert driver.written[-1] == [0, 0, 4095, 0]


def test_a_chip_that_was_upset_is_found_within_a_second_though_its_lamps_change_all_the_time_and_is_said_once() -> None:
    driver, said = Driver(), list[DeviceState]()
    job = lamp_job(driver, said)
    for n in range(1000):
        driver.upset = driver.upset or n == 250
        frame(job, 0, n % 2, 0, 0)
        job.run(n * 5 * MS)
    assert [state.state for state in said] == ["ready", "upset", "ready"]
    assert "look at its supply" in said[1].words
    assert driver.asked == 5


def test_a_chip_that_was_upset_is_written_at_once_though_its_lamps_stand() -> None:
    driver = Driver()
    job = lamp_job(driver, [])
    frame(job, 0, 1, 0, 0)
    job.run(0)
    frame(job, 0, 0, 0, 0)
    job.run(500 * MS)
    driver.upset = True
    job.run(CHECK)
    assert driver.written == [[0, 0, 4095, 0], [0, 0, 0, 0], [0, 0, 0, 0]]


def test_key_events_a_cable_that_comes_off_and_a_bus_that_fails() -> None:
    driver, said, events = Driver(), list[DeviceState](), list[KeyEvent]()
    scan = KeyScan([Contact(7, 1, False)], [0], [2], 10 * MS)
    job = KeyJob("keys", opened("keys", driver), scan, events.extend, said.append)
    job.run(0)
    driver.levels = 0b001
    for now in range(4 * MS, 40 * MS, 4 * MS):
        job.run(now)
    assert events == [KeyEvent(4 * MS, 7, True)]
    driver.levels = 0b000
    job.run(40 * MS)
    driver.broken = True
    for now in range(44 * MS, 60 * MS, 4 * MS):
        job.run(now)
    driver.broken = False
    driver.levels = 0b001
    job.run(60 * MS)
    assert said[-1].state == "not-ready"
    for now in range(52 * MS + RETRY, 52 * MS + RETRY + 300 * MS, 4 * MS):
        job.run(now)
    words = CABLE.format("The cable of these keys")
    assert [(state.state, state.words == words) for state in said] == [
        ("ready", False),
        ("cable", True),
        ("not-ready", False),
        ("cable", True),
        ("ready", False),
    ]
    assert len(events) == 1


def test_transfers_that_fail_one_at_a_time_cost_no_more_than_their_scans() -> None:
    # source: arithmetic: scans at 0 and 8 ms fail, those at 4, 12, 16 ms show the key; it rests from 4 to 14 ms.
    driver, said, events = Driver(), list[DeviceState](), list[KeyEvent]()
    job = KeyJob(
        "keys", opened("keys", driver), KeyScan([Contact(7, 1, False)], [], [], 10 * MS), events.extend, said.append
    )
    driver.levels = 0
    for now in range(0, 20 * MS, 4 * MS):
        driver.broken = now in {0, 8 * MS}
        job.run(now)
    assert events == [KeyEvent(4 * MS, 7, True)]
    assert [state.state for state in said] == ["ready"]
    driver.broken = True
    for now in range(20 * MS, 20 * MS + (PATIENCE - 1) * 4 * MS, 4 * MS):
        job.run(now)
    assert [state.state for state in said] == ["ready"]
    job.run(40 * MS)
    assert [state.state for state in said] == ["ready", "not-ready"]


def test_a_second_look_is_taken_at_keys_that_seem_to_move_and_what_it_does_not_confirm_is_no_event() -> None:
    driver, said, events = Driver(), list[DeviceState](), list[KeyEvent]()
    job = KeyJob(
        "keys", opened("keys", driver), KeyScan([Contact(7, 1, False)], [], [], 10 * MS), events.extend, said.append
    )
    job.run(0)
    assert driver.moved == []
    driver.levels, driver.doubts = 0, 0b10
    for now in range(4 * MS, 100 * MS, 4 * MS):
        job.run(now)
    assert (events, {*driver.moved}) == ([], {0b10})
    driver.doubts = 0
    for now in range(100 * MS, 116 * MS, 4 * MS):
        job.run(now)
    assert events == [KeyEvent(100 * MS, 7, True)]


@pytest.mark.parametrize(
    ("names", "suspects", "words"),
    [
        ((), None, "The cable of these keys has"),
        ((), range(3), "The cable of these keys has"),
        ((), range(2), "The cable of these keys has"),
        ((), range(2, 3), "where it leads to chip 3 (1 is nearest the board), has"),
        ((), range(1, 3), "where it leads to one of the chips 2 to 3 (1 is nearest the board), has"),
        (("J1", "J1", "J2"), None, "One of the cables J1, J2 of these keys has"),
        (("J1", "J1", "J2"), range(1), "Cable J1 (or, if it is a short, J2) of these keys has"),
        (("J1", "J1", "J2"), range(1, 2), "Cable J1 of these keys has"),
        (("J1", "J1", "J2"), range(1, 3), "One of the cables J1, J2 of these keys has"),
        (("J1", "J1", "J1"), range(1), "Cable J1 of these keys has"),
    ],
)
def test_the_cable_in_words(names: tuple[str, ...], suspects: range | None, words: str) -> None:
    assert words in Cables(3, names).words(suspects)
