"""What protects people who look: no large area flashes more than three times a second, and a calm hour is calm.

WCAG 2.2, general flash: a flash is a pair of opposing changes of relative luminance by 10 % of its maximum or more;
more than three of them in any second are dangerous where the area that flashes at one time is a quarter of the field
or more. ITU-R BT.1702 has the same count. Four flashes are eight changes, so the eighth within a second is what must
not come.

What is approximated: lamps stand for area, and a quarter of the lamps is a large one. WCAG lets flashes pass whose
darker state is 0.80 or more; no lamp knows here how bright the panel's brightest is, so that is not made use of.
Changes count as one if they come within the time of a television frame, which is how pictures are judged.
Pure; time is passed in.
"""

from collections import deque

import numpy as np
import numpy.typing as npt

CHANGE = 0.1
CHANGES = 7
"""As many opposing changes in a second are three flashes; one more makes the fourth."""
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


class FlashLimit:
    """Holds lamps as they are shown, while one more change would be a flash too many.

    Two things are held until they are allowed again. Of single lamps: the eighth change within a second (nine eighths
    of it at most), while a quarter of the lamps have come to that. Of the panel: the eighth time within a second that a
    quarter of the lamps change together, wherever they are. Small areas, and what changes slowly, pass exactly.
    """

    def __init__(self, lamps: int) -> None:
        self._large = AREA * lamps if lamps >= FEWEST else np.inf
        self._shown: Floats = np.zeros(lamps, np.float32)
        # Which way each lamp goes, and how far it has come that way: falling, and dark.
        self._way: Floats = np.full(lamps, -1, np.float32)
        self._furthest: Floats = np.zeros(lamps, np.float32)
        # How often each has turned: in all that is remembered, and in each bin of it, the running one last.
        self._turns: Counts = np.zeros(lamps, np.uint16)
        self._bins = deque(np.zeros(lamps, np.uint16) for _ in range(_BINS))
        self._all_turns = 0
        self._begun = 0
        # The same of the panel; and when each lamp turned against the way it goes.
        self._panel_way = np.float32(-1)
        self._panel_turns: deque[int] = deque([-SECOND] * CHANGES, maxlen=CHANGES)
        self._against = np.full(lamps, -SECOND, np.int64)

    def pass_on(self, now: int, light: Floats) -> Floats:
        """Return the light that may be shown at `now` (nanoseconds) where `light` (relative, 0 to 1) is wanted."""
        along = light * self._way
        np.maximum(self._furthest, along, out=self._furthest)
        turning: Bools = self._furthest - along >= _CHANGE
        if np.count_nonzero(turning):
            light = self._turn(now, light, along, turning)
        self._shown = light
        return light

    def _turn(self, now: int, light: Floats, along: Floats, turning: Bools) -> Floats:
        self._forget(now)
        # No quarter of the lamps can have turned seven times each before all together have turned so often.
        if self._all_turns >= CHANGES * self._large:
            fast = self._turns >= _CHANGES
            if np.count_nonzero(fast) >= self._large:
                light = self._hold(light, turning, turning & fast)
        against = turning & (self._way == self._panel_way)
        if not self._may_turn_panel(now, against):
            light = self._hold(light, turning, against)
        np.negative(along, out=self._furthest, where=turning)
        np.negative(self._way, out=self._way, where=turning)
        self._turns += turning
        self._bins[-1] += turning
        self._all_turns += int(np.count_nonzero(turning))
        return light

    def _hold(self, light: Floats, turning: Bools, held: Bools) -> Floats:
        turning ^= held
        return np.where(held, self._shown, light)

    def _forget(self, now: int) -> None:
        """Take off the turns that were more than a second ago."""
        passed = (now - self._begun) // _BIN
        self._begun += passed * _BIN
        for _ in range(min(passed, _BINS)):
            oldest = self._bins.popleft()
            self._turns -= oldest
            self._all_turns -= int(oldest.sum())
            oldest.fill(0)
            self._bins.append(oldest)

    def _may_turn_panel(self, now: int, against: Bools) -> bool:
        """Return whether these lamps too may turn against the panel's way now, and take account of it if so."""
        together = self._against > now - TOGETHER
        together |= against
        if np.count_nonzero(together) < self._large:
            np.copyto(self._against, now, where=against)
            return True
        if self._panel_turns[0] > now - SECOND:
            return False
        self._panel_turns.append(now)
        self._panel_way = -self._panel_way
        self._against.fill(now - SECOND)
        return True


class Calm:
    """Dims the lamps to `brightness`, and lets none change faster than from dark to full in `fade` seconds."""

    def __init__(self, lamps: int, brightness: float, fade: float) -> None:
        self._brightness = np.float32(brightness)
        self._fade = fade
        self._shown: Floats = np.zeros(lamps, np.float32)

    def pass_on(self, seconds: float, light: Floats) -> Floats:
        """Return the light to show after `seconds` more, where `light` is wanted."""
        wanted = light * self._brightness
        most = np.float32(seconds / self._fade * self._brightness)
        self._shown = self._shown + np.clip(wanted - self._shown, -most, most)
        return self._shown
