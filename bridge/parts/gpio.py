"""Lines of the board itself as lamps, one a channel: high is lit. No chip, no bus, no dimming.

Current limits: 16 mA a line for BCM2837 and 8 mA for BCM2711 (Raspberry Pi documentation); 50 mA for all lines together
is common practice, without a source. For RP1 (Pi 5) no figure was found.
"""

from collections.abc import Sequence

import numpy as np

from bridge.parts.facts import Codes, Facts
from bridge.parts.onoff import LIT, OnOff
from bridge.wires.kinds import Line

FACTS = Facts(
    name="GPIO",
    serves="lamps",
    bus=None,
    channels=1,
    bits_per_chip=0,
    max_rate_hz=0,
    pwm_hz=None,
    lines=(),
    source="Raspberry Pi documentation, GPIO",
    limits="the board's own lines give 3.3 V, 8 mA each (16 mA on boards before the Pi 4) and about 50 mA together: "
    "anything larger than a small LED needs a transistor",
)


class Driver:
    """Drives one line a channel; a lamp is lit or out, with hysteresis."""

    def __init__(self, lines: Sequence[Line]) -> None:
        self._lines = lines
        self._states = OnOff(len(lines))
        self.dark()

    def write(self, codes: Codes) -> None:
        """Show `codes` 0–4095, channel 0 first."""
        for line, lit in zip(self._lines, self._states.take(codes).tolist(), strict=True):
            line.set(lit)

    def check(self) -> bool:
        """Return False: a line has no settings to lose."""
        return False

    def dark(self) -> None:
        """Put every line low."""
        self.write(np.zeros(len(self._lines), np.uint16))


class Twin:
    """So many lamps straight on lines."""

    def __init__(self, lamps: int) -> None:
        self._lit = np.zeros(lamps, np.bool_)

    def edge(self, channel: int, level: bool) -> None:
        """Take an edge of one line."""
        self._lit[channel] = level

    def codes(self) -> Codes:
        """Return what each lamp shows: 4095 or 0."""
        return self._lit * LIT
