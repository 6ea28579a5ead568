"""How the daemon ends: a thread hears the signals and sees to it, so that nothing else that hangs can prevent it."""

import asyncio
import contextlib
import os
import signal
import socket
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Self

from bridge.daemon.journal import FAULT, leveled

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""SIGHUP too: a lost terminal is the usual end on a bench, and no reason to stay lit."""
LIMIT = 2.0
"""Seconds the daemon has to end by itself."""
DARKEN = 0.5
"""Seconds more that are given to darkening the lamps."""


class Ending:
    """From entering to leaving it, a signal or `begin` begins the end of the daemon; a second one changes nothing.

    LIMIT later the lamps are darkened, as far as that is possible, and the process ends, whatever hangs. `darken` does
    the one and `hanging` tells, in words, what is in the way; both are called on another thread.
    """

    def __init__(self) -> None:
        self.darken: Callable[[], object] = lambda: None
        self.hanging: Callable[[], str] = lambda: ""
        self._begun = threading.Event()
        self._over = threading.Event()
        self._told: Callable[[], object] = lambda: None
        # What Python does at a signal waits for the main thread; a byte in a socket does not.
        self._hear, self._call = socket.socketpair()
        self._call.setblocking(False)
        self._thread = threading.Thread(target=self._watch, name="the end", daemon=True)

    def __enter__(self) -> Self:
        self._before = [signal.signal(number, lambda *_: None) for number in SIGNALS]
        self._wakeup = signal.set_wakeup_fd(self._call.fileno(), warn_on_full_buffer=False)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self.begin()
        self._thread.join()
        signal.set_wakeup_fd(self._wakeup)
        for number, before in zip(SIGNALS, self._before, strict=True):
            signal.signal(number, before)
        self._hear.close()
        self._call.close()

    def begin(self) -> None:
        """Begin the end, though no signal came."""
        with contextlib.suppress(BlockingIOError):
            self._call.send(b"\0")

    async def begun(self) -> None:
        """Return when the end has begun."""
        loop, came = asyncio.get_running_loop(), asyncio.Event()
        self._told = lambda: loop.call_soon_threadsafe(came.set)
        if not self._begun.is_set():
            await came.wait()

    def _watch(self) -> None:
        self._hear.recv(1)
        self._begun.set()
        with contextlib.suppress(RuntimeError):  # the loop may be over
            self._told()
        if not self._over.wait(LIMIT):
            self._leave()

    def _leave(self) -> None:
        darkening = threading.Thread(target=self.darken, name="the lamps' end", daemon=True)
        darkening.start()
        darkening.join(DARKEN)
        lamps = ", and lamps may be lit" if darkening.is_alive() else ""
        words = f"stopping: not ended within {LIMIT:g} s, {_place()}; left hanging: {self.hanging()}{lamps}"
        with contextlib.suppress(OSError):
            os.write(sys.stdout.fileno(), f"{leveled(words, FAULT, sys.stdout)}\n".encode())
        os._exit(1)


def _place() -> str:
    """Return where in the program the main thread is."""
    frame = sys._current_frames()[threading.main_thread().ident or 0]  # noqa: SLF001 -- documented, if for debugging
    top = traceback.extract_stack(frame)[-1]
    return f"at {Path(top.filename).name}:{top.lineno}"
