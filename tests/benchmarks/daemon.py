"""The daemon as the demo's console makes it work: how soon it is ready, what it takes, what its steps cost."""

import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np

from bridge.console import load
from bridge.daemon.assembly import assemble
from bridge.daemon.bus import Bus, BusThread, Job
from bridge.files import examples
from tests.benchmarks.harness import Figures, p50_us
from tests.benchmarks.lamps import cpu_seconds

SKERRY = examples() / "skerry.toml"
WATCHED = 3.0
"""Seconds for which the idle daemon's processor time is watched."""


def demo() -> Figures:
    """Each whole headless demo as fast as it goes, as a process, in seconds."""
    figures = {}
    for name, words in (("demo_seconds", []), ("double_pass_seconds", ["--double-pass"])):
        with tempfile.TemporaryDirectory() as out:
            command = [sys.executable, "-m", "bridge", "demo", *words, "--headless", "--pace", "max", "--out", out]
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            figures[name] = time.perf_counter() - start
    return figures


def daemon() -> Figures:
    """A rehearsed console from start to ready, its and its workers' memory, and its share of a core while idle.

    `ready_s` is a morning's, with the description as it was read the day before; `first_ready_s` the first time.
    """
    with tempfile.TemporaryDirectory() as state:
        first, *_ = _run(Path(state), 0)
        ready, rss, workers, share = _run(Path(state), WATCHED)
    return {
        "first_ready_s": first,
        "ready_s": ready,
        "rss_mb": rss,
        "workers_rss_mb": workers,
        "daemon_idle_cpu_percent": 100 * share,
    }


def _run(state: Path, seconds: float) -> tuple[float, float, float, float]:
    """Run a console; return when it was ready, what it and its workers hold, and its share of a core for a while."""
    words = ["run", str(SKERRY), "--rehearse", "--state", str(state)]
    start = time.perf_counter()
    with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while not process.stdout.readline().startswith("ready:"):
            pass
        ready = time.perf_counter() - start
        before, began = cpu_seconds(process.pid), time.perf_counter()
        time.sleep(seconds)
        share = (cpu_seconds(process.pid) - before) / (time.perf_counter() - began)
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
        rss, *workers = map(resident_mb, (process.pid, *map(int, children)))
        process.terminate()
        process.stdout.read()
    return ready, rss, sum(workers), share


def resident_mb(pid: int) -> float:
    """Return a process's resident memory, VmRSS: what it shares with others counts for each."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS")) / 1024


def wakes() -> Figures:
    """The share of a core that a bus takes which only wakes up, 250 times a second: the floor of the others."""
    bus = BusThread(Bus("empty", [Job(4_000_000, lambda _: None)]), print)
    before, began = time.process_time(), time.perf_counter()
    time.sleep(WATCHED)
    share = (time.process_time() - before) / (time.perf_counter() - began)
    bus.stop()
    bus.ended(10)
    return {"bare_wakes_250_percent": 100 * share}


def steps() -> Figures:
    """One lamp tick with every lamp changing, and one key scan, of the demo's console with its twins."""
    assembly = assemble(load(SKERRY), rehearse=True, report=lambda _: None, events=lambda _: None)
    (bus,) = assembly.buses
    (lamps,) = assembly.lamps
    scan = next(job.run for job in bus._jobs if job.run != lamps.run)
    count = len(lamps.lamps)
    frames = [np.full(count, on, np.uint64) for on in (3, 4)]
    bits = np.ones(count, np.bool_)
    figures: Figures = {}
    turn = iter(range(sys.maxsize))

    def tick() -> None:
        n = next(turn)
        lamps.add(5, frames[n % 2], bits)
        lamps.run(n * 5_000_000)

    figures["tick_us"] = p50_us(tick)
    figures["scan_us"] = p50_us(partial(scan, 0))
    assembly.close()
    return figures
