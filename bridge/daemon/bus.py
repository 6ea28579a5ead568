"""One physical bus: jobs done on absolute deadlines, and a record of how late they were."""

import contextlib
import ctypes
import gc
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bridge.clock import SECOND

PRIORITY = 10
"""Real-time priority asked for (SCHED_FIFO); a service grants it with LimitRTPRIO."""
SWITCH = 0.0005
"""Seconds after which another thread may have the interpreter: its default of 5 ms would delay every scan."""
REMEMBERED = 2048


@dataclass
class Job:
    """Something a bus does every `period` nanoseconds; `run` is given the time it really is.

    A job with `slack` may be done so much earlier or later, together with another: waking up costs more than most jobs.
    """

    period: int
    run: Callable[[int], None]
    slack: int = 0
    due: int = 0


class Bus:
    """The jobs of one bus. Pure but for its jobs: whoever calls `step` owns the clock."""

    def __init__(self, name: str, jobs: list[Job]) -> None:
        self.name = name
        self._jobs = jobs
        self.late: deque[int] = deque(maxlen=REMEMBERED)
        """Nanoseconds each of the last steps came after its deadline."""
        self.stepped = 0
        """When the last step was begun, of those that have ended: it stands still while the bus hangs in one."""

    def start(self, now: int) -> int:
        """Set the first deadlines and return them as the moment for the first step."""
        self.stepped = now
        for job in self._jobs:
            job.due = now
        return now

    def step(self, now: int) -> int:
        """Do what is due and return the next deadline; what is late by whole periods is skipped, not made up for."""
        for job in self._jobs:
            if job.due - job.slack <= now:
                late = max(0, now - job.due)
                self.late.append(late)
                job.due += job.period * (1 + late // job.period)
                job.run(now)
        self.stepped = now
        return min(job.due + job.slack for job in self._jobs)


class Running(Protocol):
    """A bus that is being stepped."""

    def stop(self) -> None:
        """Begin no further step."""

    def ended(self, within: float) -> bool:
        """Wait so many seconds for the end of the last step; return whether it is over."""


RunBus = Callable[[Bus, Callable[[BaseException], None]], Running]
"""Starts stepping a bus; the callback is told, on any thread, what ended it."""


class BusThread:
    """Steps a bus on a thread of its own, in real time."""

    def __init__(self, bus: Bus, failed: Callable[[BaseException], None]) -> None:
        self._bus = bus
        self._failed = failed
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bus {bus.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Begin no further step."""
        self._stopping.set()

    def ended(self, within: float) -> bool:
        """Wait so many seconds for the end of the last step; return whether it is over."""
        self._thread.join(within)
        return not self._thread.is_alive()

    def _run(self) -> None:
        with contextlib.suppress(PermissionError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        try:
            deadline = self._bus.start(time.monotonic_ns())
            while not self._stopping.is_set():
                time.sleep(max(0, deadline - time.monotonic_ns()) / SECOND)
                deadline = self._bus.step(time.monotonic_ns())
        except Exception as error:  # noqa: BLE001 -- whatever ended the thread is the supervisor's to report
            self._failed(error)


def settle_interpreter() -> None:
    """Ready the interpreter for bus threads: quick switches, and no garbage collection of what lives for ever.

    What the start has taken and freed, twelve megabytes for a console of filaments, goes back to the system: the C
    library would keep it. One that has no malloc_trim(3) keeps it.
    """
    sys.setswitchinterval(SWITCH)
    gc.collect()
    with contextlib.suppress(AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
    gc.freeze()
