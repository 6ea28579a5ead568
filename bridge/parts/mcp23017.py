"""MCP23017: 16 inputs behind an I2C bus, each with a pull-up in the chip (Microchip data sheet DS20001952, revision D).

The numbers of the registers agree with published drivers; the bits, and what the chip does at reset, are from memory.

A contact pulls its input to ground. Channels 0 to 7 are GPA0 to GPA7, 8 to 15 are GPB0 to GPB7. Since its revision of
2022 the data sheet has GPA7 and GPB7 as outputs only: as inputs they can spoil what the chip sends. They are made
outputs that stay low.

After a dip in its supply a chip has its inputs without pull-ups, and they may read as anything. So its settings are
read back each time an input seems to have moved, before that is believed, and once a second besides. The interrupt
lines are not used: the inputs are read at the scan's rate anyway.
"""

import errno
from collections.abc import Sequence

from bridge.parts.facts import Electrical, Facts
from bridge.wires.kinds import I2c

IODIRA, GPINTENB, IOCON, GPPUA, GPIOA, OLATA = 0x00, 0x05, 0x0A, 0x0C, 0x12, 0x14
"""Registers while IOCON.BANK is 0, two of each, that of port B after that of port A: 1 for an input, interrupts on,
the chip's own settings (one register in two places), 1 for a pull-up, what the pins are, what outputs shall be."""
BANKED_IOCON = GPINTENB
"""Where the chip's own settings are while IOCON.BANK is 1."""
REGISTERS = 22

BANK, SEQOP = 0x80, 0x20
"""Bits of IOCON: registers stand port by port; a block does not fill successive registers."""

INPUTS = 0x7F
"""Of a port: all but the pin that is an output only."""

CHANNELS = 16
SETTINGS = bytes([INPUTS, INPUTS, *[0] * 10, INPUTS, INPUTS])
"""Registers IODIRA to GPPUB as the driver sets them: inputs, not inverted, no interrupts, blocks, with pull-ups."""

