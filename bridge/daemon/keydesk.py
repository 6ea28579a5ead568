"""What keys mean, by the console's description: what is told of them, and of those that are stuck or exclude others."""

from bridge.clock import SECOND
from bridge.console.facts import Console
from bridge.report import DeviceState, Report
from bridge.switches.manners import Manner, Manners
from bridge.switches.scan import KeyEvent

STUCK = "It has been held for {} seconds: if nobody leans on it, free it, or look for a short in its wires."
IMPOSSIBLE = (
    "More than one of these is closed, which their mechanism excludes: let go of all but one, or look for a short in "
    "their wires. The others are taken as open."
)


class KeyDesk:
    """Stands between the contacts and those who are told of keys; `report` is given each change of a key's state."""

    def __init__(self, console: Console, report: Report) -> None:
        self._console = console
        self._report = report
        places = {key.name: n for n, key in enumerate(console.keys)}
        self._manners = Manners(
            [
                Manner(key.kind == "push-on/push-off", None if key.stuck_s is None else key.stuck_s * SECOND)
                for key in console.keys
            ],
            [[places[name] for name in names] for names in console.interlocks],
        )
        self._stuck = self._impossible = frozenset[int]()

    def told(self, events: list[KeyEvent]) -> list[KeyEvent]:
        """Return what there is to tell after contacts have moved."""
        told = self._manners.feed(events)
        impossible, self._impossible = self._impossible, self._manners.impossible
        for n in sorted(impossible ^ self._impossible):
            device = f"keys {', '.join(self._console.interlocks[n])}"
            said = ("impossible", IMPOSSIBLE) if n in self._impossible else ("ready", "")
            self._report(DeviceState(device, *said))
        return told

    def look(self, now: int) -> None:
        """See whether a key is stuck, or is so no more."""
        stuck, self._stuck = self._stuck, self._manners.stuck(now)
        for n in sorted(stuck ^ self._stuck):
            key = self._console.keys[n]
            said = ("stuck", STUCK.format(key.stuck_s)) if n in self._stuck else ("ready", "")
            self._report(DeviceState(f"key {key.name}", *said))
