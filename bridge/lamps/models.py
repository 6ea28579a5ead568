"""The lamps a console had, mixed: filaments that take their time, neons that must strike, and lamps that follow."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.lamps.filament import Filaments, FilamentType
from bridge.parts.onoff import OnOff

Floats = npt.NDArray[np.float32]

SETTLED, TIMES = 1.0, 10.0
"""Seconds, and times of its rise or fall (10-90 %), after which a lamp's light is what it will stay."""


@dataclass(frozen=True)
class NeonType:
    """A glow lamp: dark until its duty comes to `strikes`, then as bright as that, until it is `holds` or less."""

    strikes: float
    holds: float


class LampModels:
    """n lamps; `types[which[i]]` is lamp i's type, or None for a lamp that is as bright as it is driven.

    `keep_warm` is the duty that keeps each filament just short of glowing, so that it wakes without a rush of current;
    the lamp's own duty takes what is left of it.
    """

    def __init__(
        self,
        types: Sequence[FilamentType | NeonType | None],
        which: npt.NDArray[np.intp],
        keep_warm: Floats | float = 0.0,
    ) -> None:
        count = len(which)
        filaments = [n for n, kind in enumerate(types) if isinstance(kind, FilamentType)]
        self._glowing = np.flatnonzero(np.isin(which, filaments))
        self._all_glow = len(self._glowing) == count
        warm = np.broadcast_to(np.float32(keep_warm), which.shape)[self._glowing]
        self._warm: Floats | None = warm if warm.any() else None
        self._filaments = None
        kinds = [kind for kind in types if isinstance(kind, FilamentType)]
        self.settles = SETTLED + TIMES * max((time for kind in kinds for time in (kind.rise, kind.fall)), default=0.0)
        """Seconds after which no lamp that is driven alike changes its light any more."""
        if filaments:
            self._filaments = Filaments(kinds, np.searchsorted(filaments, which[self._glowing]))
        neons = {n: kind for n, kind in enumerate(types) if isinstance(kind, NeonType)}
        self._striking = np.flatnonzero(np.isin(which, list(neons)))
        struck = [neons[n] for n in which[self._striking].tolist()]
        strikes, holds = (np.array([getattr(n, key) for n in struck], np.float32) for key in ("strikes", "holds"))
        self._struck = OnOff(len(struck), strikes, holds)
        self._duty: Floats = np.zeros(count, np.float32)
        self._driven: Floats = warm
        self._lit: Floats = np.zeros(len(struck), np.float32)

    def step(self, seconds: float, duty: Floats) -> None:
        """Go on by `seconds` at these duties, 0 to 1; the very same array again says that they have not changed."""
        if duty is not self._duty:
            self._duty = duty
            self._driven = duty if self._all_glow else duty[self._glowing]
            if self._warm is not None:
                self._driven = self._warm + (1 - self._warm) * self._driven
            if self._striking.size:
                own = duty[self._striking]
                self._lit = own * self._struck.take(own)
        if self._filaments is not None and seconds > 0:
            self._filaments.step(seconds, self._driven)

    def light(self) -> Floats:
        """Return the light of each lamp relative to its rated light; a new array."""
        if self._filaments is not None and self._all_glow:
            return self._filaments.light()
        light = self._duty.copy()
        if self._filaments is not None:
            light[self._glowing] = self._filaments.light()
        if self._striking.size:
            light[self._striking] = self._lit
        return light
