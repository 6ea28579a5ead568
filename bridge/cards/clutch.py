"""The clutch between a card machine's ever-turning shaft and its card feed."""

from bridge.clock import SECOND, paced

TEETH = 4
"""How many times in a card cycle the clutch can take hold."""


class Clutch:
    """Latch points on absolute times: `TEETH` a cycle, from `origin` (nanoseconds) on.

    `cycle` is a card cycle in nanoseconds, 60 s / cards_per_minute / pace to within 2 ns, and 0 at pace infinity. As it
    is a whole number of latch points, a card that is wanted in time follows the last one at exactly one cycle.
    """

    def __init__(self, origin: int, cards_per_minute: float, pace: float) -> None:
        self._origin = origin
        self._tooth = paced(60 * SECOND / cards_per_minute / TEETH, pace)
        self.cycle = TEETH * self._tooth

    def latch(self, at: int) -> int:
        """Return the first latch point not before `at`."""
        return at + (self._origin - at) % self._tooth if self._tooth else at
