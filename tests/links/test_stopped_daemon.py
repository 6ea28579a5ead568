"""A daemon that is stopped for ten seconds of a C core's time: nothing is lost, and the core never waits for it."""

import ctypes
import json
import os
import resource
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.files import examples
from bridge.kit.trace.record import record_of
from bridge.links.messages import Key, Lamps
from tests.links.test_clients import LAMPS, Card, Core

STOPPED_FOR = 10_000
"""Milliseconds of the core's own time; the daemon is stopped as long as the core takes to live through them."""
TURNS = 5_000
"""Of waiting for something to come, at most so many."""


class Ends:
    """The sockets a console is watched and worked through, read without waiting."""

    def __init__(self, folder: Path) -> None:
        self.lines: dict[str, list[dict[str, Any]]] = {}
        self._sockets = {}
        self._pending = {}
        for name in ("observer", "rehearsal"):
            self._sockets[name] = socket.socket(socket.AF_UNIX)
            self._sockets[name].connect(str(folder / f"{name}.sock"))
            self._sockets[name].setblocking(False)
            self._pending[name] = b""
            self.lines[name] = []
        self.say("observer", also=["core"])

    def say(self, name: str, **words: Any) -> None:
        self._sockets[name].sendall(json.dumps(words).encode() + b"\n")

    def read(self) -> None:
        for name, end in self._sockets.items():
            try:
                while data := end.recv(1 << 16):
                    *lines, self._pending[name] = (self._pending[name] + data).split(b"\n")
                    self.lines[name] += [json.loads(line) for line in lines]
            except BlockingIOError:
                pass

    def crossed(self) -> list[Any]:
        return [record_of(line).message for line in self.lines["observer"] if line["topic"] == "core"]

    def close(self) -> None:
        for end in self._sockets.values():
            end.close()


@contextmanager
def running(folder: Path) -> Iterator["subprocess.Popen[str]"]:
    words = ["run", str(examples() / "skerry.toml"), "--rehearse", "--pace", "max", "--state", str(folder)]
    with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as daemon:
        try:
            assert daemon.stdout is not None
            while not daemon.stdout.readline().startswith("ready:"):
                assert daemon.poll() is None
            yield daemon
        finally:
            daemon.send_signal(signal.SIGCONT)
            daemon.terminate()
            daemon.communicate()


def waits() -> int:
    """Return how often this thread has given up the processor to wait; being pushed aside does not count."""
    return resource.getrusage(resource.RUSAGE_THREAD).ru_nvcsw


def until(core: Core, ends: Ends, true: Callable[[], bool]) -> None:
    """Serve the core until `true()`."""
    for _ in range(TURNS):
        core.poll(10)
        ends.read()
        if true():
            return
        select.select([core.descriptor()], [], [], 0.01)
    pytest.fail("what was waited for did not come")


@pytest.mark.timeout(120)
def test_nothing_is_lost_and_the_core_never_waits(library: ctypes.CDLL) -> None:
    with tempfile.TemporaryDirectory(prefix="cw-", dir="/tmp") as name:
        folder = Path(name)
        (folder / "reader").mkdir()
        (folder / "reader" / "three.deck").write_text("ONE\nTWO\nTHREE\n")
        with running(folder) as daemon:
            ends = Ends(folder)
            core = Core(library, str(folder / "core.sock"))
            try:
                live_through(daemon, core, ends)
            finally:
                core.close()
                ends.close()


def live_through(daemon: "subprocess.Popen[str]", core: Core, ends: Ends) -> None:
    card, blank = Card(), (ctypes.c_uint16 * 80)()
    until(core, ends, lambda: core.device_state(b"reader") == b"ready" and core.type(b"-", 1) == 1)
    os.kill(daemon.pid, signal.SIGSTOP)
    os.waitid(os.P_PID, daemon.pid, os.WSTOPPED | os.WNOWAIT)
    ends.say("rehearsal", do="throw", key="START", closed=True)
    core.read()
    assert core.punch(blank) == 1
    typed = core.type(b"TIDES", 5)
    naive, before = np.zeros(len(LAMPS), np.int64), waits()
    ticks = 0
    for n in range(STOPPED_FOR):
        lit, length = n * 0x9E3779B97F4A7C15 & (1 << len(LAMPS)) - 1, 1 + n % 7
        core.shine(lit, length)
        core.poll(1)
        ticks += length
        naive += np.array([lit >> lamp & 1 for lamp in range(len(LAMPS))]) * length
    # source: getrusage(2): a call that blocks gives up the processor of its own will, and is counted.
    assert waits() - before == 0
    assert not core.punched()
    os.kill(daemon.pid, signal.SIGCONT)

    def came() -> bool:
        frames = [message for message in ends.crossed() if isinstance(message, Lamps)]
        return sum(frame.elapsed for frame in frames) >= ticks and bool(core.punched()) and bool(core.key(0))

    until(core, ends, came)
    until(core, ends, lambda: bool(core.card_came(ctypes.byref(card))))
    assert card.number == 1
    frames = [message for message in ends.crossed() if isinstance(message, Lamps) and message.elapsed]
    # source: arithmetic: the naive count adds each cycle's ticks to each lamp that is lit.
    assert sum(frame.elapsed for frame in frames) == ticks
    on_time = np.array([np.frombuffer(frame.on_time, "<u4") for frame in frames], np.int64).sum(axis=0)
    assert on_time.tolist() == naive.tolist()
    assert [(key.key, key.closed) for key in ends.crossed() if isinstance(key, Key)] == [(0, 1)]
    rest = b"TIDES"[typed:]
    while rest:
        until(core, ends, lambda: True)
        rest = rest[core.type(rest, len(rest)) :]

    def printed() -> bool:
        ends.say("rehearsal", do="page")
        return any(line.get("page") == ["-TIDES"] for line in ends.lines["rehearsal"])

    until(core, ends, printed)
