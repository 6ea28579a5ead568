"""74HC165: eight inputs loaded at once and shifted out, cascaded (Nexperia and NXP data sheets).

PL low loads the inputs; then input D7 of the chip nearest the board comes out first, as the top bit of the first byte.
Channels are numbered in the order they come out: channel 0 is D7 of the first chip.

After the last chip eight bits more are read: the level its serial input DS is wired to. Whatever disturbs the clock, or
ends the chain early, is seen there. One thing is not: a chip whose PL does not arrive hands on what the others loaded,
and reads as what the chain was left with, all keys at one level. `doubted` shows it: the chain is left with something
else, and read again.
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
    tail=8,
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
        self._spi, self._load, self._chips = spi, lines["load"], chips
        self._clocks = bytes(chips + FACTS.tail // 8)

    def read(self) -> int:
        """Load the inputs and shift them in; bit n is channel n, then the tail. Raises OSError when the bus fails."""
        self._load.set(False)
        self._load.set(True)
        return decode(self._spi.transfer(self._clocks))

    def doubted(self, levels: int, moved: int) -> int:
        """Return the channels of chips that do not read as `levels` when read again, the chain left otherwise.

        Left so that each chip with channels in `moved` holds what the last chip has loaded: the sentinel in that one is
        not the level that the chain is left with else.
        """
        doubted = 0
        for chip in range(self._chips):
            if moved >> 8 * chip & 0xFF:
                doubted |= levels ^ self._read_after(self._chips - 1 - chip)
        return sum(0xFF << place for place in range(0, 8 * self._chips, 8) if doubted >> place & 0xFF)

    def check(self) -> bool:
        """Return False: the chips have no settings to lose."""
        return False

    def _read_after(self, chips: int) -> int:
        """Read once more, having moved what is loaded so many chips on."""
        if chips:
            self._load.set(False)
            self._load.set(True)
            self._spi.transfer(bytes(chips))
        return self.read()


class Twin:
    """A chain of `chips` as the wires see it; every input starts high, as pull-ups hold it.

    `serial_in` is what DS of the last chip is wired to.
    """

    def __init__(self, chips: int) -> None:
        self.chips = chips
        self.levels = (1 << 8 * chips) - 1
        self.serial_in = False
        self._shifted = bytes(chips)

    def load(self, level: bool) -> None:
        """Take an edge of PL."""
        if not level:
            self._shifted = encode(self.levels, self.chips)

    def transfer(self, data: bytes) -> bytes:
        """Shift out as many bytes as are clocked; what `data` is goes to the lamps."""
        both = self._shifted + (b"\xff" if self.serial_in else b"\0") * len(data)
        self._shifted = both[len(data) :]
        return both[: len(data)]

    def set(self, channel: int, level: bool) -> None:
        """Put one input high or low."""
        self.levels = self.levels | 1 << channel if level else self.levels & ~(1 << channel)
