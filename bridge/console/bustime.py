"""Whether a bus has the time for what is asked of it: clocks over its rate. Plain lines take next to none."""

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.console.facts import Bus, Frames, Part, Scan

MOST = 0.8
"""The share of its time a bus may be busy: the rest goes to the gaps between transfers. Common practice, no source."""


@dataclass(frozen=True)
class Load:
    """What one part asks of its bus: a transfer of `seconds`, `rate_hz` times a second."""

    part: Part
    seconds: float
    rate_hz: int

    @property
    def share(self) -> float:
        """The part of the bus's time it takes, 1 for all of it."""
        return self.seconds * self.rate_hz

    def __str__(self) -> str:
        part = self.part
        bits = f"{part.transfers} × {part.facts.bits_per_chip} bits"
        return f"{bits} in {self.seconds * 1e3:.3f} ms, {self.rate_hz} times a second: {self.share:.1%}"


def loads(bus: Bus, parts: Iterable[Part], frames: Frames, scan: Scan) -> list[Load]:
    """Return what each of the `parts` on `bus` asks of it."""
    rates = {"lamps": frames.rate_hz, "keys": scan.rate_hz}
    if bus.kind == "lines":
        return []
    return [Load(part, part.bits / bus.rate_hz, rates[part.facts.serves]) for part in parts if part.bus == bus]
