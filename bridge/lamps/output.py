"""From wanted light to the codes of the lamp drivers: brightness, trim, what is fitted, and dither; pure.

The light of an LED is linear in its duty, so nothing stands between light and code. A fitted filament makes its own
light from the duty, so it gets the duty itself. A neon is lit or not.
"""

import numpy as np
import numpy.typing as npt

FULL = 4095
STRIKES = 0.5
"""The wanted light from which a fitted neon is lit: it has no brightness of its own to follow."""
HEADROOM = 0.8
"""Lamps are trimmed towards the dimmest, but not below this share of the brightest."""

Floats = npt.NDArray[np.float32]
Codes = npt.NDArray[np.uint16]


def gains(trim: Floats) -> Floats:
    """Return what to multiply the wanted light of each lamp of a group with, so that their light matches.

    `trim` is the light each gives at full code, relative to the brightest of its kind. All are brought to one target:
    the dimmest of them, or `HEADROOM` of the brightest if that is more. A lamp that has grown dimmer than the target
    gets all there is, and does not pull the others down with it.
    """
    target = max(float(trim.min()), HEADROOM * float(trim.max()))
    gain: Floats = np.minimum(np.float32(1), np.float32(target) / trim)
    return gain


class Output:
    """The codes of n lamps, frame after frame.

    `gain` is the group brightness times the trim's gain; `filament` and `neon` say which lamps are fitted so.
    `fineness[c]` is how finely the light between the codes c and c + 1 may be made by dither: in 2^fineness steps over
    as many frames. Where flicker forbids it that is 0, and the nearest code is taken.
    """

    def __init__(
        self,
        gain: Floats,
        filament: npt.NDArray[np.bool_],
        neon: npt.NDArray[np.bool_],
        fineness: npt.NDArray[np.uint8],
    ) -> None:
        self._scale = gain * np.float32(FULL)
        self._filament = np.flatnonzero(filament)
        self._neon = np.flatnonzero(neon)
        self._steps = np.left_shift(1, np.append(fineness, 0).astype(np.int32)).astype(np.int32)
        self._frame = 0

    def codes(self, light: Floats, duty: Floats) -> Codes:
        """Return the codes 0–4095 for the light wanted of each lamp (relative, 0 to 1) and its duty, this frame."""
        wanted = light * self._scale
        if self._filament.size:
            wanted[self._filament] = duty[self._filament] * self._scale[self._filament]
        if self._neon.size:
            wanted[self._neon] = np.where(light[self._neon] >= STRIKES, np.float32(FULL), np.float32(0))
        np.clip(wanted, 0, FULL, out=wanted)
        below = wanted.astype(np.int32)
        steps = self._steps[below]
        part = np.rint((wanted - below) * steps).astype(np.int32)
        # The frames on which the higher code is shown, `part` out of `steps`, as evenly spread as they can be.
        below += (self._frame * part & steps - 1) < part
        self._frame += 1
        return below.astype(np.uint16)
