"""What sticks that mean harm do to the buses: nothing, since they are read in another process."""

import asyncio
import os
import tempfile
from pathlib import Path

import numpy as np

from bridge.cards.hopper import look
from bridge.daemon.bus import Bus, BusThread, Job
from bridge.sticks.worker import Worker
from tests.benchmarks.harness import Figures

WATCHED = 4.0
FILES, CARDS = 10_001, 50_000


def sticks() -> Figures:
    """The 99th percentile of a bus's lateness while hostile sticks are read, over the same while none is."""
    with tempfile.TemporaryDirectory() as folder:
        hostile = [Path(folder, name) for name in ("files", "cards", "line")]
        for stick in hostile:
            stick.mkdir()
        for n in range(FILES):
            os.close(os.open(hostile[0] / f"{n}.deck", os.O_CREAT | os.O_WRONLY))
        (hostile[1] / "a.deck").write_text(("X" * 80 + "\n") * CARDS)
        (hostile[2] / "a.deck").write_text("X" * 20_000_000)
        quiet = asyncio.run(_lateness([]))
        return {"hostile_stick_lateness_p99_ratio": asyncio.run(_lateness(hostile)) / quiet}


async def _lateness(hostile: list[Path]) -> float:
    bus = Bus("empty", [Job(4_000_000, lambda _: None)])
    worker = Worker(patience=60.0)
    await worker(look, Path("/nowhere"))
    running = BusThread(bus, print)
    end = asyncio.get_running_loop().time() + WATCHED
    while asyncio.get_running_loop().time() < end:
        if not hostile:
            await asyncio.sleep(0.1)
        for stick in hostile:
            await worker(look, stick)
    running.stop()
    running.ended(10)
    await worker.close()
    return float(np.percentile(bus.late, 99))
