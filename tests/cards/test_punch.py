import errno
import math
import os
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.cards.code import BUILT_IN
from bridge.cards.deck import Card, parse
from bridge.cards.folder import at_once
from bridge.cards.ledger import RUNS, Deck
from bridge.cards.punch import QUEUE, Punch
from bridge.cards.slot import plain
from bridge.cards.spool import Spool, load
from bridge.cards.stacker import Stacker, Suspect, _torn
from bridge.clock import SECOND
from tests.cards.bench import MS, Staff, running, text_card
from tests.virtual import run_virtually

CYCLE = 600 * MS  # source: arithmetic: 60 s / 100 cards


class Bench(Staff):
    """A punch and a core that sends the next card as soon as one is acknowledged."""

    def __init__(self, stick: Path, pace: float = 1.0, blank: int = 1000, speed: float = 100) -> None:
        super().__init__()
        self.stick = stick
        self.pending: list[Card] = []
        self.acknowledged: list[tuple[int, int]] = []
        self.at: list[int] = []
        self.late: list[int] = []
        state = stick.with_name(f"{stick.name}-spool")
        state.mkdir(exist_ok=True)
        self.spool = Spool(state, at_once, load(state))
        stacker = Stacker(plain(stick), at_once, self.spool)
        self.punch = Punch(self.clock, speed, pace, stacker, self.spool, self.punched, self.report, blank)
        self.sent = 0

    def send(self, *texts: str) -> None:
        self.pending += [text_card(text) for text in texts]
        self.next()

    def next(self) -> None:
        if self.pending:
            self.sent += 1
            self.punch.punch(7, self.sent, self.pending.pop(0))

    def punched(self, run: int, number: int, at: int) -> None:
        # What is acknowledged is on the stick by then.
        assert number <= sum(len(self.deck(file.name)) for file in self.stick.glob("*.deck"))
        self.acknowledged.append((run, number))
        self.at.append(at)
        self.late.append(self.clock.now() - at)
        self.next()

    async def until_punched(self, cards: int) -> None:
        await self.see(lambda: len(self.acknowledged) >= cards, seconds=400)

    def deck(self, name: str = "punched-1.deck") -> list[Card]:
        return parse((self.stick / name).read_bytes(), name)


Scene = Callable[[Bench], Coroutine[Any, Any, None]]


def play(stick: Path, scene: Scene, late: float = 0.0, **settings: Any) -> None:
    async def main() -> None:
        bench = Bench(stick, **settings)
        async with running(bench.punch.run()):
            await scene(bench)

    run_virtually(main(), late=late)


def cards(texts: list[str]) -> list[Card]:
    return [text_card(text) for text in texts]


def test_100_cards_take_a_minute_however_late_each_wake_up(tmp_path: Path) -> None:
    texts = [f"HEIGHT {n}" for n in range(101)]

    async def scene(bench: Bench) -> None:
        bench.send(*texts)
        await bench.until_punched(101)
        # source: arithmetic: 100 cards a minute are 600 ms a card
        assert bench.at == [bench.at[0] + n * CYCLE for n in range(101)]
        assert abs(bench.at[-1] + bench.late[-1] - bench.at[0] - 60 * SECOND) < 60 * SECOND * 0.0005
        assert 3 * MS < max(bench.late) <= 6 * MS
        assert bench.deck() == cards(texts)

    play(tmp_path, scene, late=0.005)


