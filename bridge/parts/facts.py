"""What a catalogue says of a part, in one small record."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Line:
    """A control line a part needs: the key that names its GPIO in the description, and what it does."""

    key: str
    purpose: str


@dataclass(frozen=True)
class Facts:
    """One type of part.

    `channels` counts the lamps or contacts one chip serves, numbered from 0 in each chip and on through the chain;
    `bits_per_chip` is the length of its shift register; `max_rate_hz` the fastest clock its data sheet allows in a
    chain.
    """

    name: str
    serves: Literal["lamps", "keys"]
    bus: Literal["spi"]
    channels: int
    bits_per_chip: int
    max_rate_hz: int
    lines: tuple[Line, ...]
    source: str
