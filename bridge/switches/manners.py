"""What keys mean beyond their contacts: those that stay pressed by turns, those that exclude each other, stuck ones."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.switches.scan import KeyEvent


@dataclass(frozen=True)
class Manner:
    """How one key behaves: it turns with each press and stays, or springs back and is `stuck` after so long (ns)."""

    turns: bool = False
    stuck: int | None = None


class Manners:
    """All keys of a console, by index; pure, it owns no clock.

    Of each set of keys that `exclude` each other at most one is ever told closed. While more are, the others are held
    as they were told, and the set is in `impossible`; what then remains is told as soon as it is possible.
    """

    def __init__(self, manners: Sequence[Manner], exclude: Sequence[Iterable[int]] = ()) -> None:
        self._manners = manners
        self._exclude = [frozenset(keys) for keys in exclude]
        self._closed = [False] * len(manners)
        """As they are, those that turn by their turns."""
        self._told = [False] * len(manners)
        self._pressed: dict[int, int] = {}
        self.impossible: frozenset[int] = frozenset()
        """The sets, by index, of which more than one key is closed now."""

    def feed(self, events: Iterable[KeyEvent]) -> list[KeyEvent]:
        """Take what contacts did, and return what there is to tell of keys."""
        told = []
        for event in events:
            manner = self._manners[event.key]
            if manner.stuck is not None and event.closed:
                self._pressed[event.key] = event.at
            else:
                self._pressed.pop(event.key, None)
            if manner.turns and not event.closed:
                continue
            self._closed[event.key] = not self._closed[event.key] if manner.turns else event.closed
            told += self._possible(event.key, event.at)
        return told

    def stuck(self, now: int) -> frozenset[int]:
        """Return the keys that have been held for longer than one is."""
        return frozenset(key for key, at in self._pressed.items() if now - at >= (self._manners[key].stuck or 0))

    def _possible(self, key: int, at: int) -> list[KeyEvent]:
        """Return what a key that has changed lets be told, of it and of those that it excludes: openings first."""
        self.impossible = frozenset(
            n for n, keys in enumerate(self._exclude) if sum(self._closed[one] for one in keys) > 1
        )
        concerned = {key}.union(*(keys for keys in self._exclude if key in keys))
        held = frozenset[int]().union(*(self._exclude[n] for n in self.impossible))
        changed = [one for one in sorted(concerned - held) if self._told[one] != self._closed[one]]
        # One that is let go of is told even while the others are not.
        changed += [one for one in sorted(concerned & held) if self._told[one] and not self._closed[one]]
        changed.sort(key=lambda one: self._closed[one])
        for one in changed:
            self._told[one] = self._closed[one]
        return [KeyEvent(at, one, self._closed[one]) for one in changed]
