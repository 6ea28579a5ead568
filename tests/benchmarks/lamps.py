"""The lamps: what a tick of filaments costs, against the usual way of dimming lamps, and the whole daemon at work."""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from gpiozero import PWMLED
from gpiozero.pins.mock import MockFactory, MockPWMPin

from bridge.budget.flicker import dither_fineness
from bridge.daemon.assembly import assemble
from bridge.daemon.chains import LampJob
from bridge.lamps.drive import LampDrive
from bridge.lamps.filament import resolve
from bridge.lamps.flash import FlashLimit
from bridge.lamps.frames import Frame
from bridge.lamps.models import LampModels
from bridge.lamps.output import Output
from bridge.links.client import CoreClient
from bridge.parts.tlc5947 import encode
from tests.benchmarks.harness import Figures, p50_us
from tests.daemon.panels import big_console

FRAME = 5_000_000
WATCHED = 5.0


def lamps() -> Figures:
    """256 filament lamps: from a frame to the bytes for the chain, and a whole tick with twin; growth to 2,048.

    The machine is busy: in each of its cycles every lamp is lit or not, at random. `lamp_storm` is the worst case, the
    flash limit's: every lamp wants any light at every frame.
    """
    compute = p50_us(_compute(256, busy))
    with tempfile.TemporaryDirectory() as folder:
        assembly = assemble(big_console(Path(folder)), rehearse=True, report=lambda _: None, events=lambda _: None)
        (job,) = assembly.lamps
        tick = p50_us(_tick(job, busy))
        assembly.close()
    pwmled = _pwmleds(256)
    return {
        "lamp_compute_256_us": compute,
        "lamp_tick_256_us": tick,
        "lamp_storm_256_us": p50_us(_compute(256, storm)),
        "pwmled_256_us": pwmled,
        "lamp_vs_pwmled": pwmled / tick,
        "lamp_growth_2048": p50_us(_compute(2048, busy)) / compute / 8,
    }


CYCLES = 100
"""Machine cycles in a frame of 10 ms."""
Counts = npt.NDArray[np.uint64]
Machine = Callable[[np.random.Generator, int], Counts]
"""Makes the on-times of so many lamps in a frame."""


def busy(rng: np.random.Generator, lamps: int) -> Counts:
    return rng.binomial(CYCLES, 0.5, lamps).astype(np.uint64)


def storm(rng: np.random.Generator, lamps: int) -> Counts:
    return rng.integers(0, CYCLES + 1, lamps).astype(np.uint64)


def _compute(count: int, machine: Machine) -> "partial[bytes]":
    """Return the work from a frame to bytes for so many lamps, none of them at rest."""
    kind = resolve(12.0, 0.08, 2300, rise_ms=60)
    output = Output(np.ones(count, np.float32), dither_fineness(200))
    drive = LampDrive(LampModels([kind], np.zeros(count, np.intp)), output, FlashLimit([count]).shares[0])
    no = np.zeros(count, np.bool_)
    channels = np.zeros(-(-count // 24) * 24, np.uint16)
    rng = np.random.default_rng(1)
    # Half of the steps bring a frame: a core sends a hundred a second, the lamps are written two hundred times.
    frames = [Frame(CYCLES, machine(rng, count), no) if n % 2 else None for n in range(64)]
    turn = iter(range(sys.maxsize))

    def work() -> bytes:
        n = next(turn)
        channels[:count] = drive.step(n * FRAME, frames[n % 64])
        return encode(channels)

    return partial(work)


def _tick(job: LampJob, machine: Machine) -> "partial[None]":
    count = len(job.lamps)
    rng = np.random.default_rng(1)
    counts = [machine(rng, count) for _ in range(32)]
    bits = np.ones(count, np.bool_)
    turn = iter(range(sys.maxsize))

    def tick() -> None:
        n = next(turn)
        if n % 2:
            job.add(CYCLES, counts[n // 2 % 32], bits)
        job.run(n * FRAME)

    return partial(tick)


def _pwmleds(count: int) -> float:
    """Return the microseconds it takes to set so many PWMLED values of gpiozero on its own mock pins."""
    factory = MockFactory(pin_class=MockPWMPin)
    led = PWMLED(4, pin_factory=factory)
    values = [n % 100 / 100 for n in range(count)]

    def work() -> None:
        for value in values:
            led.value = value

    try:
        return p50_us(work, runs=200)
    finally:
        led.close()
        factory.close()


def daemon_at_work() -> Figures:
    """The share of a core that a daemon takes with 256 filament lamps at 200 Hz, 128 keys at 250 Hz and a busy core."""
    with tempfile.TemporaryDirectory() as folder:
        console = big_console(Path(folder))
        state = Path(folder) / "state"
        words = ["run", str(console.path), "--rehearse", "--state", str(state)]
        with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            while not process.stdout.readline().startswith("ready:"):
                pass
            core = CoreClient(
                str(state / "core.sock"), "busy", [lamp.name for lamp in console.lamps], [], ticks_per_second=1e4
            )
            rng = np.random.default_rng(1)
            words_shown = [int.from_bytes(rng.bytes(32), "little") for _ in range(256)]
            before, began, n = 0.0, 0.0, 0
            while not began or time.perf_counter() - began < WATCHED:
                n += 1
                for lit in words_shown[n % 200 : n % 200 + 50]:
                    core.cycle(lit, 2)
                core.poll(time.monotonic_ns())
                time.sleep(0.01)
                if n == 50:
                    before, began = cpu_seconds(process.pid), time.perf_counter()
            share = (cpu_seconds(process.pid) - before) / (time.perf_counter() - began)
            core.close()
            process.terminate()
            process.stdout.read()
    return {"daemon_cpu_percent": 100 * share}


def cpu_seconds(pid: int) -> float:
    """Return the seconds of processor time a process has used, as its scheduler counts them, not by sampling."""
    total = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        total += int((task / "schedstat").read_text(encoding="ascii").split()[0])
    return total / 1e9
