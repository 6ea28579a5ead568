"""From the raw scans of one key chain to key events, as long as the cable is proven."""

from dataclasses import dataclass

from bridge.switches.breaks import CHIP, Breaks
from bridge.switches.ghosts import Ghosts
from bridge.switches.settle import Settle

TRUST = 250_000_000
"""Nanoseconds for which a chain that read wrong must read right before its keys are believed again, and for which a
second look may contradict the first: no contact bounces so long."""


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

    `always_high` and `always_low` are the channels whose level the wiring fixes, those of the tail among them. From the
    moment any of them reads wrong until all have been right for TRUST the keys are frozen as they were (`intact` is
    False): a cable that has come off must not look like thrown keys. All contacts start open. Those of a matrix that
    cannot be told (`ghosts`) are held as they were; `withheld` tells that there are some. `known` tells that they have
    been read for long enough that those which are closed have settled. `breaks` works out where the chain is broken.
    """

    def __init__(
        self,
        contacts: list[Contact],
        always_high: list[int],
        always_low: list[int],
        settle: int,
        ghosts: Ghosts | None = None,
        breaks: Breaks | None = None,
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
        self._breaks = breaks
        self._right: int | None = None
        """Since when the sentinels have been right again."""
        self._doubted: int | None = None
        """Since when no second look has confirmed the first."""
        self.suspects: range | None = None
        """The chips to which the cable leads that is broken, once that is worked out."""

    def interrupt(self) -> None:
        """Take note that scans are missing: the samples before and after do not belong together."""
        self._settle.forget()
        self._right = self._doubted = None

    def moved(self, levels: int) -> int:
        """Return the keys' channels of a scan that are not as reported: a second look at them is worth its time."""
        return (levels ^ self._settle.levels) & self._wired if levels & self._fixed == self._high else 0

    def feed(self, now: int, levels: int, doubted: int = 0) -> list[KeyEvent]:
        """Take one scan captured at `now` (nanoseconds; bit n is channel n) and return what happened.

        The channels in `doubted` are those that a second look has not confirmed: they are taken as they were.
        """
        if not self._believed(now, levels, doubted):
            return []
        if self._first is None:
            self._first = now
        self.known = now - self._first >= self._longest
        if doubted:
            levels = levels & ~doubted | self._settle.levels & doubted
        if self._ghosts is not None:
            held = self._ghosts.withheld(~levels) & self._wired
            self.withheld = held != 0
            levels = levels & ~held | self._settle.levels & held
        return [
            KeyEvent(at, self._contacts[channel].key, level == self._contacts[channel].closed_high)
            for at, channel, level in self._settle.feed(now, levels & self._wired)
        ]

    def _believed(self, now: int, levels: int, doubted: int) -> bool:
        """Tell whether a scan is to be believed."""
        wrong = levels & self._fixed ^ self._high
        if wrong or (doubted and not self.intact):
            self._break(levels, wrong, doubted)
            return False
        if not doubted:
            self._doubted = None
        elif self._doubted is None:
            self._doubted = now
        elif now - self._doubted >= TRUST:
            self._break(levels, wrong, doubted)
            return False
        if self.intact:
            if self._breaks is not None:
                self._breaks.sound(levels)
            return True
        if self._right is None:
            self._right = now
            if self._breaks is not None:
                self._breaks.right()
        self.intact = now - self._right >= TRUST
        if self.intact:
            self.suspects = None
        return self.intact

    def _break(self, levels: int, wrong: int, doubted: int) -> None:
        """Freeze the keys, and see where the chain is broken: sentinels are `wrong`, or a chip is `doubted`."""
        self._settle.forget()
        self._right = None
        intact, self.intact = self.intact, False
        if intact and not wrong:
            self.suspects = range(_lowest(doubted) // CHIP, -(-doubted.bit_length() // CHIP))
        elif wrong and self._breaks is not None and not self._breaks.worked_out:
            self.suspects = self._breaks.broken(levels, wrong)


def _lowest(bits: int) -> int:
    return (bits & -bits).bit_length() - 1
