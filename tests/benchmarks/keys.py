"""From a contact of the twin to the event at the core's socket, in a running daemon."""

import json
import random
import select
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bridge.files import examples
from bridge.links.messages import Decoder, Hello, Key, encode
from tests.benchmarks.harness import Figures

KEYS = ("W.5", "W.3", "W.0")
THROWS = 400
REST = 0.03
"""Seconds between throws on average: longer than it takes a key to settle."""
BAR = "█"


def key_to_core() -> Figures:
    """A clean edge at a random moment, read 250 times a second, told after 10 ms of rest; prints the histogram."""
    with tempfile.TemporaryDirectory() as folder:
        panel = Path(folder) / "panel.toml"
        text = (examples() / "first-panel.toml").read_text(encoding="utf-8")
        panel.write_text(text + "\n[scan]\nrate_hz = 250\nsettle_ms = 10\n", encoding="utf-8")
        words = ["run", str(panel), "--rehearse", "--state", folder]
        with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as daemon:
            assert daemon.stdout is not None
            while not daemon.stdout.readline().startswith("ready:"):
                pass
            with socket.socket(socket.AF_UNIX) as core, socket.socket(socket.AF_UNIX) as hand:
                core.connect(f"{folder}/core.sock")
                hand.connect(f"{folder}/rehearsal.sock")
                times = sorted(_throws(core, hand))
            daemon.terminate()
            daemon.stdout.read()
    _histogram(times)
    return {"key_to_core_p50_ms": times[len(times) // 2], "key_to_core_p99_ms": times[len(times) * 99 // 100]}


def _throws(core: socket.socket, hand: socket.socket) -> list[float]:
    """Return the milliseconds from each answer of the hand, which comes when the contact has moved, to the core's."""
    core.sendall(encode(Hello(1, 1, 1, 1e6, "hands", (), KEYS)))
    rng = random.Random(250)
    decoder, times, closed = Decoder(), [], False
    for throw in range(THROWS):
        time.sleep(rng.uniform(0.5 * REST, 1.5 * REST))
        if throw % len(KEYS) == 0:
            closed = not closed
        request = {"do": "throw", "key": KEYS[throw % len(KEYS)], "closed": closed, "bounces": False}
        before = time.perf_counter()
        hand.sendall(json.dumps(request).encode() + b"\n")
        hand.recv(1 << 16)
        while select.select([core], [], [], 1)[0]:
            if any(isinstance(message, Key) for message in decoder.feed(core.recv(1 << 16))):
                times.append((time.perf_counter() - before) * 1000)
                break
    return times


def _histogram(times: list[float]) -> None:
    for ms in range(int(times[0]), int(times[-1]) + 1):
        count = sum(int(one) == ms for one in times)
        print(f"  {ms:>3} ms {count:>4} {BAR * (count * 60 // len(times))}")
