"""A typewriter at the far end of a pseudo-terminal: it takes what the line brings, prints it, and can be typed on."""

import asyncio
import contextlib
import math
import os
import tty
from collections import deque

from bridge.clock import SECOND, LoopClock, paced
from bridge.typewriter.mechanism import BEL, LF, Mechanism, prints

PAGE_LINES = 2000
"""How many lines of the page are kept."""

_READ = 4096


class Page:
    """The paper: lines of columns, and in each column everything that was struck there, in order."""

    def __init__(self) -> None:
        self.lines: deque[list[str]] = deque([[]], PAGE_LINES)

    def strike(self, column: int, character: str) -> None:
        """Print a character over whatever is there."""
        line = self.lines[-1]
        line += [""] * (column + 1 - len(line))
        line[column] += character

    def feed(self) -> None:
        """Turn the platen by a line."""
        self.lines.append([])

    def text(self) -> list[str]:
        """Return the lines as they read, the last mark struck in a column; none for a last line still empty."""
        read = ["".join((struck.replace(" ", "") or " ")[-1] for struck in line).rstrip() for line in self.lines]
        return read if self.lines[-1] else read[:-1]


class RehearsedTypewriter:
    """A typewriter with this mechanism, hurried by `pace`; at pace infinity it prints what comes as it comes.

    `path` is where its line is opened. It takes characters no faster than the line carries them and keeps what it has
    not printed; `most_held` is how much that ever was, `printed` how many codes it is done with, `bells` how often BEL
    came. It never holds the line, has no
    parity, and does not run out of paper. `unplug` cuts the line and `plug` makes a new one, at another `path`.
    """

    def __init__(self, clock: LoopClock, mechanism: Mechanism, pace: float) -> None:
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._mechanism = mechanism
        self._pace = pace
        self._wire = paced(mechanism.wire, pace)
        self._at_a_time = _READ if math.isinf(pace) else 1
        self._paper = Page()
        self._column = 0
        self._held: deque[tuple[int, int]] = deque()
        self._done_at = 0
        self._line_free = 0
        self._listening: asyncio.TimerHandle | None = None
        self._printing: asyncio.TimerHandle | None = None
        self._ends: tuple[int, int] | None = None
        self.printed = 0
        self.most_held = 0
        self.bells = 0
        self.path = ""
        self.plug()

    def page(self) -> list[str]:
        """Return the page as it reads, at most PAGE_LINES lines of it."""
        return self._paper.text()

    def strikes(self) -> list[list[str]]:
        """Return the page's lines, each a list of columns with everything that was struck there."""
        return list(self._paper.lines)

    def press(self, codes: bytes) -> None:
        """Type on the keyboard; what nobody takes from the line is lost."""
        if self._ends:
            with contextlib.suppress(BlockingIOError):
                os.write(self._ends[0], codes)

    def take(self, codes: bytes) -> None:
        """Take codes that have come over the line, and print each in its turn."""
        now = self._clock.now()
        self._held.extend((now, code) for code in codes)
        self.most_held = max(self.most_held, len(self._held))
        if not self._printing:
            self._print()

    def plug(self) -> None:
        """Make a line, if there is none."""
        if self._ends:
            return
        typewriter, line = os.openpty()
        # The line's own end stays open too: without anyone at it, this end would look cut.
        tty.setraw(line)
        os.set_blocking(typewriter, False)
        self.path = os.ttyname(line)
        self._ends = typewriter, line
        self._listen()

    def unplug(self) -> None:
        """Cut the line; what is held is still printed."""
        if self._ends:
            if self._listening:
                self._listening.cancel()
            self._loop.remove_reader(self._ends[0])
            for end in self._ends:
                os.close(end)
            self._ends = None

    def close(self) -> None:
        """Cut the line and stop printing."""
        self.unplug()
        if self._printing:
            self._printing.cancel()

    def _listen(self) -> None:
        if self._ends:
            self._loop.add_reader(self._ends[0], self._readable, self._ends[0])

    def _readable(self, end: int) -> None:
        try:
            codes = os.read(end, self._at_a_time)
        except BlockingIOError:
            return
        if self._wire:
            self._loop.remove_reader(end)
            self._line_free = max(self._line_free + self._wire, self._clock.now())
            self._listening = self._loop.call_at(self._line_free / SECOND, self._listen)
        self.take(codes)

    def _print(self) -> None:
        """Print what is due, and come back when the next one is."""
        self._printing = None
        now = self._clock.now()
        while self._held:
            arrived, code = self._held[0]
            duration, column = self._mechanism.step(self._column, code)
            done_at = max(arrived, self._done_at) + paced(duration, self._pace)
            if done_at > now:
                self._printing = self._loop.call_at(done_at / SECOND, self._print)
                return
            self._held.popleft()
            self.printed += 1
            self._done_at = done_at
            self._strike(code)
            self._column = column

    def _strike(self, code: int) -> None:
        if prints(code):
            self._paper.strike(self._column, chr(code))
        elif code == LF:
            self._paper.feed()
        elif code == BEL:
            self.bells += 1
