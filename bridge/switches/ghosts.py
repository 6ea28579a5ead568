"""Which contacts of a matrix without diodes can be told, and which cannot.

A row is pulled low and the columns are read: a column is low if any path of closed contacts joins it to that row. So
three closed corners of a rectangle make the fourth look closed. Columns that are joined through more than one row, and
their rows, are one net; within it any one contact may be open and all would read the same. What reads open is open, and
a net of one row or of one column has no other way round: all else is withheld.
"""


class Ghosts:
    """A matrix of so many `rows` and `columns`; bit row × columns + column of a number is a contact, 1 for closed."""

    def __init__(self, rows: int, columns: int) -> None:
        self._shifts = [row * columns for row in range(rows)]
        self._row = (1 << columns) - 1
        self._all = (1 << rows * columns) - 1

    def withheld(self, closed: int) -> int:
        """Return the contacts of which `closed`, what was read, does not tell whether they are closed."""
        closed &= self._all
        if not closed & closed - 1:
            return 0
        seen = shared = 0
        nets = [closed >> shift & self._row for shift in self._shifts]
        for columns in nets:
            shared |= seen & columns
            seen |= columns
        return self._around(nets) if shared else 0

    def _around(self, nets: list[int]) -> int:
        """Return the contacts of all nets of several rows and several columns."""
        held = 0
        joined: list[tuple[int, list[int]]] = []
        for row, columns in enumerate(nets):
            # A scan is not of one moment: rows that share only some columns are one net as well.
            net, rows = columns, [row]
            apart = []
            for other, its_rows in joined:
                if other & net:
                    net |= other
                    rows += its_rows
                else:
                    apart.append((other, its_rows))
            joined = [*apart, (net, rows)] if columns else joined
        for net, rows in joined:
            if len(rows) > 1 and net & net - 1:
                held |= sum(net << self._shifts[row] for row in rows)
        return held
