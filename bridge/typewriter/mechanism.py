"""What a typewriter's mechanism does with each code, and how long that takes it."""

from collections import deque
from dataclasses import dataclass

from bridge.clock import SECOND, paced

BEL, BS, LF, CR = 0x07, 0x08, 0x0A, 0x0D
_PRINTING = range(0x20, 0x7F)


@dataclass(frozen=True)
class Mechanism:
    """A typewriter with `columns` places to print at, and the line that leads to it.

    Every code takes one character cycle, 1 / `characters_per_second`, but for the carriage return: that takes
    `return_ms` and `travel_ms` for each column the carriage moves. The line carries at most
    `line_characters_per_second`.
    """

    characters_per_second: float
    line_characters_per_second: float
    columns: int
    return_ms: float
    travel_ms: float

    def step(self, column: int, code: int) -> tuple[float, int]:
        """Return how many nanoseconds a code takes with the carriage at `column`, from 0, and where it is then.

        At the right margin the carriage stays, and characters are struck on top of each other; so it does at the left
        one, for BS. A code that neither prints nor moves anything takes its cycle all the same.
        """
        if code == CR:
            return (self.return_ms + self.travel_ms * column) * SECOND / 1000, 0
        if code == BS:
            column = max(column - 1, 0)
        elif code in _PRINTING:
            column = min(column + 1, self.columns - 1)
        return SECOND / self.characters_per_second, column

    @property
    def wire(self) -> float:
        """How many nanoseconds a character is on the line."""
        return SECOND / self.line_characters_per_second


def prints(code: int) -> bool:
    """Return whether a code strikes the paper; the space counts, though nothing is to be seen of it."""
    return code in _PRINTING


class Schedule:
    """When each code may be sent, so that a typewriter never has more than `hold` unfinished ones, and never waits.

    Times are nanoseconds. They follow from each other and not from when anything was noticed, so that being late with
    one code does not delay the ones after it.
    """

    def __init__(self, mechanism: Mechanism, pace: float, hold: int) -> None:
        self._mechanism = mechanism
        self._pace = pace
        self._wire = paced(mechanism.wire, pace)
        self._column = 0
        self._arrived = 0
        self._done: deque[int] = deque([0] * hold, hold)

    def free_at(self) -> int:
        """Return when the next code may be sent."""
        return self._done[0]

    def send(self, code: int, at: int) -> int:
        """Note that a code is sent at `at`, not before it may be; return when the mechanism is done with it."""
        duration, self._column = self._mechanism.step(self._column, code)
        self._arrived = max(at, self._arrived) + self._wire
        self._done.append(max(self._arrived, self._done[-1]) + paced(duration, self._pace))
        return self._done[-1]
