"""A real serial line: pyserial opens and sets it, the event loop owns its descriptor from then on.

pyserial's own `write` can spin for ever on a line that is held, so it is never called.
"""

import asyncio
import contextlib
import errno
import fcntl
import os
import sys
import termios
from dataclasses import dataclass
from typing import Literal

import serial

from bridge.typewriter.line import HOLD, Lost, Received

_READ = 256


@dataclass(frozen=True)
class SerialSettings:
    """Where the line is and how it is set; XON and XOFF from the typewriter are always obeyed."""

    device: str
    baud: int
    data_bits: Literal[7, 8]
    parity: Literal["none", "even", "odd"]
    stop_bits: Literal[1, 2]


class SerialLine:
    """An open line, a `bridge.typewriter.line.Line`. Raises OSError if it cannot be opened, set, or had for itself."""

    def __init__(self, settings: SerialSettings, received: Received, lost: Lost) -> None:
        self._port = _opened(settings)
        self._fd = self._port.fileno()
        self._received = received
        self._lost = lost
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._fd, self._readable)

    def write(self, data: bytes) -> int:
        """Send characters, unless the line still has HOLD that it could not send."""
        if _unsent(self._fd) >= HOLD:
            return 0
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """Close the line."""
        self._loop.remove_reader(self._fd)
        # Closing a line that is held waits for its last characters, half a minute by default. Some drivers of USB
        # adapters cannot throw them away: so the line is held no more, which sends them.
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._fd, termios.TCOFLUSH)
            self._port.xonxoff = False
        self._port.close()

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, _READ)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self._received(data)
        else:
            # A line that was cut is readable for ever.
            self._loop.remove_reader(self._fd)
            self._lost(OSError(errno.EIO, "it was cut"))


def _opened(settings: SerialSettings) -> serial.Serial:
    try:
        return serial.Serial(
            settings.device,
            settings.baud,
            settings.data_bits,
            settings.parity[0].upper(),
            settings.stop_bits,
            timeout=0,
            xonxoff=True,
            exclusive=True,
        )
    except serial.SerialException as error:
        # Its message is made for programmers, and names the device twice.
        code = error.errno or errno.ENOTTY
        reason = {
            errno.EAGAIN: "another program uses it",
            errno.ENOTTY: "it is not a serial line",
        }.get(code, os.strerror(code))
        raise OSError(code, f"{settings.device}: {reason}") from None


def _unsent(descriptor: int) -> int:
    """Return how many characters the kernel still has to send: a held line keeps them, and takes thousands more."""
    return int.from_bytes(fcntl.ioctl(descriptor, termios.TIOCOUTQ, bytes(4)), sys.byteorder)
