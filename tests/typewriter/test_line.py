import asyncio
import contextlib
import dataclasses
import errno
import itertools
import math
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState
from bridge.typewriter.line import HOLD, QUEUE, Lost, Received, Typewriter
from bridge.typewriter.mechanism import Mechanism
from tests.virtual import run_virtually

MS = SECOND // 1000
# source: common practice, no source: 10 characters a second, 0.2 to 1 s for a full return
TEN = Mechanism(10, 30, columns=80, return_ms=200, travel_ms=10)


class MemoryLine:
    """A line that keeps what was sent and when, and can be held and cut."""

    def __init__(self, bench: "Bench", received: Received, lost: Lost) -> None:
        self.bench, self.received, self.lost = bench, received, lost
        self.cut = self.closed = False

    def write(self, data: bytes) -> int:
        assert not self.closed
        if self.cut:
            raise OSError(errno.EIO, "it was cut")
        if self.bench.held:
            return 0
        taken = data[: self.bench.takes]
        self.bench.sent += [(code, self.bench.clock.now()) for code in taken]
        return len(taken)

    def close(self) -> None:
        self.closed = True


class Bench:
    """A typewriter, its line, and a core that types `text` as it gets credit for it."""

    def __init__(self, pace: float, mechanism: Mechanism) -> None:
        self.clock = LoopClock()
        self.text = bytearray()
        self.granted = 0
        self.grants: list[int] = []
        self.sent: list[tuple[int, int]] = []
        self.printed: list[tuple[bytes, int]] = []
        self.keys: list[bytes] = []
        self.states: list[DeviceState] = []
        self.lines: list[MemoryLine] = []
        self.unplugged = self.held = False
        self.takes = 1000
        self.typewriter = Typewriter(
            *(self.clock, mechanism, pace, self.open),
            *(self.credit, self.keys.append, lambda codes, at: self.printed.append((codes, at)), self.states.append),
        )

    def open(self, received: Received, lost: Lost) -> MemoryLine:
        if self.unplugged:
            raise OSError(errno.ENOENT, "no such line")
        self.lines.append(MemoryLine(self, received, lost))
        return self.lines[-1]

    def credit(self, characters: int) -> None:
        self.granted += characters
        self.grants.append(characters)
        self.go_on()

    def go_on(self) -> None:
        piece = bytes(self.text[: self.granted])
        if piece:
            del self.text[: len(piece)]
            self.granted -= len(piece)
            assert self.typewriter.type(piece)

    def type(self, text: bytes) -> None:
        self.text += text
        self.go_on()

    def cut(self) -> None:
        self.unplugged = self.lines[-1].cut = True
        self.lines[-1].lost(OSError(errno.EIO, "it was cut"))

    async def wait(self, seconds: float) -> None:
        await self.clock.until(self.clock.now() + round(seconds * SECOND))

    @property
    def paper(self) -> bytes:
        return bytes(code for code, _ in self.sent)

    @property
    def now(self) -> tuple[str, str]:
        return self.states[-1].state, self.states[-1].words


Scene = Callable[[Bench], Coroutine[Any, Any, None]]


def play(scene: Scene, late: float = 0.0, pace: float = 1.0, mechanism: Mechanism = TEN) -> None:
    async def main() -> None:
        bench = Bench(pace, mechanism)
        task = asyncio.create_task(bench.typewriter.run())
        bench.typewriter.welcome()
        try:
            await scene(bench)
            assert not task.done()
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        assert all(line.closed for line in bench.lines)

    run_virtually(main(), late=late)


@pytest.mark.parametrize("on_the_line", [30, 10])
def test_600_characters_take_a_minute_however_late_each_wake_up(on_the_line: float) -> None:
    text = bytes(range(0x21, 0x7F)) * 7

    async def scene(bench: Bench) -> None:
        bench.type(text[:600])
        await bench.wait(70)
        done = [at for _, at in bench.printed]
        # source: arithmetic: 10 characters a second
        assert [b - a for a, b in itertools.pairwise(done)] == [100 * MS] * 599
        assert bench.paper == text[:600] == b"".join(codes for codes, _ in bench.printed)
        late = [sent - done[n - HOLD] for n, (_, sent) in enumerate(bench.sent) if n >= HOLD]
        assert min(late) >= 0
        assert 4 * MS < max(late) <= 6 * MS

    play(scene, late=0.005, mechanism=dataclasses.replace(TEN, line_characters_per_second=on_the_line))


def test_the_typewriter_never_has_more_than_it_can_hold() -> None:
    text = b"HEIGHT 3.21\r\n\n  \x08\x08X\x07" * 20

    async def scene(bench: Bench) -> None:
        bench.type(text)
        await bench.wait(120)
        assert bench.paper == text
        done = [at for _, at in bench.printed]
        for n, (_, sent) in enumerate(bench.sent):
            assert sum(when > sent for when in done[:n]) < 2  # with the one sent: the one being struck, and the next

    play(scene)


def test_a_return_takes_the_time_of_its_way() -> None:
    async def scene(bench: Bench) -> None:
        bench.type(b"A" * 50 + b"\rB\rC")
        await bench.wait(30)
        done = [at for _, at in bench.printed]
        # source: arithmetic: 200 ms and 10 ms a column
        assert done[50] - done[49] == (200 + 50 * 10) * MS
        assert done[52] - done[51] == (200 + 1 * 10) * MS

    play(scene)


