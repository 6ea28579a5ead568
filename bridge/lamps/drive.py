"""From on-time to the codes of the lamp drivers; pure, it owns no clock."""

import numpy as np
import numpy.typing as npt

from bridge.lamps.flash import Calm, FlashShare
from bridge.lamps.frames import Bits, Frame
from bridge.lamps.models import LampModels
from bridge.lamps.output import FRAMES, Codes, Output
from bridge.parts.onoff import OnOff

Indexes = npt.NDArray[np.intp]
NONE: Indexes = np.zeros(0, np.intp)

HOLD = 50_000_000
"""Nanoseconds without a frame after which the lamps are driven as they stand."""

LIT, OUT = 0.6, 0.4
"""The wanted light from which a lamp that can only be lit or out is lit, and down from which it is out."""

MAKE_UP = 16
"""Seconds of rest that are made up for at most: by then a filament that is out has come to the room's temperature."""

_NANOSECOND = 1e-9
_LONGEST = 1.0
"""Seconds: after a longer pause every filament has settled, and the models need not be told more."""


class LampDrive:
    """The codes of a console's lamps, 0–4095, moment by moment. Dark until the first frame.

    `filaments` are the lamps that are filaments still: they make their own light, so they are given the duty itself.
    `switched` are those that can only be lit or out: which it is to be is decided first, with a gap, by the light that
    is wanted, so that neither brightness nor the flash limit can make one chatter. Whatever is shown has passed the
    flash limit, and `calm` before it, if there is one.
    """

    def __init__(
        self,
        models: LampModels,
        output: Output,
        limit: FlashShare,
        *,
        filaments: Indexes = NONE,
        switched: Indexes = NONE,
        calm: Calm | None = None,
    ) -> None:
        self._models = models
        self._output = output
        self._limit = limit
        self._fitted = filaments
        self._switched = switched
        self._lit = OnOff(len(switched), LIT, OUT)
        self._calm = calm
        self._duty: npt.NDArray[np.float32] = np.zeros(limit.lamps, np.float32)
        self._bits: Bits | None = None
        self._held_until = 0
        self._last: int | None = None
        self._driven_since = 0
        self._settles = round(models.settles / _NANOSECOND)
        self._rested: int | None = None
        self._codes: Codes = np.zeros(limit.lamps, np.uint16)
        self._same = 0
        """How many steps in a row have shown the same codes, and held nothing back."""

    def step(self, now: int, frame: Frame | None) -> Codes:
        """Return the codes for `now` (nanoseconds), given the frame that came since the last step, if any did.

        The frame says how long each lamp was lit: so it is driven until the next one. Without one for `HOLD`, or with
        one that says that the machine is at rest, the lamps are driven as they stand. A frame is an account of time
        that has passed, so the time since the last step is lived through at its duty: a late step loses no light.

        Lamps that have been driven alike for so long that none changes any more are left alone, which costs next to
        nothing; that time is made up for when they are driven otherwise.
        """
        before = self._duty
        self._take(now, frame)
        if self._same >= FRAMES and now - self._driven_since >= self._settles:
            self._rested = self._last if self._rested is None else self._rested
            self._last = now
            return self._codes
        if self._rested is not None and self._last is not None:
            rested = (self._last - self._rested) * _NANOSECOND
            for _ in range(min(round(rested / _LONGEST), MAKE_UP)):
                self._models.step(_LONGEST, before)
            self._rested = None
        seconds = 0.0 if self._last is None else min((now - self._last) * _NANOSECOND, _LONGEST)
        self._last = now
        self._models.step(seconds, self._duty)
        light = self._models.light()
        if self._fitted.size:
            light[self._fitted] = self._duty[self._fitted]
        if self._switched.size:
            light[self._switched] = self._lit.take(light[self._switched])
        if self._calm is not None:
            light = self._calm.pass_on(seconds, light)
        passed = self._limit.pass_on(now, light)
        codes = self._output.codes(passed)
        self._same = self._same + 1 if passed is light and np.array_equal(codes, self._codes) else 0
        self._codes = codes
        return codes

    def _take(self, now: int, frame: Frame | None) -> None:
        if frame is not None:
            self._bits = frame.bits
            if frame.elapsed:
                self._held_until = now + HOLD
                self._drive(now, (frame.on_time * (1 / frame.elapsed)).astype(np.float32))
                return
        if self._bits is not None and now >= self._held_until:
            self._drive(now, self._bits.astype(np.float32))
            self._bits = None

    def _drive(self, now: int, duty: npt.NDArray[np.float32]) -> None:
        """Drive the lamps so from now on."""
        if np.array_equal(duty, self._duty):
            return
        self._duty = duty
        self._driven_since = now
        self._same = 0
