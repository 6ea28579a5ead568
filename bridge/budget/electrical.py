"""Resistors, currents and heat of lamps: the sums a builder makes before buying parts.

An aid, not a judgement: wire, heat and supplies are a qualified person's to decide.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""The values of IEC 60063's series E24 in a decade from 10 to 100."""

NEAR = 1e-9
"""What a value may be below the one wanted, as a share of it: the sums are binary, the values decimal."""


def next_up(ohms: float) -> float:
    """Return the lowest value of E24 that is `ohms` (above 0) or more."""
    decade = 10.0 ** (floor(log10(ohms)) - 1)
    values = (value * scale for scale in (decade, 10 * decade) for value in E24)
    return next(value for value in values if value >= ohms * (1 - NEAR))


@dataclass(frozen=True)
class Series:
    """A resistor in series with a lamp: the ohms wanted and fitted, then the current in amperes and the heat in watts.

    `resistor_watts` is the heat in the resistor, `watts` what resistor and lamp take together.
    """

    wanted: float
    ohms: float
    amps: float
    resistor_watts: float
    watts: float


def series(volts: float, lamp_volts: float, amps: float, fitted: float | None = None) -> Series:
    """Return the resistor for a lamp over which `lamp_volts` fall, to carry `amps` at most from `volts`.

    It is the next value up, unless one is `fitted`, in ohms. Raises ValueError if `volts` cannot light the lamp.
    """
    if volts <= lamp_volts:
        raise ValueError(f"{volts:g} V cannot light a lamp that takes {lamp_volts:g} V")
    wanted = (volts - lamp_volts) / amps
    ohms = next_up(wanted) if fitted is None else fitted
    flows = (volts - lamp_volts) / ohms
    return Series(wanted, ohms, flows, (volts - lamp_volts) * flows, volts * flows)


def dissipation(volts: float, lamps: Sequence[tuple[float, float, float]]) -> float:
    """Return the watts a constant-current chip turns into heat: what `volts` leave over each lamp, times its current.

    `lamps` are those of one chip, each as the volts it takes, its amperes, and its duty, 0 to 1.
    """
    return sum((volts - lamp_volts) * amps * duty for lamp_volts, amps, duty in lamps)


def engineering(value: float, unit: str) -> str:
    """Return a value as an engineer writes it: 24.6 kΩ, 7.22 mA, 30 mW, to three digits."""
    scales = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"))
    factor, prefix = next((scale for scale in scales if abs(value) >= scale[0] * (1 - 5e-4)), scales[-1])
    return f"{value / factor:.3g} {prefix}{unit}"