FACTS = Facts(
    name="MCP23017",
    serves="keys",
    bus="i2c",
    channels=CHANNELS,
    # Address, register, address again and two bytes, nine clocks each, between a start, another start and a stop. When
    # an input has moved, its chip's settings follow, 156 clocks once.
    bits_per_chip=9 * (3 + CHANNELS // 8) + 3,
    max_rate_hz=1_700_000,
    pwm_hz=None,
    lines=(),
    source="Microchip MCP23017 data sheet, revision D of 2022",
    addresses=tuple(range(0x20, 0x28)),
    pulls=("up",),
    outputs_only=((7, "GPA7"), (15, "GPB7")),
    electrical=Electrical((1.8, 5.5), 0.8, "Microchip DS20001952C, table 1-1", speaks="pulled"),
)


def decode(data: bytes) -> int:
    """Return the levels that GPIOA and GPIOB, of one chip after the other, tell: bit n is channel n, 1 for high."""
    return int.from_bytes(data, "little")


def encode(levels: int, chips: int) -> bytes:
    """Return GPIOA and GPIOB of each chip for these levels; the inverse of `decode`."""
    return levels.to_bytes(2 * chips, "little")


class Chip:
    """One chip: set up as soon as it answers, and proven to be so whenever it reads as something new.

    `settings` are registers IODIRA to GPPUB. Nothing is sent before the first `read`.
    """

    def __init__(self, i2c: I2c, address: int, settings: bytes = SETTINGS) -> None:
        self.i2c = i2c
        self.address = address
        self._settings = settings
        self._found: int | None = None
        """What it last read as, None while it is not set up."""
        self._lost = False

    def scan(self) -> int:
        """Return what it reads as, be it set up or not. Raises OSError when it does not answer."""
        return decode(self.i2c.read(self.address, GPIOA, 2))

    def read(self) -> int:
        """Return what it reads as while it is set up. Raises OSError, naming the chip, when it does not answer."""
        try:
            if self._found is None:
                self._set_up()
            found = self.scan()
            if found != self._found and not self._is_as_set_up():
                self._lost = True
                self._set_up()
                found = self.scan()
                self._prove()
        except OSError as error:
            self._found = None
            raise OSError(error.errno, f"the chip at 0x{self.address:02X}: {error.strerror or error}") from error
        self._found = found
        return found

    def check(self) -> bool:
        """Read its settings back; return True if it had lost them since this was last asked."""
        try:
            if self._found is not None and not self._is_as_set_up():
                self._found = None
                self._lost = True
        except OSError:
            # It may have lost its supply with its plug; `read` says so.
            self._found = None
        lost, self._lost = self._lost, False
        return lost

    def _set_up(self) -> None:
        # Another program may have left it port by port. If not, this clears an interrupt that is not wanted either.
        self.i2c.write(self.address, BANKED_IOCON, bytes(1))
        self.i2c.write(self.address, IOCON, bytes(1))
        self.i2c.write(self.address, OLATA, bytes(2))
        self.i2c.write(self.address, IODIRA, self._settings)

    def _prove(self) -> None:
        # A wire that is held low acknowledges everything, and reads as nothing but zeros.
        if not self._is_as_set_up():
            raise OSError(errno.EIO, "it does not keep what is written to it")

    def _is_as_set_up(self) -> bool:
        # What the pins that are outputs only have in these registers is the chip's business.
        found = self.i2c.read(self.address, IODIRA, len(self._settings))
        return all((byte ^ wanted) & INPUTS == 0 for byte, wanted in zip(found, self._settings, strict=True))


class Driver:
    """Reads the chips at `addresses`. One that does not answer raises nothing yet: `read` tries it again."""

    def __init__(self, i2c: I2c, addresses: Sequence[int]) -> None:
        self._chips = [Chip(i2c, address) for address in addresses]

    def read(self) -> int:
        """Return the levels now; bit n is channel n. Raises OSError, naming the chip, when one does not answer."""
        return sum(chip.read() << CHANNELS * n for n, chip in enumerate(self._chips))

    def doubted(self, levels: int, moved: int) -> int:  # noqa: ARG002 -- the seam's signature
        """Return 0: what moves is confirmed by `read` already."""
        return 0

    def check(self) -> bool:
        """Read every chip's settings back; return True if one had lost them. `read` sets it up again."""
        lost = [chip.check() for chip in self._chips]
        return any(lost)


class Twin:
    """So many chips as the bus sees them, at power-up, by number; every contact is open.

    Not simulated: interrupts. An input that nothing holds reads low, as if its contact were closed.
    """

    def __init__(self, chips: int) -> None:
        self._chips = [bytearray(REGISTERS) for _ in range(chips)]
        self.levels = (1 << CHANNELS * chips) - 1
        for chip in range(chips):
            self.upset(chip)

    def upset(self, chip: int) -> None:
        """Give a chip the registers it has after its supply has dipped: inputs all, and no pull-up."""
        self._chips[chip][:] = bytes(REGISTERS)
        self._chips[chip][IODIRA : IODIRA + 2] = b"\xff\xff"

    def set(self, channel: int, level: bool) -> None:
        """Pull one input low, or leave it to its pull-up."""
        self.levels = self.levels | 1 << channel if level else self.levels & ~(1 << channel)

    def write(self, chip: int, register: int, data: bytes) -> None:
        """Take a register's number and what is written from there on."""
        for byte in data:
            place = self._place(chip, register)
            register = self._next(chip, register)
            if place is not None:
                self._put(chip, place, byte)

    def read(self, chip: int, register: int, count: int) -> bytes:
        """Return `count` registers from one on, as IOCON lets them follow each other."""
        found = bytearray()
        for _ in range(count):
            place = self._place(chip, register)
            found.append(0 if place is None else self._get(chip, place))
            register = self._next(chip, register)
        return bytes(found)

    def driven_low(self, chip: int = 0) -> int:
        """Return the pins that are outputs and low, a bit for each."""
        registers = self._chips[chip]
        return decode(bytes(~(registers[IODIRA | port] | registers[OLATA | port]) & 0xFF for port in range(2)))

    def _place(self, chip: int, register: int) -> int | None:
        """Return where a register is while BANK is 0, None where there is none."""
        if not self._chips[chip][IOCON] & BANK:
            return register if register < REGISTERS else None
        port, number = divmod(register, 0x10)
        return 2 * number + port if number < REGISTERS // 2 and port < 2 else None

    def _next(self, chip: int, register: int) -> int:
        settings = self._chips[chip][IOCON]
        if not settings & SEQOP:
            last = 0x1A if settings & BANK else REGISTERS - 1
            return 0 if register == last else register + 1
        return register if settings & BANK else register ^ 1

    def _put(self, chip: int, place: int, byte: int) -> None:
        registers = self._chips[chip]
        if place & ~1 == IOCON:
            registers[IOCON] = registers[IOCON + 1] = byte & 0xFE
        elif place & ~1 == GPIOA:
            registers[OLATA | place & 1] = byte
        elif place < IOCON or place & ~1 in {GPPUA, OLATA}:
            registers[place] = byte

    def _get(self, chip: int, place: int) -> int:
        registers, port = self._chips[chip], place & 1
        if place & ~1 != GPIOA:
            return registers[place]
        held = registers[GPPUA | port] & self.levels >> CHANNELS * chip + 8 * port
        inputs = registers[IODIRA | port]
        return (held ^ registers[2 | port]) & inputs | registers[OLATA | port] & ~inputs & 0xFF
