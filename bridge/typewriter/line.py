"""The console typewriter as the core has it: credit, a queue, and a few characters at a time on the line."""

import asyncio
import math
from collections.abc import Callable
from typing import Protocol

from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState, Report, on_change
from bridge.typewriter.mechanism import Mechanism, Schedule

QUEUE = 64
"""How many characters may wait here; the core never has credit for more."""

HOLD = 2
"""How many characters the typewriter and its line may have that are not printed: the one being struck and the next."""

_CREDIT_STEP = QUEUE // 4
_AT_ONCE = 16
_HELD_RETRY = SECOND // 50
_HELD_TOLD = 5 * SECOND
_FIRST_RETRY = SECOND // 4
_LAST_RETRY = 4 * SECOND


class Line(Protocol):
    """An open line to a typewriter."""

    def write(self, data: bytes) -> int:
        """Send as many of the characters as the line takes now, and return how many; raises OSError if it is gone."""

    def close(self) -> None:
        """Close the line; what it has not sent yet is given up."""


Received = Callable[[bytes], None]
Lost = Callable[[OSError], None]
OpenLine = Callable[[Received, Lost], Line]
"""Opens the line or raises OSError; from then on it passes on what comes from the keyboard, and tells if it is lost."""


class Typewriter:
    """A typewriter at the end of a line; `run()` drives it.

    `credit(n)` lets the core type n characters more; `printed(codes, at)` tells what has just gone to the typewriter
    and when (nanoseconds of `clock`) the last of it will be on the paper; `keyboard(codes)` passes on what is typed on
    it. `pace` hurries the mechanism: only a rehearsed one can be. The mechanism's speed should be the slowest the
    machine may have: one that is slower yet has to hold the line, or loses characters.

    States, told to `report` when they or their words change: "ready", "not-ready" (the line is gone; it is opened again
    when it is back, and at most HOLD characters were lost) and "check" (the typewriter has held the line for seconds).
    """

    def __init__(
        self,
        clock: LoopClock,
        mechanism: Mechanism,
        pace: float,
        open_line: OpenLine,
        credit: Callable[[int], None],
        keyboard: Received,
        printed: Callable[[bytes, int], None],
        report: Report,
    ) -> None:
        self._clock = clock
        self._schedule = Schedule(mechanism, pace, HOLD)
        # Without a pace there is nothing to keep, and a code at a time would be slow.
        self._at_a_time = _AT_ONCE if math.isinf(pace) else 1
        self._open_line = open_line
        self._grant = credit
        self._keyboard = keyboard
        self._printed = printed
        self._report = on_change(report)
        self._queue = bytearray()
        self._credit = 0
        self._came_at = 0
        self._news = asyncio.Event()
        self._lost: OSError | None = None

    def welcome(self) -> None:
        """Give a core that has just come credit for all the room there is; what an earlier one had is void."""
        self._credit = 0
        self._give_credit(step=1)

    def type(self, codes: bytes) -> bool:
        """Queue characters; returns False, and takes none of them, if they are more than the credit given."""
        if len(codes) > self._credit:
            return False
        if not self._queue:
            self._came_at = self._clock.now()
        self._credit -= len(codes)
        self._queue += codes
        self._news.set()
        return True

    async def run(self) -> None:
        """Keep the line open and type, until cancelled."""
        wait = _FIRST_RETRY
        while True:
            self._lost = None
            try:
                line = self._open_line(self._keyboard, self._line_lost)
                wait = _FIRST_RETRY
                try:
                    self._say("ready", "")
                    await self._type(line)
                finally:
                    line.close()
            except OSError as error:
                reason = error.strerror or str(error)
                self._say("not-ready", f"no line to the typewriter ({reason}): check its cable and its power")
            await self._clock.until(self._clock.now() + wait)
            wait = min(2 * wait, _LAST_RETRY)

    async def _type(self, line: Line) -> None:
        """Type what is queued; raises OSError when the line is lost."""
        not_before = self._clock.now()
        held_since = None
        while True:
            if self._lost:
                raise self._lost
            if not self._queue:
                self._news.clear()
                await self._news.wait()
                continue
            at = max(self._schedule.free_at(), self._came_at, not_before)
            await self._clock.until(at)
            sent = line.write(bytes(self._queue[: self._at_a_time]))
            if sent:
                self._sent(sent, at)
                held_since = None
                self._say("ready", "")
                continue
            now = self._clock.now()
            held_since = held_since or now
            not_before = now + _HELD_RETRY
            if now - held_since >= _HELD_TOLD:
                self._say("check", "the typewriter takes no characters: is it switched on, and is there paper?")

    def _sent(self, count: int, at: int) -> None:
        codes = bytes(self._queue[:count])
        del self._queue[:count]
        done = [self._schedule.send(code, at) for code in codes]
        self._printed(codes, done[-1])
        self._give_credit(step=_CREDIT_STEP)

    def _give_credit(self, step: int) -> None:
        room = QUEUE - len(self._queue) - self._credit
        if room >= step:
            self._credit += room
            self._grant(room)

    def _line_lost(self, error: OSError) -> None:
        self._lost = error
        self._news.set()

    def _say(self, state: str, words: str) -> None:
        self._report(DeviceState("typewriter", state, words))
