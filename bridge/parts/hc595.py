"""74HC595: eight on/off outputs behind a shift register, cascaded (Nexperia and NXP data sheets).

Data is shifted in on the rising edge of SHCP, and moves to the outputs on the rising edge of STCP (here: latch). The
first bit shifted in ends in Q7 of the last chip of the chain, the last one in Q0 of the first, which is channel 0. OE
high (here: blank) switches every output off.
"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from bridge.parts.facts import ControlLine, Electrical, Facts
from bridge.parts.onoff import LIT, OnOff
from bridge.parts.shiftout import Register, ShiftOut
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
        ControlLine(
            "blank",
            "OE: high switches every output off; hold it high with a resistor. Left out if OE is wired low",
            at_rest=True,
            optional=True,
        ),
    ),
    source="Nexperia 74HC595 data sheet",
    electrical=Electrical(
        (2.0, 6.0),
        0.7,
        "TI SCHS353, absolute maximum ratings; levels from memory",
        lamps="plain",
        lamp_volts=6.0,
        channel_ma=35.0,
        chip_ma=70.0,
    ),
)


def encode(lit: npt.NDArray[np.bool_]) -> bytes:
    """Return the bytes to shift out for a chain: one a chip. `lit` is 8 × chips states, channel 0 first."""
    return np.packbits(lit[::-1]).tobytes()


def decode(data: bytes) -> npt.NDArray[np.bool_]:
    """Return the states a chain holds after `data` (one byte a chip) was shifted in, channel 0 first."""
    return np.unpackbits(np.frombuffer(data, np.uint8))[::-1].astype(np.bool_)


class Driver(ShiftOut):
    """Drives a chain of `chips`; a lamp is lit or out, with hysteresis."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], chips: int) -> None:
        states = OnOff(FACTS.channels * chips)
        super().__init__(spi, lines, FACTS.channels * chips, lambda codes: encode(states.take(codes)))


class Twin(Register):
    """A chain of `chips`; lit outputs show as 4095."""

    def __init__(self, chips: int) -> None:
        super().__init__(chips, lambda data: decode(data) * LIT)
