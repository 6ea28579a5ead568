"""From the raw scans of one key chain to key events, as long as the cable is proven."""

from dataclasses import dataclass

from bridge.switches.ghosts import Ghosts
from bridge.switches.settle import Settle


@dataclass(frozen=True)
class Contact:
    """One key's contact on a chain: its channel, and whether a closed contact reads high.

    `settle` is its own settling time in nanoseconds, None for that of all; it may report at `first` contact.
    """

    key: int
    channel: int
    closed_high: bool
    settle: int | None = None
    first: bool = False


@dataclass(frozen=True)
class KeyEvent:
    """A key (its index on the console) settled closed or open; `at` is the captured time of its first contact."""

    at: int
    key: int
    closed: bool


class KeyScan:
    """One chain of inputs: sentinel bits prove the cable, settled contacts become events.

    `always_high` and `always_low` are the channels whose level the wiring fixes. While any of them reads wrong the keys
    are frozen as they were (`intact` is False): a cable that has come off must not look like thrown keys. All contacts
    start open. Those of a matrix that cannot be told (`ghosts`) are held as they were; `withheld` tells that there are
    some. `known` tells that they have been read for long enough that those which are closed have settled.
    """

    def __init__(
        self,
        contacts: list[Contact],
        always_high: list[int],
        always_low: list[int],
        settle: int,
        ghosts: Ghosts | None = None,
    ) -> None:
        self._contacts = {contact.channel: contact for contact in contacts}
        self._high = sum(1 << channel for channel in always_high)
        self._fixed = self._high | sum(1 << channel for channel in always_low)
        self._wired = sum(1 << contact.channel for contact in contacts)
        own = {contact.channel: contact.settle for contact in contacts if contact.settle is not None}
        open_levels = sum(1 << contact.channel for contact in contacts if not contact.closed_high)
        first = sum(1 << contact.channel for contact in contacts if contact.first)
        self._settle = Settle(settle, open_levels, own, first)
        self._longest = max(settle, *own.values(), 0)
        self._first: int | None = None
        self.intact = True
        self.known = False
        self.withheld = False
        self._ghosts = ghosts

    def interrupt(self) -> None:
        """Take note that scans are missing: the samples before and after do not belong together."""
        self._settle.forget()

    def feed(self, now: int, levels: int) -> list[KeyEvent]:
        """Take one scan captured at `now` (nanoseconds; bit n is channel n) and return what happened."""
        self.intact = levels & self._fixed == self._high
        if not self.intact:
            self._settle.forget()
            return []
        if self._first is None:
            self._first = now
        self.known = now - self._first >= self._longest
        if self._ghosts is not None:
            held = self._ghosts.withheld(~levels) & self._wired
            self.withheld = held != 0
            levels = levels & ~held | self._settle.levels & held
        return [
            KeyEvent(at, self._contacts[channel].key, level == self._contacts[channel].closed_high)
            for at, channel, level in self._settle.feed(now, levels & self._wired)
        ]
