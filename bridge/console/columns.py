"""Tables as text that fits a terminal of 80 columns, or a sheet of paper."""

from collections.abc import Iterable, Sequence
from itertools import zip_longest
from textwrap import wrap

WIDTH = 80
GAP = "  "


def table(rows: Iterable[Sequence[str]], width: int = WIDTH - len(GAP)) -> list[str]:
    """Return rows of cells as lines with straight columns, at most `width` wide.

    A cell that is too long goes on in its column below; only a single word that is longer still makes a line longer.
    """
    rows = list(rows)
    if not rows:
        return []
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    least = [max(len(word) for cell in column for word in cell.split() or [""]) for column in zip(*rows, strict=True)]
    while sum(widths) + len(GAP) * (len(widths) - 1) > width:
        spare = [have if have > need else 0 for have, need in zip(widths, least, strict=True)]
        if not any(spare):
            break
        widths[spare.index(max(spare))] -= 1
    lines: list[str] = []
    for row in rows:
        cells = [_wrapped(cell, room) for cell, room in zip(row, widths, strict=True)]
        for parts in zip_longest(*cells, fillvalue=""):
            padded = (f"{part:{room}}" for part, room in zip(parts, widths, strict=True))
            lines.append(GAP.join(padded).rstrip())
    return lines


def paragraph(text: str, width: int = WIDTH - len(GAP)) -> list[str]:
    """Return a sentence as lines, those after the first a little further in."""
    return wrap(text, width, subsequent_indent=GAP, break_on_hyphens=False, break_long_words=False)


def _wrapped(cell: str, width: int) -> list[str]:
    return wrap(cell, max(width, 1), break_on_hyphens=False, break_long_words=False)
