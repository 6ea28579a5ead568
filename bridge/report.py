"""What a device has to say about itself: a named state, and words for the people in front of it."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class DeviceState:
    """One device's present state.

    `device` is its name on the console ("reader", "key cable"), `state` one short word or hyphenated pair a program
    can compare ("ready", "empty", "not-ready"), `words` a sentence for staff: what is wrong and what to do, or ""
    when all is well.
    """

    device: str
    state: str
    words: str = ""


Report = Callable[[DeviceState], None]


def on_change(report: Report) -> Report:
    """Return a report that passes a device's state on only when it differs from the last one of that device."""
    last: dict[str, DeviceState] = {}

    def changed(state: DeviceState) -> None:
        if last.get(state.device) != state:
            last[state.device] = state
            report(state)

    return changed
