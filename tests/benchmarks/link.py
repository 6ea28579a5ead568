"""The core link of a running daemon: how long an answer takes while a thousand frames a second come in."""

import select
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bridge.files import examples
from bridge.links.messages import CardRead, Decoder, Hello, Lamps, OwnTime, Read, encode
from tests.benchmarks.harness import Figures

LAMPS = 256
FRAMES_A_SECOND = 1000
ASKED_EVERY = 5
"""Frames: one READ, answered by a CARD at once, since the core keeps its own time."""
SECONDS = 6
CARDS = FRAMES_A_SECOND * SECONDS // ASKED_EVERY


def link() -> Figures:
    """READ to CARD as the core sees it, at 1,000 frames of 256 lamps a second, beside the demo console's own work."""
    with tempfile.TemporaryDirectory() as folder:
        state = Path(folder)
        (state / "reader").mkdir()
        (state / "reader" / "long.deck").write_text("A CARD\n" * (CARDS + 1))
        words = ["run", str(examples() / "skerry.toml"), "--rehearse", "--state", folder]
        with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as daemon:
            assert daemon.stdout is not None
            for line in daemon.stdout:
                if line.startswith("reader: ready"):
                    break
            with socket.socket(socket.AF_UNIX) as core:
                core.connect(str(state / "core.sock"))
                times = sorted(_round_trips(core))
            daemon.terminate()
            daemon.stdout.read()
    return {"link_rtt_p50_ms": times[len(times) // 2] * 1000, "link_rtt_p99_ms": times[len(times) * 99 // 100] * 1000}


def _round_trips(core: socket.socket) -> list[float]:
    names = tuple(f"A.{n}" for n in range(LAMPS))
    core.sendall(encode(Hello(1, 1, 1, 1e6, "busy", names, ())) + encode(OwnTime()))
    frames = [encode(Lamps(1000, bytes([n] * 32), bytes([n, n // 2, 0, 0] * LAMPS))) for n in range(2)]
    decoder, asked, times = Decoder(), 0.0, []
    start = time.perf_counter()
    for n in range(FRAMES_A_SECOND * SECONDS):
        core.sendall(frames[n % 2])
        if n % ASKED_EVERY == 0 and not asked:
            asked = time.perf_counter()
            core.sendall(encode(Read()))
        due = start + n / FRAMES_A_SECOND
        while (left := due - time.perf_counter()) > 0:
            if not select.select([core], [], [], left)[0]:
                break
            for message in decoder.feed(core.recv(1 << 16)):
                if isinstance(message, CardRead):
                    times.append(time.perf_counter() - asked)
                    asked = 0.0
    return times
