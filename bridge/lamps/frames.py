"""Where the core's lamp frames wait for the bus: what arrives while the bus is late is summed, never dropped."""

import threading
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.uint32] | npt.NDArray[np.uint64]
Bits = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Frame:
    """How long each lamp was lit (`on_time`, ticks) in `elapsed` ticks, and how the lamps stand now (`bits`)."""

    elapsed: int
    on_time: Counts
    bits: Bits


class FrameSlot:
    """The one place where link and bus meet: `add` on one thread, `take` on another."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._frame: Frame | None = None

    def add(self, frame: Frame) -> None:
        """Sum a frame onto what is waiting."""
        with self._lock:
            waiting = self._frame
            if waiting is not None:
                total = np.add(waiting.on_time, frame.on_time, dtype=np.uint64)
                frame = Frame(waiting.elapsed + frame.elapsed, total, frame.bits)
            self._frame = frame

    def take(self) -> Frame | None:
        """Return the sum of what has come since the last call, or None."""
        with self._lock:
            frame, self._frame = self._frame, None
        return frame
