"""Debounce on captured time: a contact's new level counts once it has held it for the settling time.

Exactly: let t0 be the first sample at which a channel differs from its settled level and has differed in every sample
since. At the first sample with t - t0 >= the settling time the new level is reported, with t0 as the time of the event.
A sample at the settled level in between starts the wait anew, so a stray sample is never an event.
"""


class Settle:
    """Debounces all channels of a chain together; pure, it owns no clock."""

    def __init__(self, settle: int, levels: int) -> None:
        """Start from `levels` (bit n is channel n), taken as settled; `settle` is in nanoseconds."""
        self._settle = settle
        self.levels = levels
        self._since: dict[int, int] = {}

    def feed(self, now: int, levels: int) -> list[tuple[int, int, bool]]:
        """Take a sample captured at `now`; return (t0, channel, level) of each channel that settled at a new level."""
        changed = levels ^ self.levels
        since = self._since
        if not changed:
            if since:
                since.clear()
            return []
        for channel in [channel for channel in since if not changed >> channel & 1]:
            del since[channel]
        settled = []
        while changed:
            bit = changed & -changed
            changed ^= bit
            channel = bit.bit_length() - 1
            start = since.setdefault(channel, now)
            if now - start >= self._settle:
                del since[channel]
                self.levels ^= bit
                settled.append((start, channel, bool(levels & bit)))
        return settled

    def forget(self) -> None:
        """Drop contacts that were about to settle: the samples before and after do not belong together."""
        self._since.clear()
