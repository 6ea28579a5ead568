"""TLC5947: 24 constant-current outputs with 12-bit PWM, cascaded on a shift register (TI data sheet SBVS114).

288 bits a chip; the first bit in ends as output 23, bit 11, of the last chip in the chain, the last one as output 0,
bit 0, of the first. The rising edge of XLAT (here: latch) moves the register to the outputs; BLANK high darkens them.
"""

from collections.abc import Mapping

import numpy as np

from bridge.parts.facts import Codes, ControlLine, Electrical, Facts
from bridge.parts.shiftout import Register, ShiftOut
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
    electrical=Electrical(
        (3.0, 5.5),
        0.7,
        "TI SBVS114; from memory",
        lamps="constant",
        lamp_volts=30.0,
        channel_ma=30.0,
        reference_volts=41 * 1.20,
    ),
)

FULL = 4095
"""The code of an output lit all the time; the duty is code / 4096."""

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


class Driver(ShiftOut):
    """Drives a chain of `chips` over its SPI device and its two lines."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], chips: int) -> None:
        super().__init__(spi, lines, FACTS.channels * chips, encode)


class Twin(Register):
    """A chain of `chips`; the data sheet warns that the registers hold noise at power-up."""

    def __init__(self, chips: int) -> None:
        super().__init__(FACTS.bits_per_chip // 8 * chips, decode)
