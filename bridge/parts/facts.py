"""What a catalogue says of a part, in one small record."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from bridge.wires.kinds import Line, Spi


@dataclass(frozen=True)
class ControlLine:
    """A control line a part needs: the key that names its GPIO in the description, what it does, its level at rest."""

    key: str
    purpose: str
    at_rest: bool


@dataclass(frozen=True)
class Facts:
    """One type of part.

    `channels` counts the lamps or contacts one chip serves, numbered from 0 in each chip and on through the chain;
    `bits_per_chip` is the length of its shift register; `max_rate_hz` the fastest clock its data sheet allows in a
    chain; `pwm_hz` how often a second its outputs are switched to dim a lamp, None if they are not.
    """

    name: str
    serves: Literal["lamps", "keys"]
    bus: Literal["spi"]
    channels: int
    bits_per_chip: int
    max_rate_hz: int
    pwm_hz: float | None
    lines: tuple[ControlLine, ...]
    source: str


class LampDriver(Protocol):
    """Drives a chain of lamp drivers; made dark."""

    def write(self, codes: npt.NDArray[np.uint16]) -> None:
        """Show codes 0–4095, one a channel, channel 0 first. Raises OSError when the bus fails."""

    def dark(self) -> None:
        """Darken every output."""


class KeyDriver(Protocol):
    """Reads a chain of inputs."""

    def read(self) -> int:
        """Return the levels now: bit n is channel n, 1 for high. Raises OSError when the bus fails."""


LampMaker = Callable[[Spi, Mapping[str, Line], int], LampDriver]
"""Makes a lamp driver on its wires, for so many chips; the lines go by the keys of the facts and stand at rest."""
KeyMaker = Callable[[Spi, Mapping[str, Line], int], KeyDriver]
"""Makes a key driver, likewise."""
TwinMaker = Callable[[int], Any]
"""Makes the twin of so many chips: `transfer` takes the same bytes, a method named after each line takes its edges."""
