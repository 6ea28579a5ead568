"""Debounce on captured time: a contact's new level counts once it has held it for the settling time.

Exactly: let t0 be the first sample at which a channel differs from its reported level and has differed in every sample
since. At the first sample with t - t0 >= the settling time the new level is reported, with t0 as the time of the event.
A sample at the reported level in between starts the wait anew, so a stray sample is never an event.

A channel that reports at first contact need not hold the new level, if it has rested at the other for a settling time:
let t0 be the first sample that differs; at the next one that does with t - t0 <= the settling time the new level is
reported, with t0 as the time of the event. One stray sample is no event, two of them are. From then on, until it has
rested at the level reported for a settling time, the rule above holds: so bounce is no event, and a level that was not
kept is put right. It is for keys that must answer at once, on wires that pick up nothing.

Either way the level reported last is the one the contact settles at. What is shorter than the settling time, or at
first contact shorter than two samples, may go unseen.
"""

from collections.abc import Mapping


class Settle:
    """Debounces all channels of a chain together; pure, it owns no clock."""

    def __init__(self, settle: int, levels: int, own: Mapping[int, int] | None = None, first: int = 0) -> None:
        """Start from `levels` (bit n is channel n), taken as settled.

        `settle` is in nanoseconds; channels with another settling time are in `own`. Those in `first`, a bit for each,
        report at first contact.
        """
        self._settle = settle
        self._own = own or {}
        self._first = first
        self.levels = levels
        self._since: dict[int, int] = {}
        self._struck: dict[int, int] = {}
        """When a channel that rested was first seen otherwise."""
        self._unrested: dict[int, int | None] = {}
        """Channels reported at first contact that have not rested yet, and since when they seem to."""

    def feed(self, now: int, levels: int) -> list[tuple[int, int, bool]]:
        """Take a sample captured at `now`; return (t0, channel, level) of each channel with a new level to report."""
        changed = levels ^ self.levels
        since = self._since
        if self._unrested:
            self._rest(now, changed)
        if not changed:
            if since:
                since.clear()
            return []
        for channel in [channel for channel in since if not changed >> channel & 1]:
            del since[channel]
        reported = []
        while changed:
            bit = changed & -changed
            changed ^= bit
            channel = bit.bit_length() - 1
            start = since.setdefault(channel, now)
            if now - start >= self._own.get(channel, self._settle):
                self._struck.pop(channel, None)
                self._unrested.pop(channel, None)
            elif bit & self._first and (struck := self._strike(now, channel)) is not None:
                start = struck
            else:
                continue
            del since[channel]
            self.levels ^= bit
            reported.append((start, channel, bool(levels & bit)))
        return reported

    def forget(self) -> None:
        """Drop contacts that were about to settle: the samples before and after do not belong together."""
        self._since.clear()
        self._struck.clear()
        self._unrested = dict.fromkeys(self._unrested)

    def _strike(self, now: int, channel: int) -> int | None:
        """Note that a channel is not at its reported level; return since when, if that is to be reported."""
        if channel in self._unrested:
            return None
        start = self._struck.pop(channel, None)
        if start is None or now - start > self._own.get(channel, self._settle):
            self._struck[channel] = now
            return None
        self._unrested[channel] = now
        return start

    def _rest(self, now: int, changed: int) -> None:
        """Note which of the channels that have not rested do so by now."""
        for channel, start in tuple(self._unrested.items()):
            if changed >> channel & 1:
                self._unrested[channel] = None
            elif start is None:
                self._unrested[channel] = now
            elif now - start >= self._own.get(channel, self._settle):
                del self._unrested[channel]
