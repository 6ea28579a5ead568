"""Counting how long each lamp was lit, many lamps at once.

The counters lie in bit planes: plane k holds bit k of every lamp's count in one whole number, so adding a lamp word is
a ripple carry over all lamps together, and costs the same for ten lamps or for two hundred.
"""

import numpy as np


class OnTime:
    """On-time of up to `lamps` lamps since the last `take`, in ticks, exact up to 2^32 - 1 ticks."""

    def __init__(self, lamps: int) -> None:
        self._bytes = (lamps + 7) // 8
        self._lamps = lamps
        self._planes: list[int] = [0] * 32
        self.elapsed = 0

    def add(self, bits: int, ticks: int) -> None:
        """Count `ticks` more for each lamp whose bit is set."""
        self.elapsed += ticks
        planes = self._planes
        at = 0
        while ticks:
            if ticks & 1:
                carry, k = bits, at
                while carry:
                    held = planes[k]
                    planes[k] = held ^ carry
                    carry &= held
                    k += 1
            ticks >>= 1
            at += 1

    def take(self) -> tuple[int, bytes]:
        """Return (elapsed ticks, a little-endian u32 of on-time for each lamp) and start again from zero."""
        used = max(1, self.elapsed.bit_length())
        raw = b"".join(plane.to_bytes(self._bytes, "little") for plane in self._planes[:used])
        planes = np.unpackbits(np.frombuffer(raw, np.uint8).reshape(used, self._bytes), axis=1, bitorder="little")
        weights = np.left_shift(np.uint64(1), np.arange(used, dtype=np.uint64))
        counts = weights @ planes[:, : self._lamps].astype(np.uint64)
        elapsed = self.elapsed
        self._planes = [0] * 32
        self.elapsed = 0
        return elapsed, counts.astype("<u4").tobytes()
