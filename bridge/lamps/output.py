"""From wanted light to the codes of the lamp drivers: brightness, trim, what is fitted, and dither; pure.

The light of an LED is linear in its duty, so nothing stands between light and code.
"""

import numpy as np
import numpy.typing as npt

FULL = 4095
HEADROOM = 0.8
"""Lamps are trimmed towards the dimmest, but not below this share of the brightest."""

FRAMES = 16
"""The longest pattern of dither."""

_FULL = np.float32(FULL)

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

    `gain` is the group brightness times the trim's gain.
    `fineness[c]`, 0 to 4, is how finely the light between the codes c and c + 1 may be made by dither: in 2^fineness
    steps over as many frames. Where flicker forbids it that is 0, and the nearest code is taken.
    """

    def __init__(self, gain: Floats, fineness: npt.NDArray[np.uint8]) -> None:
        self._scale = gain * np.float32(FULL)
        self._round_up = [_round_up(frame, fineness) for frame in range(FRAMES)]
        self._frame = 0

    def codes(self, light: Floats) -> Codes:
        """Return the codes 0–4095 for the light wanted of each lamp (relative, 0 or more), this frame."""
        wanted = light * self._scale
        np.minimum(wanted, _FULL, out=wanted)
        self._frame = (self._frame + 1) % FRAMES
        wanted += self._round_up[self._frame].take(wanted.astype(np.intp))
        return wanted.astype(np.uint16)


def _round_up(frame: int, fineness: npt.NDArray[np.uint8]) -> Floats:
    """Return what is added on this frame to light at each code before its fraction is cut off.

    Over 2^fineness frames these are (0.5, 1.5, 2.5 …) / 2^fineness, in bit-reversed order, which spreads the frames
    that show the higher code as evenly as they can be.
    """
    added = np.empty(len(fineness), np.float32)
    for bits in range(FRAMES.bit_length()):
        order = int(f"{frame % (1 << bits):0{bits}b}"[::-1], 2) if bits else 0
        added[fineness == bits] = (order + 0.5) / (1 << bits)
    return added
