"""Over a real pseudo-terminal, in real time, waiting for what happens and for nothing else.

A pseudo-terminal has no speed and no parity: those are set on it, and cannot be seen.
"""

import asyncio
import contextlib
import errno
import fcntl
import math
import os
import pty
import termios
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from bridge.clock import LoopClock
from bridge.rehearsal.typewriter import RehearsedTypewriter
from bridge.report import DeviceState
from bridge.typewriter.line import HOLD, Lost, Received, Typewriter
from bridge.typewriter.mechanism import Mechanism
from bridge.typewriter.serial_line import SerialLine, SerialSettings

# source: ISO 646: DC1 is XON, DC3 is XOFF
XON, XOFF = b"\x11", b"\x13"
FAST = Mechanism(1000, 1000, columns=80, return_ms=0, travel_ms=0)


def settings(device: str) -> SerialSettings:
    return SerialSettings(device, baud=300, data_bits=7, parity="even", stop_bits=1)


class Far:
    """The far end of a pseudo-terminal, and a line opened at the near one."""

    def __init__(self) -> None:
        self.end, self.near = pty.openpty()
        tty.setraw(self.near)
        self.path = os.ttyname(self.near)
        self.received = bytearray()
        self.lost: list[OSError] = []
        self.news = asyncio.Event()
        self.line = SerialLine(settings(self.path), self.receive, self.lose)

    def receive(self, data: bytes) -> None:
        self.received += data
        self.news.set()

    def lose(self, error: OSError) -> None:
        self.lost.append(error)
        self.news.set()

    async def see(self, condition: Callable[[], object]) -> None:
        async with asyncio.timeout(10):
            while not condition():
                self.news.clear()
                await self.news.wait()

    def close(self) -> None:
        for end in (self.end, self.near):
            with contextlib.suppress(OSError):
                os.close(end)


@contextlib.asynccontextmanager
async def far() -> AsyncIterator[Far]:
    end = Far()
    try:
        yield end
    finally:
        end.line.close()
        end.close()


def test_bytes_go_both_ways_unchanged() -> None:
    codes = bytes(sorted(set(range(128)) - {*XON, *XOFF}))

    async def main() -> None:
        async with far() as end:
            assert end.line.write(codes) == len(codes)
            assert os.read(end.end, 200) == codes
            os.write(end.end, codes)
            await end.see(lambda: len(end.received) == len(codes))
            assert end.received == codes

    asyncio.run(main())


def test_a_held_line_takes_nothing_and_closes_at_once() -> None:
    async def main() -> None:
        async with far() as end:
            os.write(end.end, XOFF + b"k")
            await end.see(lambda: end.received)
            assert end.line.write(b"A") == 0
            os.write(end.end, XON + b"k")
            await end.see(lambda: len(end.received) == 2)
            assert end.line.write(b"A") == 1
            assert bytes(end.received) == b"kk"

    asyncio.run(main())


def test_characters_that_the_kernel_cannot_send_count_as_held(monkeypatch: pytest.MonkeyPatch) -> None:
    # A real port swallows thousands of characters while it is held; only the count of unsent ones tells.
    unsent = HOLD

    def ioctl(descriptor: int, request: int, argument: bytes) -> bytes:
        assert request == termios.TIOCOUTQ
        return unsent.to_bytes(4, "little")

    async def main() -> None:
        nonlocal unsent
        async with far() as end:
            with monkeypatch.context() as patch:
                patch.setattr(fcntl, "ioctl", ioctl)
                assert end.line.write(b"A") == 0
                unsent = HOLD - 1
                assert end.line.write(b"A") == 1

    asyncio.run(main())


def test_a_cut_line_is_told_once() -> None:
    async def main() -> None:
        async with far() as end:
            end.close()
            await end.see(lambda: end.lost)
            for _ in range(10):
                await asyncio.sleep(0)
            assert [error.strerror for error in end.lost] == ["it was cut"]
            with pytest.raises(OSError, match=r"."):
                end.line.write(b"A")

    asyncio.run(main())


def test_a_line_that_fails_is_cut_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(descriptor: int, length: int) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    async def main() -> None:
        async with far() as end:
            with monkeypatch.context() as patch:
                patch.setattr(os, "read", fail)
                os.write(end.end, b"k")
                await end.see(lambda: end.lost)
            assert [error.strerror for error in end.lost] == ["it was cut"]

    asyncio.run(main())


def test_a_line_that_cannot_be_had_says_why(tmp_path: Path) -> None:
    def reason(device: str) -> str:
        with pytest.raises(OSError, match=device) as caught:
            SerialLine(settings(device), lambda _: None, lambda _: None)
        assert caught.value.errno
        return str(caught.value.strerror)

    async def main() -> None:
        no_line = tmp_path / "file"
        no_line.touch()
        assert reason(f"{tmp_path}/none") == f"{tmp_path}/none: {os.strerror(errno.ENOENT)}"
        assert reason(str(no_line)) == f"{no_line}: it is not a serial line"
        async with far() as end:
            assert reason(end.path) == f"{end.path}: another program uses it"

    asyncio.run(main())


def test_a_typewriter_is_typed_on_unplugged_and_typed_on() -> None:
    first, second = b"HEIGHT 3.21\r\nHEIGHT 4.05\r\n", b"LOW WATER\r\n"

    async def main() -> None:
        clock = LoopClock()
        states: list[DeviceState] = []
        keys: list[bytes] = []
        twin = RehearsedTypewriter(clock, FAST, math.inf)

        def open_line(received: Received, lost: Lost) -> SerialLine:
            return SerialLine(settings(twin.path), received, lost)

        async def see(condition: Callable[[], object]) -> None:
            async with asyncio.timeout(10):
                while not condition():
                    await clock.until(0)

        typewriter = Typewriter(
            *(clock, FAST, 1.0, open_line),
            *(lambda _: None, keys.append, lambda *_: None, states.append),
        )
        task = asyncio.create_task(typewriter.run())
        try:
            typewriter.welcome()
            assert typewriter.type(first)
            await see(lambda: len(twin.strikes()) == 3)  # all of it, the last LF too
            assert twin.page() == ["HEIGHT 3.21", "HEIGHT 4.05"]
            twin.press(b"HELLO")
            await see(lambda: b"".join(keys) == b"HELLO")
            twin.unplug()
            await see(lambda: states[-1].state == "not-ready")
            assert typewriter.type(second)
            twin.plug()
            await see(lambda: len(twin.strikes()) == 4)
            assert twin.page() == ["HEIGHT 3.21", "HEIGHT 4.05", "LOW WATER"]
            assert [state.state for state in states] == ["ready", "not-ready", "ready"]
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            twin.close()

    asyncio.run(main())
