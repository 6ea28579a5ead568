"""Flicker: how deep light may be modulated at a frequency, after IEEE Std 1789-2015, 8.1.1.

Mod% = 100 (max - min) / (max + min) of the light. Low risk: below 0.025 f up to 90 Hz, below 0.08 f up to
1250 Hz, any above. No observable effect: below 0.01 f up to 90 Hz, below 0.0333 f up to 3000 Hz, any above. Up to 90 Hz
seizures are to be feared from 5 % on. This names the class of a figure; it passes no judgement on a lamp.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

CODES = 4096
FINEST = 4
SLOW = 90.0
"""Hertz up to which the limits are strictest."""
SEIZURE = 5.0
"""Percent: the modulation from which flicker as slow as that can bring on a seizure."""


def low_risk(hertz: float) -> float:
    """Return the deepest modulation of low risk at this frequency, in percent."""
    if hertz <= SLOW:
        return 0.025 * hertz
    return min(0.08 * hertz, 100.0)


def no_effect(hertz: float) -> float:
    """Return the deepest modulation without observable effect at this frequency, in percent."""
    if hertz <= SLOW:
        return 0.01 * hertz
    # The standard writes 0.0333; a third of a hundredth makes 3000 Hz exactly full depth.
    return min(0.0333 * hertz, 100.0) if hertz < 3000 else 100.0


def classify(hertz: float, depth: float) -> str:
    """Return the class of light modulated `depth` percent at `hertz`, in the standard's words."""
    if depth <= no_effect(hertz):
        return "no observable effect"
    if depth <= low_risk(hertz):
        return "low risk"
    return "can bring on seizures" if hertz <= SLOW and depth >= SEIZURE else "above the low-risk level"


def report(parts: Sequence[tuple[str, float | None]]) -> list[str]:
    """Return a line of words for each part that drives lamps, given its name and the rate of its PWM, None without.

    A dimmed LED is switched from dark to full at that rate: its depth is 100 %. A filament is too slow to follow.
    """
    lines = []
    for name, hertz in parts:
        if hertz is None:
            lines.append(f"{name}: lamps are on or off, nothing is switched to dim them")
        else:
            lines.append(
                f"{name}: dimmed LEDs are switched at {hertz:.0f} Hz, depth 100 %: {classify(hertz, 100)} "
                f"(low risk up to {low_risk(hertz):.1f} %, no observable effect up to {no_effect(hertz):.1f} %)"
            )
    return lines or ["no part drives lamps"]


def dither_fineness(frames_hz: float) -> npt.NDArray[np.uint8]:
    """Return how finely each code 0–4095 may be dithered towards the next, for `Output`: in 2^n steps, n 0 to 4.

    Dither in 2^n steps over as many frames modulates the light at frames_hz / 2^n or faster, by one code: between c and
    c + 1 that is a depth of 100 / (2c + 1) percent. It is allowed as long as it is of low risk.
    """
    fineness = np.zeros(CODES, np.uint8)
    for bits in range(1, FINEST + 1):
        deepest = low_risk(frames_hz / 2**bits)
        dimmest = math.ceil((100 / deepest - 1) / 2)
        fineness[min(dimmest, CODES) :] = bits
    return fineness
