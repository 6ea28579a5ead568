"""TLC5947: 24 constant-current outputs with 12-bit PWM, cascaded on a shift register (TI data sheet SBVS114).

288 bits a chip; the first bit in ends as output 23, bit 11, of the last chip in the chain, the last one as output 0,
bit 0, of the first. The rising edge of XLAT (here: latch) moves the register to the outputs; BLANK high darkens them.
"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from bridge.parts.facts import ControlLine, Facts
from bridge.wires.kinds import Line, Spi

FACTS = Facts(
    name="TLC5947",
    serves="lamps",
    bus="spi",
    channels=24,
    bits_per_chip=288,
    max_rate_hz=15_000_000,
    pwm_hz=4_000_000 / 4096,  # its own oscillator, typical
    lines=(
        ControlLine("latch", "XLAT: its rising edge moves the shifted bits to the outputs", at_rest=False),
        ControlLine(
            "blank",
            "BLANK: high darkens every output; hold it high with a resistor until the daemon runs",
            at_rest=True,
        ),
    ),
    source="TI SBVS114",
)

FULL = 4095
"""The code of an output lit all the time; the duty is code / 4096."""

Codes = npt.NDArray[np.uint16]

_PLACES = np.array([1 << 12, 1], np.uint32)


def encode(codes: Codes) -> bytes:
    """Return the bytes to shift out for a chain: 36 a chip. `codes` is 24 × chips values 0–4095, channel 0 first."""
    # Two channels, the higher one first, are one 24-bit number; its three bytes are the low ones of a big-endian word.
    words = codes[::-1].reshape(-1, 2) @ _PLACES
    return words.astype(">u4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()


def decode(data: bytes) -> Codes:
    """Return the codes a chain holds after `data` (36 bytes a chip) was shifted in, channel 0 first."""
    triples = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.uint16)
    codes = np.empty((len(triples), 2), np.uint16)
    codes[:, 0] = (triples[:, 0] << 4) | (triples[:, 1] >> 4)
    codes[:, 1] = ((triples[:, 1] & 15) << 8) | triples[:, 2]
    return codes.reshape(-1)[::-1].copy()


class Driver:
    """Drives a chain of `chips` over its SPI device and its two lines; dark from the first moment on."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], chips: int) -> None:
        """`lines["blank"]` must be high already: the registers hold noise at power-up."""
        self._spi, self._latch, self._blank = spi, lines["latch"], lines["blank"]
        self._dark: Codes = np.zeros(24 * chips, np.uint16)
        self.write(self._dark)
        self._blank.set(False)

    def write(self, codes: Codes) -> None:
        """Show `codes`: 24 × chips values 0–4095, channel 0 first. Raises OSError when the bus fails."""
        self._spi.transfer(encode(codes))
        self._latch.set(True)
        self._latch.set(False)

    def dark(self) -> None:
        """Darken every output, by its line first: that works even when the bus does not."""
        self._blank.set(True)
        self.write(self._dark)


class Twin:
    """A chain of `chips` as the wires see it: bytes shifted in, latched by an edge, dark while blanked.

    The register holds noise at power-up, as the data sheet warns; here every output starts fully lit, the worst of it,
    so that a driver that enables the outputs too early is seen. Bytes are kept and decoded only when read.
    """

    def __init__(self, chips: int) -> None:
        self._length = 36 * chips
        self._shifted = b"\xff" * self._length
        self._latched = self._shifted
        self._blanked = True

    def transfer(self, data: bytes) -> bytes:
        """Shift `data` in and return what falls out at the end of the chain, as many bytes."""
        both = self._shifted + data
        self._shifted = both[-self._length :]
        return both[: len(data)]

    def latch(self, level: bool) -> None:
        """Take an edge of XLAT."""
        if level:
            self._latched = self._shifted

    def blank(self, level: bool) -> None:
        """Take an edge of BLANK."""
        self._blanked = level

    def codes(self) -> Codes:
        """Return what each output shows now, 0–4095, channel 0 first; zeros while blanked."""
        codes = decode(self._latched)
        return np.zeros_like(codes) if self._blanked else codes
