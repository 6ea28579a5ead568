"""Contacts in rows and columns on lines of the board itself; `matrix` says how such a thing works.

Rows are never driven high: without diodes, two keys of one column would join a high row to a low one.
"""

from collections.abc import Sequence

from bridge.parts.facts import Facts
from bridge.parts.matrix import Contacts
from bridge.wires.kinds import Input, Line

FACTS = Facts(
    name="GPIO matrix",
    serves="keys",
    bus=None,
    channels=1,
    bits_per_chip=0,
    max_rate_hz=0,
    pwm_hz=None,
    lines=(),
    source="Raspberry Pi documentation, GPIO",
    limits="the board's own lines stand 3.3 V and no more; its pull-ups are weak: fit 10 kΩ from each column to 3.3 V "
    "where wires are longer than a hand",
    pulls=("up",),
    matrix=True,
)


class Driver:
    """Reads `columns`, pulled up, row by row. `rows` are let go of when high."""

    def __init__(self, rows: Sequence[Line], columns: Sequence[Input]) -> None:
        self._rows = rows
        self._columns = columns

    def read(self) -> int:
        """Return the levels now; bit n is channel n, 0 for a closed contact. Raises OSError when a line fails."""
        levels = channel = 0
        for row in self._rows:
            row.set(False)
            try:
                for column in self._columns:
                    levels |= column.get() << channel
                    channel += 1
            finally:
                row.set(True)
        return levels

    def doubted(self, levels: int, moved: int) -> int:  # noqa: ARG002 -- the seam's signature
        """Return 0: each line is looked at by itself."""
        return 0

    def check(self) -> bool:
        """Return False: a line has no settings to lose."""
        return False


class Twin:
    """The contacts at the ends of the lines."""

    def __init__(self, rows: Sequence[int], columns: Sequence[int], *, diodes: bool) -> None:
        self._contacts = Contacts(len(rows), len(columns), diodes=diodes)
        self._low = 0

    def set(self, channel: int, level: bool) -> None:
        """Open a contact or, with a low level, close it."""
        self._contacts.set(channel, level)

    def row(self, row: int, level: bool) -> None:
        """Pull a row low, or let go of it."""
        self._low = self._low & ~(1 << row) | (not level) << row

    def column(self, column: int) -> bool:
        """Return the level of a column."""
        return not self._contacts.low(self._low) >> column & 1
