"""The console's description: one TOML file in, frozen facts or every error at once out."""

from bridge.console.facts import (
    Bus,
    Calm,
    CardCode,
    Console,
    Frames,
    Group,
    Key,
    KeyKind,
    KeyRow,
    Lamp,
    LampKind,
    LampRow,
    Pace,
    Part,
    Point,
    Punch,
    Reader,
    Rotary,
    Scan,
    Typewriter,
)
from bridge.console.findings import DescriptionError, Finding
from bridge.console.lampkinds import BUILT_IN
from bridge.console.reading import load
from bridge.console.shape import schema
from bridge.console.wiring import describe

__all__ = [
    "BUILT_IN",
    "Bus",
    "Calm",
    "CardCode",
    "Console",
    "DescriptionError",
    "Finding",
    "Frames",
    "Group",
    "Key",
    "KeyKind",
    "KeyRow",
    "Lamp",
    "LampKind",
    "LampRow",
    "Pace",
    "Part",
    "Point",
    "Punch",
    "Reader",
    "Rotary",
    "Scan",
    "Typewriter",
    "describe",
    "load",
    "schema",
]
