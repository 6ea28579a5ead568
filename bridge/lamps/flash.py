"""What protects people who look: no large area flashes more than three times a second, and a calm hour is calm.

WCAG 2.2, general flash: a flash is a pair of opposing changes of relative luminance by 10 % of its maximum or more,
the darker state below 0.80; more than three in any second over a large area (a quarter of the field) are dangerous.
ITU-R BT.1702 has the same count. Here lamps stand for area: a quarter of the lamps of a bus is a large area, if there
are at least `FEWEST` of them. Pure; time is passed in.
"""

import numpy as np
import numpy.typing as npt

CHANGE = 0.1
BRIGHT = 0.8
FLASHES = 3
AREA = 0.25
FEWEST = 32
"""With fewer lamps than this there is no large area: they fill no quarter of anyone's view."""
SECOND = 1_000_000_000

Floats = npt.NDArray[np.float32]

_CHANGE, _BRIGHT = np.float32(CHANGE), np.float32(BRIGHT)


class FlashLimit:
    """Holds lamps that would flash too often, as long as too many do.

    A lamp that has flashed three times within a second counts as fast. While a quarter of the lamps or more are fast,
    a fast lamp that would end another flash stays as it is until it is allowed to. Whatever changes slowly, or concerns
    fewer lamps, passes exactly.
    """

    def __init__(self, lamps: int) -> None:
        self._most = AREA * lamps if lamps >= FEWEST else np.inf
        self._turn: Floats = np.zeros(lamps, np.float32)
        self._way: Floats = np.ones(lamps, np.float32)
        self._shown: Floats = np.zeros(lamps, np.float32)
        # Whether a lamp is in the middle of a flash, and whether its last turn ended one.
        self._half = np.zeros(lamps, np.bool_)
        self._ending = np.zeros(lamps, np.bool_)
        # When each lamp ended its last flashes, the latest last.
        self._ended = np.full((FLASHES, lamps), -2 * SECOND, np.int64)

    def pass_on(self, now: int, light: Floats) -> Floats:
        """Return the light that may be shown at `now` (nanoseconds) where `light` (relative, 0 to 1) is wanted."""
        ahead = (light - self._turn) * self._way
        if float(ahead.min(initial=0.0)) <= -CHANGE:
            light = self._turn_back(now, light, ahead)
            ahead = (light - self._turn) * self._way
        on = ahead > 0
        np.copyto(self._turn, light, where=on)
        # A flash has ended when its last change has come as far as it goes.
        on &= self._ending
        np.copyto(self._ended[-1], now, where=on)
        self._shown = light
        return light

    def _turn_back(self, now: int, light: Floats, ahead: Floats) -> Floats:
        turning = (ahead <= -_CHANGE) & (np.minimum(light, self._turn) < _BRIGHT)
        fast = self._ended[0] > now - SECOND
        if np.count_nonzero(fast) >= self._most:
            held = turning & fast & self._half
            light = np.where(held, self._shown, light)
            turning &= ~held
        self._turn[turning] = light[turning]
        self._way[turning] *= -1
        ending = turning & self._half
        self._half ^= turning
        self._ending ^= (self._ending ^ ending) & turning
        self._ended[:, ending] = np.roll(self._ended[:, ending], -1, axis=0)
        self._ended[-1, ending] = now
        return light


class Calm:
    """Dims the lamps to `brightness`, and lets none change faster than from dark to full in `fade` seconds."""

    def __init__(self, lamps: int, brightness: float, fade: float) -> None:
        self._brightness = np.float32(brightness)
        self._fade = fade
        self._shown: Floats = np.zeros(lamps, np.float32)

    def pass_on(self, seconds: float, light: Floats) -> Floats:
        """Return the light to show after `seconds` more, where `light` is wanted."""
        wanted = light * self._brightness
        most = np.float32(seconds / self._fade * self._brightness)
        self._shown = self._shown + np.clip(wanted - self._shown, -most, most)
        return self._shown
