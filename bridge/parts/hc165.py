"""74HC165: eight inputs loaded at once and shifted out, cascaded (Nexperia and NXP data sheets).

PL low loads the inputs; then input D7 of the chip nearest the board comes out first, as the top bit of the first byte.
Channels are numbered in the order they come out: channel 0 is D7 of the first chip.
"""

from collections.abc import Mapping

from bridge.parts.facts import ControlLine, Electrical, Facts
from bridge.wires.kinds import Line, Spi

FACTS = Facts(
    name="74HC165",
    serves="keys",
    bus="spi",
    channels=8,
    bits_per_chip=8,
    max_rate_hz=10_000_000,
    pwm_hz=None,
    lines=(ControlLine("load", "PL: low loads the inputs into the register", at_rest=True),),
    source="Nexperia 74HC165 data sheet",
    holds_miso=True,
    electrical=Electrical((2.0, 6.0), 0.7, "Nexperia 74HC165 data sheet; from memory", speaks="driven"),
)


def decode(data: bytes) -> int:
    """Return the levels of a chain as one number: bit n is channel n, 1 where the input is high."""
    return int(f"{int.from_bytes(data, 'big'):0{8 * len(data)}b}"[::-1], 2)


def encode(levels: int, chips: int) -> bytes:
    """Return the bytes a chain shifts out for these levels; the inverse of `decode`."""
    return int(f"{levels:0{8 * chips}b}"[::-1], 2).to_bytes(chips, "big")


class Driver:
    """Reads a chain of `chips` over its SPI device and its load line."""

    def __init__(self, spi: Spi, lines: Mapping[str, Line], chips: int) -> None:
        self._spi, self._load, self._clocks = spi, lines["load"], bytes(chips)

    def read(self) -> int:
        """Load the inputs and shift them in; bit n is channel n. Raises OSError when the bus fails."""
        self._load.set(False)
        self._load.set(True)
        return decode(self._spi.transfer(self._clocks))

    def check(self) -> bool:
        """Return False: the chips have no settings to lose."""
        return False


class Twin:
    """A chain of `chips` as the wires see it; every input starts high, as pull-ups hold it."""

    def __init__(self, chips: int) -> None:
        self._chips = chips
        self.levels = (1 << 8 * chips) - 1
        self._shifted = bytes(chips)

    def load(self, level: bool) -> None:
        """Take an edge of PL."""
        if not level:
            self._shifted = encode(self.levels, self._chips)

    def transfer(self, data: bytes) -> bytes:
        """Shift out as many bytes as are clocked; `data` goes to the serial input of the last chip."""
        both = self._shifted + data
        self._shifted = both[len(data) :]
        return both[: len(data)]

    def set(self, channel: int, level: bool) -> None:
        """Put one input high or low."""
        self.levels = self.levels | 1 << channel if level else self.levels & ~(1 << channel)
