"""Lamps that can only be on or off: from codes to states, with a gap between the two so that none chatters."""

import numpy as np
import numpy.typing as npt

from bridge.parts.facts import Codes

ON, OFF = 2458, 1638
"""From the code ON (60 %) on a lamp is lit, up to OFF (40 %) it is out; between them it stays as it was."""
LIT = np.uint16(4095)
"""The code a lit lamp shows."""


class OnOff:
    """The states of `count` lamps, all out at first."""

    def __init__(self, count: int) -> None:
        self._lit: npt.NDArray[np.bool_] = np.zeros(count, np.bool_)

    def take(self, codes: Codes) -> npt.NDArray[np.bool_]:
        """Return which lamps are lit, given their codes 0–4095."""
        self._lit = (codes >= ON) | (self._lit & (codes > OFF))
        return self._lit
