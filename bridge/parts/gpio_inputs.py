"""Lines of the board itself as inputs, one contact each. No chip, no bus.

They are read at the scan's rate like all others: the edges of contacts that bounce come faster than they are told, and
some are lost.
"""

from collections.abc import Sequence

from bridge.parts.facts import Facts
from bridge.wires.kinds import Input

FACTS = Facts(
    name="GPIO inputs",
    serves="keys",
    bus=None,
    channels=1,
    bits_per_chip=0,
    max_rate_hz=0,
    pwm_hz=None,
    lines=(),
    source="Raspberry Pi documentation, GPIO",
    limits="the board's own lines stand 3.3 V and no more: a contact to 5 V destroys them, and perhaps the board",
    pulls=("up", "down", "none"),
)


class Driver:
    """Reads one line a channel."""

    def __init__(self, inputs: Sequence[Input]) -> None:
        self._inputs = inputs

    def read(self) -> int:
        """Return the levels now; bit n is channel n. Raises OSError when a line cannot be read."""
        return sum(line.get() << channel for channel, line in enumerate(self._inputs))

    def doubted(self, levels: int, moved: int) -> int:  # noqa: ARG002 -- the seam's signature
        """Return 0: each line is looked at by itself."""
        return 0

    def check(self) -> bool:
        """Return False: a line has no settings to lose."""
        return False


class Twin:
    """So many contacts straight on lines; every line starts high, as pull-ups hold it."""

    def __init__(self, contacts: int) -> None:
        self.levels = (1 << contacts) - 1

    def set(self, channel: int, level: bool) -> None:
        """Put one line high or low."""
        self.levels = self.levels | 1 << channel if level else self.levels & ~(1 << channel)