def test_at_pace_infinity_cards_are_punched_at_once(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        start = bench.clock.now()
        bench.send(*"ABCDE")
        while len(bench.acknowledged) < 5:
            await bench.clock.until(0)
        assert bench.clock.now() == start

    play(tmp_path, scene, pace=math.inf)


def test_a_card_sent_again_is_acknowledged_but_not_punched_again(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        bench.send("A", "B")
        bench.punch.punch(7, 1, text_card("A"))  # while it waits
        await bench.until_punched(2)
        await bench.wait(2)
        assert bench.acknowledged == [(7, 1), (7, 2)]
        bench.punch.punch(7, 2, text_card("B"))
        assert bench.acknowledged == [(7, 1), (7, 2), (7, 2)]
        bench.punch.punch(8, 1, text_card("C"))  # another run counts for itself
        await bench.until_punched(4)
        assert bench.deck() == cards(["A", "B", "C"])

    play(tmp_path, scene)


def test_what_was_punched_is_remembered_for_some_runs(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        for run in range(RUNS + 1):
            bench.punch.punch(run, 1, text_card(str(run)))
            await bench.until_punched(run + 1)
        bench.punch.punch(1, 1, text_card("1"))
        await bench.wait(2)
        assert len(bench.deck()) == RUNS + 1
        bench.punch.punch(0, 1, text_card("0"))
        await bench.wait(2)
        assert len(bench.deck()) == RUNS + 2

    play(tmp_path, scene)


def test_a_core_that_sends_too_much_is_refused(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        took = [bench.punch.punch(1, number, text_card("A")) for number in range(QUEUE + 1)]
        assert took == [True] * QUEUE + [False]
        await bench.until_punched(QUEUE)
        assert len(bench.deck()) == QUEUE
        assert bench.at == [bench.at[0] + n * CYCLE for n in range(QUEUE)]

    play(tmp_path, scene)


def test_the_file_takes_the_next_free_number(tmp_path: Path) -> None:
    (tmp_path / "PUNCHED-7.DECK").write_text("OLD\n")
    (tmp_path / "punched-2.deck").write_text("OLD\n")

    async def scene(bench: Bench) -> None:
        bench.send("A")
        await bench.until_punched(1)
        assert (tmp_path / "punched-8.deck").read_bytes() == b"A\n"

    play(tmp_path, scene)


def test_what_the_punch_says(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        bench.send("A", "B", "C")
        await bench.until_punched(2)
        await bench.wait(5)
        no_blank = "no blank cards are left: take the stick out, and put it or another one in; cards waiting: 1"
        assert bench.now == ("empty", no_blank)
        port.rename(tmp_path / "hand")
        await bench.wait(1)
        (tmp_path / "hand").rename(port)
        filled = bench.clock.now()
        await bench.until_punched(3)
        assert filled < bench.at[2] <= filled + 2 * CYCLE
        await bench.wait(1)
        assert bench.now == ("ready", "1 blank cards")
        said = [state.state for state in bench.states]
        assert said == ["not-ready", "punching", "empty", "not-ready", "punching", "ready"]
        assert bench.states[0].words == "looking at the stick; cards waiting: 1"

    port = tmp_path / "port"
    port.mkdir()
    play(port, scene, blank=2)


def test_a_card_waits_for_the_stick(tmp_path: Path) -> None:
    port, pulled = tmp_path / "port", tmp_path / "pulled"
    port.mkdir()

    async def scene(bench: Bench) -> None:
        for number, text in enumerate(["A", "B", "C"], 1):
            bench.punch.punch(7, number, text_card(text))
        await bench.until_punched(1)
        port.rename(pulled)
        await bench.wait(20)
        assert bench.acknowledged == [(7, 1)]
        assert bench.now == ("not-ready", f"no stick is in: there is no folder {port}; cards waiting: 2")
        said = len(bench.states)
        await bench.wait(60)
        assert len(bench.states) == said
        pulled.rename(port)
        back = bench.clock.now()
        await bench.until_punched(3)
        assert bench.at[1] >= back
        assert bench.at[2] - bench.at[1] > CYCLE * 3 // 4  # nothing is made up for
        assert bench.deck() == cards(["A", "B", "C"])

    play(port, scene)


def test_another_stick_gets_a_file_of_its_own(tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.mkdir()

    async def scene(bench: Bench) -> None:
        bench.send("A")
        await bench.until_punched(1)
        port.rename(tmp_path / "first")
        await bench.wait(1)
        assert bench.now[0] == "not-ready"
        port.mkdir()
        (port / "punched-1.deck").write_text("SOMEBODY'S\n")
        await bench.wait(1)
        assert bench.now[0] == "ready"
        bench.send("B")
        await bench.until_punched(2)
        assert (tmp_path / "first" / "punched-1.deck").read_bytes() == b"A\n"
        assert (port / "punched-1.deck").read_bytes() == b"SOMEBODY'S\n"
        assert (port / "punched-2.deck").read_bytes() == b"B\n"

    play(port, scene)


@pytest.mark.parametrize("left", ["A", "A\nB\nX\n", "A\nX\n"])
def test_a_file_that_somebody_changed_is_left_alone(tmp_path: Path, left: str) -> None:
    async def scene(bench: Bench) -> None:
        bench.send("A")
        await bench.until_punched(1)
        (tmp_path / "punched-1.deck").write_text(left)
        bench.send("B")
        await bench.until_punched(2)
        assert (tmp_path / "punched-1.deck").read_text() == left
        assert (tmp_path / "punched-2.deck").read_bytes() == b"B\n"

    play(tmp_path, scene)


@pytest.mark.parametrize("call", ["write", "fsync"])
def test_a_full_stick_keeps_no_torn_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str) -> None:
    write, fsync = os.write, os.fsync

    def on_stick(descriptor: int) -> bool:
        return Path(f"/proc/self/fd/{descriptor}").readlink().parent == tmp_path

    def tear(descriptor: int, data: memoryview) -> int:
        if len(data) > 3 or not on_stick(descriptor):
            return write(descriptor, data[:3] if on_stick(descriptor) else data)
        raise OSError(errno.ENOSPC, "full")

    def refuse(descriptor: int) -> None:
        if on_stick(descriptor):
            raise OSError(errno.EIO, "gone bad")
        fsync(descriptor)

    async def scene(bench: Bench) -> None:
        bench.send("FIRST", "SECOND")
        await bench.until_punched(1)
        with monkeypatch.context() as patch:
            patch.setattr(os, call, tear if call == "write" else refuse)
            await bench.wait(5)
            told = len(bench.states)
            await bench.wait(60)
        assert len(bench.states) == told
        assert bench.acknowledged == [(7, 1)]
        said = {
            "write": "the stick is full: put another in",
            "fsync": "the stick does not work (gone bad): take it out",
        }
        assert bench.now[0] == "not-ready"
        assert bench.now[1].startswith(said[call])
        written: list[bytes] = []

        def noting(descriptor: int, data: memoryview) -> int:
            if on_stick(descriptor):
                written.append(bytes(data))
            return write(descriptor, data)

        monkeypatch.setattr(os, "write", noting)
        monkeypatch.setattr(os, "fsync", fsync)
        await bench.until_punched(2)
        # A sync that failed may have thrown the data away: all of it is written again.
        assert written == [b"SECOND\n"]
        assert (tmp_path / "punched-1.deck").read_bytes() == b"FIRST\nSECOND\n"

    play(tmp_path, scene)


def test_every_card_is_synced_on_both_before_it_is_acknowledged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log: list[str] = []
    fsync = os.fsync
    port = tmp_path / "port"
    port.mkdir()

    def noting(descriptor: int) -> None:
        log.append(Path(f"/proc/self/fd/{descriptor}").readlink().name)
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", noting)

    async def scene(bench: Bench) -> None:
        bench.send("A", "B")
        await bench.until_punched(1)
        log.append("acknowledged")
        await bench.until_punched(2)
        begun = ["cards-1.spool", "port-spool", "cards-1.spool"]
        first = [*begun, "cards-1.spool", "punched-1.deck", "port", "acknowledged"]
        assert log[: len(first)] == first
        assert log[len(first) :] == ["cards-1.spool", "punched-1.deck"]
        # Two syncs a card, once both files are there.
        assert bench.punch.written.syncs == len(log) - 1

    play(port, scene)


def test_a_stick_that_cannot_be_written_is_told_before_the_first_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Protected:
        f_flag = os.ST_RDONLY

    monkeypatch.setattr(os, "statvfs", lambda _: Protected())

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        assert bench.now == ("not-ready", "the stick is write-protected: free it, or put another in")
        monkeypatch.undo()
        monkeypatch.setattr(os, "access", lambda *_: False)
        await bench.wait(1)
        assert bench.now == ("not-ready", "the stick does not allow it: take it out and try another")
        monkeypatch.undo()
        tmp_path.rmdir()
        tmp_path.touch()
        await bench.wait(1)
        assert bench.now == ("not-ready", f"no stick is in: there is no folder {tmp_path}")

    play(tmp_path, scene)


@pytest.mark.parametrize(
    ("end", "owed", "safe"),
    [
        (b"", True, True),
        (b"HIGH WATER\n", True, True),
        (b"HIGH", True, True),
        (b"HIG.FWATER\n", True, True),
        (b"HI\0\0 WATER\n", True, True),
        (b"HIGH" + bytes(4000), True, True),
        (b"SOMEBODYS\n", True, False),  # as an unwritten block may read: what stands there now is not missed
        (b"SOMEBODY'S LINE\n", False, False),
        (b"SOMEBODY'S\n", True, False),
        (b"\xff\xfe\0\x12 WATER\n", True, True),
    ],
)
def test_what_can_have_become_of_a_line(end: bytes, owed: bool, safe: bool) -> None:
    # Whether it is taken for the card's: while that is `owed` there, and once it is `safe` elsewhere.
    deck = Deck(1)
    assert _torn(end, Suspect(deck, b"HIGH WATER\n", owed=True)) is owed
    assert _torn(end, Suspect(deck, b"HIGH WATER\n")) is safe


def test_a_line_in_the_decks_own_code_is_somebodys() -> None:
    line = "5¤\n".encode()
    assert not _torn(line, Suspect(Deck(1), b"HIGH WATER\n", code=BUILT_IN["commercial"]))
    assert _torn(line, Suspect(Deck(1), b"HIGH WATER\n"))
