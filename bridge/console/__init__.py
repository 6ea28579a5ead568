"""The console's description: one TOML file in, frozen facts or every error at once out.

What reads descriptions is imported when one is read: a daemon, which has the facts, does without.
"""

from pathlib import Path
from typing import Any

from bridge.console.facts import (
    Bus,
    Calm,
    CardCode,
    Console,
    Fed,
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
    Supply,
    Typewriter,
)
from bridge.console.findings import DescriptionError, Finding
from bridge.console.lampkinds import BUILT_IN

__all__ = [
    "BUILT_IN",
    "Bus",
    "Calm",
    "CardCode",
    "Console",
    "DescriptionError",
    "Fed",
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
    "Supply",
    "Typewriter",
    "describe",
    "load",
    "schema",
]


def load(path: Path) -> Console:
    """Return the console that the TOML file at `path` describes.

    Raises DescriptionError, naming everything that is wrong with it and not the first thing only, if it cannot be used.
    """
    from bridge.console import reading  # noqa: PLC0415

    return reading.load(path)


def schema() -> dict[str, Any]:
    """Return the JSON Schema of descriptions."""
    from bridge.console import shape  # noqa: PLC0415

    return shape.schema()


def describe(console: Console, width: int = 80) -> str:
    """Return the wiring of a console as lines of text of so many columns, for people."""
    from bridge.console import wiring  # noqa: PLC0415

    return wiring.describe(console, width)
