"""What can only be lit or out: from values to states, with a gap between the two thresholds so that none chatters."""

from typing import Any

import numpy as np
import numpy.typing as npt

ON, OFF = 2458, 1638
"""The codes from which a lamp is lit (60 %), and down from which it is out (40 %)."""
LIT = np.uint16(4095)
"""The code a lit lamp shows."""


class OnOff:
    """The states of `count` lamps, all out at first: lit from `on` on, out up to `off`, between them as they were.

    The thresholds are one for all, or one for each.
    """

    def __init__(self, count: int, on: Any = ON, off: Any = OFF) -> None:
        self._on, self._off = on, off
        self._lit: npt.NDArray[np.bool_] = np.zeros(count, np.bool_)

    def take(self, values: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
        """Return which lamps are lit, given the values that are asked of them."""
        self._lit = (values >= self._on) | (self._lit & (values > self._off))
        return self._lit
