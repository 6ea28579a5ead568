"""Contacts in rows and columns on one MCP23017; `matrix` says how such a thing works, `mcp23017` what the chip is.

A row is let go of by making its pin an input. The last one stays low until the next scan: that saves a transfer.
"""

from collections.abc import Sequence

from bridge.parts import mcp23017
from bridge.parts.facts import Facts
from bridge.parts.matrix import Contacts
from bridge.parts.mcp23017 import GPIOA, IODIRA, SETTINGS, Chip
from bridge.wires.kinds import I2c

FACTS = Facts(
    name="MCP23017 matrix",
    serves="keys",
    bus="i2c",
    channels=1,
    # For each row: address, register and two bytes, nine clocks each, between a start and a stop; then the ports.
    bits_per_chip=9 * (2 + 2) + 2 + mcp23017.FACTS.bits_per_chip,
    max_rate_hz=mcp23017.FACTS.max_rate_hz,
    pwm_hz=None,
    lines=(),
    source=mcp23017.FACTS.source,
    addresses=mcp23017.FACTS.addresses,
    pulls=("up",),
    outputs_only=mcp23017.FACTS.outputs_only,
    matrix=True,
    electrical=mcp23017.FACTS.electrical,
)
PINS = mcp23017.CHANNELS


class Driver(Chip):
    """Reads the chip at `address`, whose pins (0 is GPA0, 8 is GPB0) are `rows` and `columns`.

    If it does not answer, that raises nothing yet: `read` tries it again.
    """

    def __init__(self, i2c: I2c, address: int, rows: Sequence[int], columns: Sequence[int]) -> None:
        self._directions = [int.from_bytes(SETTINGS[:2], "little") & ~(1 << row) for row in rows]
        self._columns = columns
        super().__init__(i2c, address, self._directions[-1].to_bytes(2, "little") + SETTINGS[2:])

    def doubted(self, levels: int, moved: int) -> int:  # noqa: ARG002 -- the seam's signature
        """Return 0: what moves is confirmed by `read` already."""
        return 0

    def scan(self) -> int:
        """Return the levels; bit n is channel n, 0 for a closed contact. Raises OSError when it does not answer."""
        levels = channel = 0
        for direction in self._directions:
            self.i2c.write(self.address, IODIRA, direction.to_bytes(2, "little"))
            ports = mcp23017.decode(self.i2c.read(self.address, GPIOA, 2))
            for column in self._columns:
                levels |= (ports >> column & 1) << channel
                channel += 1
        return levels


class Twin(mcp23017.Twin):
    """One chip with the contacts at its pins."""

    def __init__(self, rows: Sequence[int], columns: Sequence[int], *, diodes: bool) -> None:
        super().__init__(1)
        self._rows, self._columns = rows, columns
        self._contacts = Contacts(len(rows), len(columns), diodes=diodes)

    def set(self, channel: int, level: bool) -> None:
        """Open a contact or, with a low level, close it."""
        self._contacts.set(channel, level)

    def read(self, chip: int, register: int, count: int) -> bytes:
        """Return `count` registers from one on; the columns are what the rows make of them now."""
        low = self._contacts.low(sum((self.driven_low() >> row & 1) << n for n, row in enumerate(self._rows)))
        self.levels = ~sum((low >> n & 1) << column for n, column in enumerate(self._columns)) & (1 << PINS) - 1
        return super().read(chip, register, count)
