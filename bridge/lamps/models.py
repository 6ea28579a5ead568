"""The lamps a console had, mixed: filaments that take their time, and lamps that are as bright as they are driven."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from bridge.lamps.filament import Filaments, FilamentType

Floats = npt.NDArray[np.float32]


class LampModels:
    """n lamps; `types[which[i]]` is lamp i's filament, or None for a lamp without one: its light is its duty.

    `keep_warm` is the duty that keeps each filament just short of glowing, so that it wakes without a rush of current;
    the lamp's own duty takes what is left of it.
    """

    def __init__(
        self, types: Sequence[FilamentType | None], which: npt.NDArray[np.intp], keep_warm: Floats | float = 0.0
    ) -> None:
        filaments = [kind for kind in types if kind is not None]
        number = np.cumsum([kind is not None for kind in types]) - 1
        glows = np.array([kind is not None for kind in types], np.bool_)[which] if len(which) else np.zeros(0, np.bool_)
        self._glowing = np.flatnonzero(glows)
        self._all_glow = bool(glows.all())
        warm = np.broadcast_to(np.float32(keep_warm), which.shape)[self._glowing]
        self._warm: Floats | None = warm if warm.any() else None
        self._filaments = Filaments(filaments, number[which[self._glowing]]) if self._glowing.size else None
        self._duty: Floats = np.zeros(len(which), np.float32)
        self._driven: Floats = warm

    def step(self, seconds: float, duty: Floats) -> None:
        """Go on by `seconds` at these duties, 0 to 1; the very same array again says that they have not changed."""
        if duty is not self._duty:
            self._duty = duty
            self._driven = duty if self._all_glow else duty[self._glowing]
            if self._warm is not None:
                self._driven = self._warm + (1 - self._warm) * self._driven
        if self._filaments is not None and seconds > 0:
            self._filaments.step(seconds, self._driven)

    def light(self) -> Floats:
        """Return the light of each lamp relative to its rated light; a new array."""
        if self._filaments is None:
            return self._duty.copy()
        if self._all_glow:
            return self._filaments.light()
        light = self._duty.copy()
        light[self._glowing] = self._filaments.light()
        return light
