"""What text editors, desks and accidents make of a deck file, and what is no deck at all."""

import re
from collections.abc import Iterator

from bridge.cards.card import COLUMNS

PIECE = 1 << 15
"""Decks are worked on in pieces of so many bytes, so that no single call holds the interpreter for a millisecond."""

TABS = 8
"""A tab goes to the column after the next multiple of this, as most editors show it."""

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_WIDE = (b"\xff\xfe", b"\xfe\xff")
_PICTURE = re.compile(rb"P[1-6]\s")
# Control characters that no text has; a line end, a tab or a form feed is another matter.
_TEXT = bytes(b for b in range(256) if b in b"\t\n\f\r\x1a" or 0x20 <= b != 0x7F)
_FEW, _SHARE = 4, 0.05
_WINDOW = 1 << 20


def not_text(data: bytes) -> str:
    """Return why `data` is no deck as text, and what to do, or "" if it may be one. Looks at its beginning only."""
    head = data[:PIECE].rstrip(b"\0")
    if head.startswith(_WIDE):
        return "this is UTF-16 text: save the deck as UTF-8 text"
    odd = len(head.translate(None, _TEXT))
    if odd > _FEW and odd > _SHARE * len(head):
        if _PICTURE.match(head):
            return "this is a picture: name a deck of pictures *.pbm, and make it text with: consolewright deck convert"
        if max(head[0::2].count(0), head[1::2].count(0)) > len(head) / 4:
            return "this is UTF-16 text: save the deck as UTF-8 text"
        return "this is no text, and so no deck: a deck is a text file with a line for each card"
    if b"\n" not in head and b"\r" in head.removesuffix(b"\r"):
        return "the lines end in CR alone: save the deck with line ends LF or CR LF"
    return ""


class Edited:
    """A deck file's content, `data`, as an editor left it: takes it apart, undoes what editors do and remembers it."""

    def __init__(self, data: bytes, tabs: int) -> None:
        self._data = data
        self._tabs = tabs
        self._start = len(_BYTE_ORDER_MARK) if data.startswith(_BYTE_ORDER_MARK) else 0
        self.nuls = _nuls_at_the_end(data)
        """How many NUL bytes the content ends in, which `pieces` leaves out: a power cut leaves them behind."""
        self._end = len(data) - self.nuls
        self._habits: set[str] = set()
        self._tabbed = 0
        if self._start:
            self._habits.add("a byte order mark")
        if self._start < self._end and not data.startswith(b"\n", self._end - 1):
            self._habits.add("no LF at the end")

    def pieces(self) -> Iterator[bytes | None]:
        """Yield the content in pieces of whole lines, each ended by LF; None for a line of more than PIECE bytes."""
        start = self._start
        while start < self._end:
            rest = self._end - start
            cut = self._end if rest <= PIECE else self._data.rfind(b"\n", start, start + PIECE) + 1
            if cut:
                piece = self._data[start:cut]
                yield piece if piece.endswith(b"\n") else piece + b"\n"
            else:
                cut = self._line_end(start + PIECE)
                yield None
            start = cut

    def undo(self, text: str) -> str:
        """Return whole lines with LF for CR LF, and blanks for tabs."""
        if "\r\n" in text:
            self._habits.add("CR LF")
            text = text.replace("\r\n", "\n")
        if "\t" in text:
            text = self.trim(text)
            self._tabbed += sum("\t" in line for line in text.split("\n"))
            text = text.expandtabs(self._tabs)
        return text

    def trim(self, text: str) -> str:
        """Return whole lines without blanks at their ends."""
        return "\n".join([line.rstrip(" \t") for line in text.split("\n")])

    def trimmed(self) -> None:
        """Remember that blanks went beyond the last column."""
        self._habits.add(f"blanks after column {COLUMNS}")

    def notes(self) -> tuple[str, ...]:
        """Return what was undone, in words; it is nothing wrong."""
        notes = []
        if self._tabbed:
            lines = "1 line" if self._tabbed == 1 else f"{self._tabbed:,} lines"
            stops = range(1 + self._tabs, COLUMNS + 1, self._tabs)
            named = ", ".join(map(str, stops[:3])) + (", …" if len(stops) > 3 else "")
            notes.append(f"tabs in {lines} went to the next stop, every {self._tabs} columns: {named}")
        if self._habits:
            notes.append(f"taken as an editor left it: {', '.join(sorted(self._habits))}")
        return tuple(notes)

    def _line_end(self, at: int) -> int:
        while at < self._end:
            found = self._data.find(b"\n", at, at + _WINDOW) + 1
            if found:
                return found
            at += _WINDOW
        return self._end


def _nuls_at_the_end(data: bytes) -> int:
    end = len(data)
    while data.startswith(b"\0", end - 1) and end:
        window = data[max(end - _WINDOW, 0) : end]
        kept = len(window.rstrip(b"\0"))
        end -= len(window) - kept
        if kept:
            break
    return len(data) - end
