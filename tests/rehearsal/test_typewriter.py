import math
import os
from collections.abc import Callable, Coroutine
from typing import Any

from bridge.clock import SECOND, LoopClock
from bridge.rehearsal.typewriter import PAGE_LINES, RehearsedTypewriter
from bridge.typewriter.mechanism import Mechanism
from tests.virtual import run_virtually

# source: common practice, no source: 10 characters a second
TEN = Mechanism(10, 30, columns=10, return_ms=200, travel_ms=10)

Scene = Callable[[RehearsedTypewriter, LoopClock], Coroutine[Any, Any, None]]


def play(scene: Scene, pace: float = 1.0, late: float = 0.0) -> None:
    async def main() -> None:
        clock = LoopClock()
        twin = RehearsedTypewriter(clock, TEN, pace)
        try:
            await scene(twin, clock)
        finally:
            twin.close()

    run_virtually(main(), late=late)


async def wait(clock: LoopClock, seconds: float) -> None:
    await clock.until(clock.now() + round(seconds * SECOND))


def test_it_prints_at_its_own_speed() -> None:
    async def scene(twin: RehearsedTypewriter, clock: LoopClock) -> None:
        start = clock.now()
        twin.take(b"A\b" * 300)
        # source: arithmetic: 600 codes at 10 a second
        await clock.until(start + 60 * SECOND - SECOND // 20)
        assert len(twin.strikes()[0][0]) == 300
        assert len(twin._held) == 1
        await clock.until(start + 60 * SECOND + SECOND // 100)
        assert not twin._held
        assert twin.most_held == 600
        twin.take(b"A\rB")
        await wait(clock, 0.3 + 0.1)
        assert twin.page() == ["A"]
        await wait(clock, 0.02)
        assert twin.page() == ["B"]

    play(scene, late=0.005)


def test_pace_hurries_it() -> None:
    async def scene(twin: RehearsedTypewriter, clock: LoopClock) -> None:
        twin.take(b"A" * 8)
        await wait(clock, 0.0999)
        assert twin.page() == ["A" * 7]
        await wait(clock, 0.0002)
        assert twin.page() == ["A" * 8]

    play(scene, pace=8)


def test_the_page_is_what_was_struck_where() -> None:
    async def scene(twin: RehearsedTypewriter, _: LoopClock) -> None:
        twin.take(b"O\b/ X  \b\b\b \n \r\nABC\rD\x07\x1b\x00\nE")
        assert twin.page() == ["/ X", "", "DBC", " E"]
        assert twin.strikes()[0] == ["O/", " ", "X ", " ", " "]
        assert twin.strikes()[2] == ["AD", "B", "C"]
        assert twin.bells == 1

    play(scene, pace=math.inf)


def test_characters_pile_up_at_the_right_margin() -> None:
    async def scene(twin: RehearsedTypewriter, _: LoopClock) -> None:
        twin.take(b"ABCDEFGHIJKLM\n")
        assert twin.page() == ["ABCDEFGHIM"]
        assert twin.strikes()[0][-1] == "JKLM"

    play(scene, pace=math.inf)


def test_the_page_is_bounded() -> None:
    async def scene(twin: RehearsedTypewriter, _: LoopClock) -> None:
        twin.take(b"".join(b"%d\r\n" % n for n in range(PAGE_LINES + 5)))
        page = twin.page()
        assert page[0] == "6"
        assert page[-1] == str(PAGE_LINES + 4)

    play(scene, pace=math.inf)


def test_at_the_line() -> None:
    async def scene(twin: RehearsedTypewriter, clock: LoopClock) -> None:
        line = os.open(twin.path, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(line, b"\x00\r\n\x13\xffHELLO\n")
            while len(twin.page()) < 2:
                await clock.until(0)
            assert twin.page() == ["", "HELLO"]
            twin.press(b"\r\x03\n")
            assert os.read(line, 10) == b"\r\x03\n"
        finally:
            os.close(line)
        twin.unplug()
        twin.unplug()
        twin.press(b"nobody")
        twin.plug()
        twin.plug()
        assert os.path.exists(twin.path)  # noqa: PTH110

    play(scene, pace=math.inf)


def test_it_takes_characters_no_faster_than_the_line_carries_them() -> None:
    async def scene(twin: RehearsedTypewriter, clock: LoopClock) -> None:
        came: list[int] = []
        take = twin.take

        def noting(codes: bytes) -> None:
            came.extend(clock.now() for _ in codes)
            take(codes)

        twin.take = noting  # type: ignore[method-assign]
        line = os.open(twin.path, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(line, b"A" * 61)
        finally:
            os.close(line)
        while len(came) < 61:
            await wait(clock, 0.01)
        # source: arithmetic: 30 characters a second, after one to begin with
        assert (came[60] - came[0]) / SECOND >= 59 / 30 - 1e-6

    play(scene)