def test_a_lone_character_goes_at_once() -> None:
    async def scene(bench: Bench) -> None:
        await bench.wait(100)
        for _ in range(3):
            typed = bench.clock.now()
            bench.type(b"A")
            await bench.wait(5)
            assert bench.sent[-1] == (ord("A"), typed)
            # source: arithmetic: 1/30 s on the line, 1/10 s to print
            assert bench.printed[-1][1] - typed == pytest.approx(SECOND / 30 + SECOND / 10, abs=2)

    play(scene)


def test_credit_is_the_room_in_the_queue() -> None:
    async def scene(bench: Bench) -> None:
        assert bench.grants == [QUEUE]
        assert not bench.typewriter.type(b"A" * (QUEUE + 1))
        await bench.wait(5)
        assert not bench.sent
        assert bench.typewriter.type(b"A" * QUEUE)
        assert not bench.typewriter.type(b"A")
        await bench.wait(60)
        assert bench.paper == b"A" * QUEUE
        assert sum(bench.grants) == 2 * QUEUE
        assert len(bench.grants) < QUEUE  # not a message for each character
        assert bench.typewriter.type(b"A" * QUEUE)

    play(scene)


def test_a_new_core_gets_the_room_that_is_left_and_no_more() -> None:
    async def scene(bench: Bench) -> None:
        assert bench.typewriter.type(b"A" * 60)
        bench.typewriter.welcome()
        assert bench.grants == [QUEUE, QUEUE - 60]
        assert not bench.typewriter.type(b"B" * (QUEUE - 60 + 1))
        assert bench.typewriter.type(b"B" * (QUEUE - 60))
        bench.typewriter.welcome()
        assert bench.grants == [QUEUE, QUEUE - 60]
        await bench.wait(60)
        assert bench.paper == b"A" * 60 + b"B" * 4
        assert sum(bench.grants[2:]) == QUEUE

    play(scene)


def test_an_unplugged_typewriter_goes_on_when_it_is_back() -> None:
    text = bytes(range(0x21, 0x7F))

    async def scene(bench: Bench) -> None:
        bench.type(text)
        await bench.wait(3.05)
        sent = len(bench.sent)
        bench.cut()
        await bench.wait(300)
        assert bench.paper == text[:sent]
        assert [state.state for state in bench.states] == ["ready", "not-ready", "not-ready"]
        assert bench.states[1].words.startswith("no line to the typewriter (it was cut): check its cable")
        assert bench.now[1].startswith("no line to the typewriter (no such line): check its cable")
        bench.unplugged = False
        back = bench.clock.now()
        await bench.wait(30)
        assert back < bench.sent[sent][1] <= back + 4 * SECOND
        assert bench.paper == text
        assert bench.now == ("ready", "")
        assert len(bench.lines) == 2
        done = [at for _, at in bench.printed]
        assert all(b - a >= 100 * MS for a, b in itertools.pairwise(done))

    play(scene)


def test_an_idle_line_that_is_cut_is_noticed_at_once() -> None:
    async def scene(bench: Bench) -> None:
        await bench.wait(10)
        bench.cut()
        await bench.wait(0.01)
        assert bench.now[0] == "not-ready"

    play(scene)


def test_a_write_that_fails_loses_nothing() -> None:
    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        bench.lines[-1].cut = True
        bench.type(b"ABC")
        await bench.wait(0.01)
        assert bench.now[0] == "not-ready"
        await bench.wait(5)
        assert bench.paper == b"ABC"

    play(scene)


def test_opening_is_tried_less_and_less_often() -> None:
    tries: list[int] = []

    async def scene(bench: Bench) -> None:
        opening = bench.open

        def noting(received: Received, lost: Lost) -> MemoryLine:
            tries.append(bench.clock.now())
            return opening(received, lost)

        await bench.wait(1)
        bench.typewriter._open_line = noting
        for _ in range(2):
            tries.clear()
            bench.cut()
            await bench.wait(40)
            gaps = [(b - a) / SECOND for a, b in itertools.pairwise(tries)]
            assert gaps[:6] == [0.5, 1, 2, 4, 4, 4]
            bench.unplugged = False
            await bench.wait(5)
            assert bench.now[0] == "ready"

    play(scene)


def test_a_typewriter_that_holds_the_line() -> None:
    async def scene(bench: Bench) -> None:
        bench.type(b"ABCDE")
        await bench.wait(0.01)
        bench.held = True
        await bench.wait(4)
        assert bench.now == ("ready", "")
        await bench.wait(2)
        assert bench.now == ("check", "the typewriter takes no characters: is it switched on, and is there paper?")
        bench.held = False
        released = bench.clock.now()
        await bench.wait(2)
        assert bench.now == ("ready", "")
        assert bench.paper == b"ABCDE"
        assert bench.sent[HOLD][1] - released <= 20 * MS
        assert bench.printed[HOLD][1] - released >= 100 * MS
        await bench.wait(100)
        bench.held = True  # a new hold counts from its own beginning
        bench.type(b"F")
        await bench.wait(1)
        assert bench.now == ("ready", "")

    play(scene)


def test_the_keyboard_is_passed_on() -> None:
    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        bench.lines[-1].received(b"HELLO\r")
        assert bench.keys == [b"HELLO\r"]

    play(scene)


def test_at_pace_infinity_the_line_sets_the_pace() -> None:
    text = b"HEIGHT 3.21\r\n" * 100

    async def scene(bench: Bench) -> None:
        bench.takes = 3
        start = bench.clock.now()
        bench.type(text)
        while len(bench.sent) < len(text):
            await bench.clock.until(0)
        assert bench.clock.now() == start
        assert bench.paper == text == b"".join(codes for codes, _ in bench.printed)
        assert len(bench.printed) < len(text)  # some at a time

    play(scene, pace=math.inf)
