"""One wire of a chain of keys open, shorted or swapped: no event is invented, and the cable is named."""

import random
from dataclasses import replace

import pytest

from bridge.daemon.chains import Cables, KeyJob
from bridge.daemon.opening import Opening
from bridge.parts import hc165
from bridge.parts.facts import KeyDriver
from bridge.rehearsal.broken import FLOATS, Broken, Fault, Floats, Wire, every, order
from bridge.report import DeviceState
from bridge.switches.breaks import Breaks
from bridge.switches.scan import Contact, KeyEvent, KeyScan

MS = 1_000_000
SCAN = 4 * MS
TRIALS = 10_000
PARTS = 8


class Bench:
    """A chain of so many chips on the wires of a rehearsal, with a key on every channel but the last."""

    def __init__(self, chips: int, rng: random.Random, *, serial_in: bool = False) -> None:
        self.chips = chips
        self.rng = rng
        self.twin = hc165.Twin(chips)
        self.twin.serial_in = serial_in
        self.between: Broken | None = None
        last = 8 * chips - 1
        self.twin.set(last, not serial_in)
        tail = [*range(8 * chips, 8 * chips + 8)]
        high, low = ([last], tail) if not serial_in else (tail, [last])
        self.contacts = [Contact(n, n, closed_high=False) for n in range(last)]
        scan = KeyScan(self.contacts, high, low, 10 * MS, breaks=Breaks(chips, 8 * chips + 8))
        self.events: list[KeyEvent] = []
        self.said: list[DeviceState] = []
        opening: Opening[KeyDriver] = Opening("keys", lambda: hc165.Driver(self, {"load": self}, chips))
        cables = Cables(chips, tuple(f"J{n + 1}." for n in range(chips)))
        self.job = KeyJob("keys", opening, scan, self.events.extend, self.said.append, cables)
        opening.open()
        self.now = 0

    def set(self, level: bool) -> None:
        (self.between or self.twin).load(level)

    def transfer(self, data: bytes) -> bytes:
        return (self.between or self.twin).transfer(data)

    def close(self) -> None:
        pass

    def break_(self, fault: Fault | None) -> None:
        self.between = None if fault is None else Broken(self.twin, fault, self.rng)

    def run(self, scans: int, period: int = SCAN) -> None:
        for _ in range(scans):
            self.now += period
            self.job.run(self.now)

    def closed(self) -> dict[int, bool]:
        return {contact.key: not self.twin.levels >> contact.channel & 1 for contact in self.contacts}

    def told(self) -> dict[int, bool]:
        told = dict.fromkeys(self.closed(), False)
        told.update({event.key: event.closed for event in self.events})
        return told


def standing(rng: random.Random, chips: int) -> Bench:
    """Return a chain whose keys have been read, some of them closed; of some chips all or none."""
    bench = Bench(chips, rng, serial_in=rng.random() < 0.5)
    share = rng.choice((0, 0.1, 0.5, 0.9, 1))
    for contact in bench.contacts:
        bench.twin.set(contact.channel, level=rng.random() >= share)
    bench.run(5)
    assert bench.told() == bench.closed()
    assert bench.said[-1].state == "ready"
    return bench


def trial(seed: int) -> tuple[Fault, list[str]]:
    """Break a chain and mend it; return how, and what was said of its cable."""
    rng = random.Random(seed)
    bench = standing(rng, rng.randint(1, 6))
    fault = rng.choice([*every(bench.chips)])
    fault = replace(fault, comes_and_goes=rng.random() < 0.4)
    throws = rng.random() < 0.25
    bench.events.clear()
    before = bench.closed()
    bench.break_(fault)
    bench.run(20)
    if throws:
        bench.twin.set(rng.randrange(len(bench.contacts)), level=bool(rng.getrandbits(1)))
    bench.run(10)
    bench.break_(None)
    bench.run(2)
    bench.run(7, 50 * MS)
    # Each event is of a key that was really thrown, and told as it stands; and all is well again.
    after = bench.closed()
    told = {event.key: event.closed for event in bench.events}
    assert told == {key: closed for key, closed in after.items() if closed != before[key]}, (seed, fault)
    assert len(bench.events) == len(told), (seed, fault)
    assert bench.said[-1].state == "ready", (seed, fault)
    words = [state.words for state in bench.said if state.state == "cable"]
    if not throws:
        assert all(f"J{fault.chip + 1}." in said for said in words), (seed, fault, words)
    return fault, words


@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.timeout(300)
def test_no_false_event_in_ten_thousand_broken_chains_and_the_cable_named(part: int) -> None:
    unseen = []
    for seed in range(part, TRIALS, PARTS):
        fault, words = trial(seed)
        if not words and not fault.comes_and_goes:
            unseen.append(fault)
    # Seen at once, but for what harms one chip only: that takes a second look, and longer than these trials.
    assert len(unseen) < TRIALS // PARTS // 50
    assert all(fault.kind == "open" and fault.pin for fault in unseen if fault.floats != "held")


@pytest.mark.parametrize("serial_in", [False, True])
@pytest.mark.parametrize("chip", range(3))
def test_a_chip_alone_that_does_not_load_is_found_by_a_second_look_as_soon_as_it_seems_to_move(
    chip: int, serial_in: bool
) -> None:
    bench = Bench(4, random.Random(chip), serial_in=serial_in)
    for contact in bench.contacts:
        bench.twin.set(contact.channel, not serial_in)
    bench.run(5)
    bench.events.clear()
    bench.break_(Fault("load", "open", chip, floats="high", pin=True))
    bench.run(80)
    assert bench.events == []
    assert f"Cable J{chip + 1}." in bench.said[-1].words
    bench.break_(None)
    bench.run(80)
    assert (bench.events, bench.said[-1].state) == ([], "ready")


@pytest.mark.parametrize("chip", range(1, 4))
@pytest.mark.parametrize("wire", ["clock", "data", "load", "supply"])
@pytest.mark.parametrize("floats", FLOATS)
def test_a_wire_that_breaks_between_chips_that_are_not_all_alike_is_named(
    chip: int, wire: Wire, floats: Floats
) -> None:
    bench = Bench(4, random.Random(5))
    for contact in bench.contacts:
        bench.twin.set(contact.channel, contact.channel % 8 not in {0, 3, 7})
    bench.run(5)
    bench.break_(Fault(wire, "open", chip, floats=floats))
    bench.run(30)
    # Those that read right now and then are named among others.
    alone = (wire, floats) not in {("supply", "held"), ("load", "noise")}
    assert (f"Cable J{chip + 1}." if alone else f"J{chip + 1}") in bench.said[-1].words


def test_a_fault_is_ordered_by_its_words_and_refused_in_words() -> None:
    asked = {"do": "fault", "wire": "clock", "kind": "swap", "other": "data", "chip": 2, "comes_and_goes": True}
    assert order(asked, 3) == Fault("clock", "swap", 1, "data", "low", False, True)
    assert order({"wire": "load", "kind": "open", "pin": True, "floats": "high"}, 1) == Fault(
        "load", "open", 0, "", "high", True
    )
    with pytest.raises(ValueError, match="must be one of 1 to 3, 1 nearest the board"):
        order({**asked, "chip": 4}, 3)
    for wrong in ({"wire": "fire"}, {"other": "clock"}, {"other": "earth"}, {"floats": "up"}, {"pin": True}):
        with pytest.raises(ValueError, match='"wire" must be one of clock, data, load, supply; "kind" open'):
            order({**asked, **wrong}, 3)
