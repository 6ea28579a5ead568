"""Contacts in rows and columns: what a matrix does, whatever drives its rows and reads its columns.

One row at a time is pulled low, the others are let go of; each column is pulled up, and low while a closed contact
joins it to that row. A diode at each contact, its cathode towards the row, lets current flow in no other way. Without
diodes there are other ways round, through rows that were let go of. Channels are numbered row by row: channel 0 is the
first column of the first row.
"""


class Contacts:
    """So many contacts, all open; `diodes` tells whether each has one."""

    def __init__(self, rows: int, columns: int, *, diodes: bool) -> None:
        self._columns = columns
        self._diodes = diodes
        self._closed = [0] * rows

    def set(self, channel: int, level: bool) -> None:
        """Open a contact or, with a low level, close it."""
        row, column = divmod(channel, self._columns)
        self._closed[row] = self._closed[row] & ~(1 << column) | (not level) << column

    def low(self, rows: int) -> int:
        """Return the columns that are low while these rows are pulled low, a bit for each."""
        low = self._joined(rows, 0)
        while not self._diodes and low != (more := self._joined(rows, low)):
            low = more
        return low

    def _joined(self, rows: int, low: int) -> int:
        """Return the columns next to a row that is low, be it pulled or joined to a column that is `low`."""
        found = low
        for row, columns in enumerate(self._closed):
            if rows >> row & 1 or columns & low:
                found |= columns
        return found
