"""What protects people who look: no large area flashes more than three times a second, and a calm hour is calm.

WCAG 2.2, general flash: a flash is a pair of opposing changes of relative luminance by 10 % of its maximum or more;
more than three of them in any second are dangerous where the area that flashes at one time is a quarter of the field
or more. ITU-R BT.1702 has the same count. Four flashes are eight changes, so the eighth within a second is what must
not come.

What is approximated: lamps stand for area, and a quarter of the lamps is a large one. WCAG lets flashes pass whose
darker state is 0.80 or more; no lamp knows here how bright the panel's brightest is, so that is not made use of. Nor
does any know its colour: of saturated red WCAG counts changes of colour too, here a tenth of each lamp's own light
counts, whatever its colour. Changes count as one if they come within the time of a television frame, which is how
pictures are judged. A fitted filament is judged by its duty, which changes more than its light does.
Pure; time is passed in.
"""

import threading
from collections import deque
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

CHANGE = 0.1
CHANGES = 7
"""As many opposing changes in a second are three flashes; one more makes the fourth."""
PANEL_CHANGES = CHANGES - 1
"""One less for the panel: which lamps make a change is a matter of where one begins to count, and another may find one
more."""
AREA = 0.25
FEWEST = 32
"""With fewer lamps than this there is no large area (a convention of ours, without a source)."""
SECOND = 1_000_000_000
TOGETHER = SECOND // 25

_BIN = SECOND // 8
_BINS = 9
"""Changes are kept by the eighth of a second. Eight of these and the one that runs are a second at least."""

Floats = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.uint16]

# A hair less than the rule says: what is lost in float32 must not make a change smaller than it is.
_CHANGE = np.float32(CHANGE - 1e-4)
_CHANGES = np.uint16(CHANGES)
_NONE = np.zeros(0, np.intp)
_AT_ONCE = 1e6
"""Full light so many times a second: what has no fade."""


class FlashLimit:
    """The limit of one console, whose lamps are on several buses: `shares[k]` passes the light of bus k's lamps.

    Two things are held until they are allowed again. Of single lamps: the eighth change within a second (nine eighths
    of it at most), while a quarter of the console's lamps have come to that. Of the panel: the seventh time within a
    second that a quarter of the lamps change together, wherever they are. Small areas, and what changes slowly, pass
    exactly.
    """

    def __init__(self, lamps: Sequence[int]) -> None:
        """Make one for a console with so many lamps on each of its buses."""
        total = sum(lamps)
        self._large = AREA * total if total >= FEWEST else np.inf
        # Buses are threads; what is counted for all of them is counted by one at a time.
        self._lock = threading.Lock()
        # How often each lamp has turned: in all that is remembered, and in each bin of it, the running one last.
        self._turns: Counts = np.zeros(total, np.uint16)
        self._bins = deque(np.zeros(total, np.uint16) for _ in range(_BINS))
        self._all_turns = 0
        self._begun = 0
        # The same of the panel; and when each lamp turned against the way it goes.
        self._panel_way = np.float32(-1)
        self._panel_turns: deque[int] = deque([-SECOND] * PANEL_CHANGES, maxlen=PANEL_CHANGES)
        self._against = np.full(total, -SECOND, np.int64)
        ends = np.cumsum(lamps).tolist()
        self.shares = [FlashShare(self, slice(end - count, end)) for end, count in zip(ends, lamps, strict=True)]

    def turn(self, now: int, where: slice, way: Floats, turning: Bools) -> Bools:
        """Take account of the lamps `where` that turn (`turning`) from the way they went; return which of them may.

        That is `turning` itself if all may.
        """
        with self._lock:
            self._forget(now)
            may = turning
            # No quarter of the lamps can have turned seven times each before all together have turned so often.
            if self._all_turns >= CHANGES * self._large:
                fast = self._turns >= _CHANGES
                if np.count_nonzero(fast) >= self._large:
                    may = turning & ~fast[where]
            against = may & (way == self._panel_way)
            if not self._may_turn_panel(now, where, against):
                may = may ^ against
            self._turns[where] += may
            self._bins[-1][where] += may
            self._all_turns += int(np.count_nonzero(may))
            return may

    def _forget(self, now: int) -> None:
        """Take off the turns that were more than a second ago."""
        passed = (now - self._begun) // _BIN
        if passed <= 0:
            return
        self._begun += passed * _BIN
        for _ in range(min(passed, _BINS)):
            oldest = self._bins.popleft()
            self._turns -= oldest
            self._all_turns -= int(oldest.sum())
            oldest.fill(0)
            self._bins.append(oldest)

    def _may_turn_panel(self, now: int, where: slice, against: Bools) -> bool:
        """Return whether these lamps too may turn against the panel's way now, and take account of it if so."""
        together = self._against > now - TOGETHER
        together[where] |= against
        if np.count_nonzero(together) < self._large:
            np.copyto(self._against[where], now, where=against)
            return True
        if self._panel_turns[0] > now - SECOND:
            return False
        self._panel_turns.append(now)
        self._panel_way = -self._panel_way
        self._against.fill(now - SECOND)
        return True


class FlashShare:
    """One bus's part in the limit. Holds lamps as they are shown, while one more change would be a flash too many."""

    def __init__(self, limit: FlashLimit, where: slice) -> None:
        self._limit = limit
        self._where = where
        self.lamps = lamps = where.stop - where.start
        self._shown: Floats = np.zeros(lamps, np.float32)
        # Which way each lamp goes, and how far it has come that way: falling, and dark.
        self._way: Floats = np.full(lamps, -1, np.float32)
        self._furthest: Floats = np.zeros(lamps, np.float32)

    def pass_on(self, now: int, light: Floats) -> Floats:
        """Return the light that may be shown at `now` (nanoseconds) where `light` (relative, 0 to 1) is wanted."""
        along = light * self._way
        np.maximum(self._furthest, along, out=self._furthest)
        turning: Bools = self._furthest - along >= _CHANGE
        if np.count_nonzero(turning):
            may = self._limit.turn(now, self._where, self._way, turning)
            if may is not turning:
                light = np.where(turning ^ may, self._shown, light)
            np.negative(along, out=self._furthest, where=may)
            np.negative(self._way, out=self._way, where=may)
        self._shown = light
        return light


class Calm:
    """Dims lamps, and lets none change faster than from dark to full in `fade` seconds.

    `brightness` is what is left of each lamp's light; lamps that are lit or out (`switched`) are left as they are.
    """

    def __init__(self, lamps: int, brightness: float, fade: float, switched: npt.NDArray[np.intp] = _NONE) -> None:
        self._brightness: Floats = np.full(lamps, brightness, np.float32)
        self._brightness[switched] = 1
        self._fastest = self._brightness / np.float32(fade)
        self._fastest[switched] = _AT_ONCE
        self._shown: Floats = np.zeros(lamps, np.float32)

    def pass_on(self, seconds: float, light: Floats) -> Floats:
        """Return the light to show after `seconds` more, where `light` is wanted."""
        wanted = light * self._brightness
        most = np.float32(seconds) * self._fastest
        self._shown = self._shown + np.clip(wanted - self._shown, -most, most)
        return self._shown
