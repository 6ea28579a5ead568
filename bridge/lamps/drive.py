"""From on-time to the codes of the lamp drivers; pure, it owns no clock.

A lamp lit for a share d of the time gets the code nearest d x 4095: the light of an LED is linear in its duty.
"""

import numpy as np
import numpy.typing as npt

from bridge.lamps.frames import Bits, Frame

FULL = 4095
HOLD = 50_000_000
"""Nanoseconds without a frame after which the lamps are shown as they stand."""

Codes = npt.NDArray[np.uint16]


class LampDrive:
    """The codes of a console's `lamps`, 0–4095, moment by moment. Dark until the first frame."""

    def __init__(self, lamps: int) -> None:
        self._codes: Codes = np.zeros(lamps, np.uint16)
        self._bits: Bits | None = None
        self._held_until = 0

    def step(self, now: int, frame: Frame | None) -> Codes:
        """Return the codes for `now` (nanoseconds), given the frame that came since the last step, if any did.

        A frame says how long each lamp was lit: that is its code until the next one. Without one for `HOLD`, or with
        one that says that the machine is at rest, the lamps are shown as they stand.
        """
        if frame is not None:
            self._bits = frame.bits
            if frame.elapsed:
                self._held_until = now + HOLD
                self._codes = np.rint(frame.on_time * (FULL / frame.elapsed)).astype(np.uint16)
                return self._codes
        if self._bits is not None and now >= self._held_until:
            self._codes = np.where(self._bits, np.uint16(FULL), np.uint16(0))
            self._bits = None
        return self._codes
