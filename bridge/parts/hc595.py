"""74HC595: eight on/off outputs behind a shift register, cascaded (Nexperia and NXP data sheets).

Data is shifted in on the rising edge of SHCP, and moves to the outputs on the rising edge of STCP (here: latch). The
first bit shifted in ends in Q7 of the last chip of the chain, the last one in Q0 of the first, which is channel 0. OE
high (here: blank) switches every output off.
"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from bridge.parts.facts import ControlLine, Facts
from bridge.parts.onoff import OnOff
from bridge.wires.kinds import Line, Spi

FACTS = Facts(
    name="74HC595",
    serves="lamps",
    bus="spi",
    channels=8,
    bits_per_chip=8,
    max_rate_hz=10_000_000,
    pwm_hz=None,
    lines=(
        ControlLine("latch", "STCP: its rising edge moves the shifted bits to the outputs", at_rest=False),
        ControlLine("blank", "OE: high switches every output off; hold it high with a resistor", at_rest=True),
    ),
    source="Nexperia 74HC595 data sheet",
)

LIT = 4095


def encode(lit: npt.NDArray[np.bool_]) -> bytes:
    """Return the bytes to shift out for a chain: one a chip. `lit` is 8 × chips states, channel 0 first."""
    return np.packbits(lit[::-1]).tobytes()


def decode(data: bytes) -> npt.NDArray[np.bool_]:
    """Return the states a chain holds after `data` (one byte a chip) was shifted in, channel 0 first."""
    return np.unpackbits(np.frombuffer(data, np.uint8))[::-1].astype(np.bool_)


class Driver:
    """Drives a chain of `chips`; a lamp is lit or out, with hysteresis. Dark from the first moment on."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], chips: int) -> None:
        """`lines["blank"]` must be high already: the registers hold anything at power-up."""
        self._spi, self._latch, self._blank = spi, lines["latch"], lines["blank"]
        self._states = OnOff(8 * chips)
        self._dark = np.zeros(8 * chips, np.uint16)
        self.write(self._dark)
        self._blank.set(False)

    def write(self, codes: npt.NDArray[np.uint16]) -> None:
        """Light the lamps whose codes (0–4095, channel 0 first) say so. Raises OSError when the bus fails."""
        self._spi.transfer(encode(self._states.take(codes)))
        self._latch.set(True)
        self._latch.set(False)

    def dark(self) -> None:
        """Switch every output off, by its line first: that works even when the bus does not."""
        self._blank.set(True)
        self.write(self._dark)


class Twin:
    """A chain of `chips` as the wires see it; every output starts on, the worst that power-up can do."""

    def __init__(self, chips: int) -> None:
        self._shifted = self._latched = b"\xff" * chips
        self._blanked = True

    def transfer(self, data: bytes) -> bytes:
        """Shift `data` in and return what falls out at the end of the chain, as many bytes."""
        both = self._shifted + data
        self._shifted = both[len(data) :]
        return both[: len(data)]

    def latch(self, level: bool) -> None:
        """Take an edge of STCP."""
        if level:
            self._latched = self._shifted

    def blank(self, level: bool) -> None:
        """Take an edge of OE."""
        self._blanked = level

    def codes(self) -> npt.NDArray[np.uint16]:
        """Return what each output shows now, 0 or 4095, channel 0 first."""
        lit = decode(self._latched)
        return np.where(lit & (not self._blanked), np.uint16(LIT), np.uint16(0))
