"""Counting how long each lamp was lit, many lamps at once.

The counters lie in bit planes: plane k holds bit k of every lamp's count in one whole number, so adding lamp words is
done for all lamps together, and costs the same for ten lamps or for two hundred. Words of one weight are added two at a
time, by a full adder whose carries wait for their like: with a carry that ripples on at once, some lamp or other would
carry through every plane each time.
"""

import numpy as np
import numpy.typing as npt


class OnTime:
    """On-time of up to `lamps` lamps since the last `take`, in ticks, exact up to 2^32 - 1 ticks."""

    def __init__(self, lamps: int) -> None:
        self._bytes = (lamps + 7) // 8
        self._lamps = lamps
        self._clear()

    def _clear(self) -> None:
        self._planes = [0] * 33
        self._waiting = [0] * 33
        self._counted = np.zeros(self._lamps, np.uint64)
        self.elapsed = 0

    def add(self, bits: int, ticks: int) -> None:
        """Count `ticks` more for each lamp whose bit is set."""
        self.elapsed += ticks
        if ticks == 1:  # nearly always
            self._add(bits, 0)
            return
        at = 0
        while ticks:
            if ticks & 1:
                self._add(bits, at)
            ticks >>= 1
            at += 1

    def add_counts(self, ticks: int, on_time: npt.NDArray[np.uint32]) -> None:
        """Count `ticks` more in which each lamp was lit for its part of them, counted elsewhere."""
        self.elapsed += ticks
        self._counted += on_time

    def _add(self, bits: int, plane: int) -> None:
        planes, waiting = self._planes, self._waiting
        while other := waiting[plane]:
            waiting[plane] = 0
            held = planes[plane]
            either = held ^ other
            planes[plane] = either ^ bits
            bits = held & other | either & bits
            plane += 1
        waiting[plane] = bits

    def take(self) -> tuple[int, bytes]:
        """Return (elapsed ticks, a little-endian u32 of on-time for each lamp) and start again from zero."""
        for plane in range(32):
            self._add(0, plane)
        used = max(1, self.elapsed.bit_length())
        raw = b"".join(plane.to_bytes(self._bytes, "little") for plane in self._planes[:used])
        planes = np.unpackbits(np.frombuffer(raw, np.uint8).reshape(used, self._bytes), axis=1, bitorder="little")
        weights = np.left_shift(np.uint64(1), np.arange(used, dtype=np.uint64))
        counts = weights @ planes[:, : self._lamps].astype(np.uint64) + self._counted
        elapsed = self.elapsed
        self._clear()
        return elapsed, counts.astype("<u4").tobytes()
