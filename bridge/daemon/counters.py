"""What the console has done in all: hours each lamp was lit, throws of each key, cards, sticks and characters.

Kept in one small file of the state folder, replaced whole every ten minutes if anything has changed, and at a clean
stop: a memory card wears by writes. What the last minutes brought is lost with the power. A file that cannot be read is
put aside, and counting begins anew: counters never stop a console.
"""

import contextlib
import json
import os
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FORMAT = 1
FILE = "counters.json"
EVERY = 600
"""Seconds between two writes."""
_SORTS = ("keys", "cards", "insertions")
_MOST = 1e12
"""Beyond any count that can be true."""


@dataclass
class Counted:
    """How much of everything: seconds by lamp; throws by key, cards and insertions by hopper; characters typed.

    What a description no longer has is kept: lamps and keys are renamed, and come back.
    """

    lamps: dict[str, float] = field(default_factory=dict)
    keys: Counter[str] = field(default_factory=Counter)
    cards: Counter[str] = field(default_factory=Counter)
    insertions: Counter[str] = field(default_factory=Counter)
    characters: int = 0

    def plain(self) -> dict[str, Any]:
        """Return it as JSON has it."""
        lamps = {name: round(seconds, 1) for name, seconds in self.lamps.items() if seconds}
        counts = {sort: dict(getattr(self, sort)) for sort in _SORTS}
        return {"lamps": lamps, **counts, "characters": self.characters}


class LampHours:
    """Adds up how long each lamp was lit, for a daemon that looks at their codes now and then."""

    def __init__(self, names: Sequence[str], counted: Counted) -> None:
        self._names = names
        self._counted = counted
        self._seconds = np.array([counted.lamps.get(name, 0.0) for name in names], np.float64)
        self._last: int | None = None

    def look(self, now: int, codes: npt.NDArray[np.uint16]) -> None:
        """Count the time since the last look for each lamp that is lit now; `now` is in nanoseconds."""
        if self._last is not None:
            self._seconds += (codes > 0) * ((now - self._last) * 1e-9)
        self._last = now

    def settle(self) -> None:
        """Bring what is counted up to date."""
        self._counted.lamps.update(zip(self._names, self._seconds.tolist(), strict=True))


def pack(counted: Mapping[str, Any]) -> bytes:
    """Return the bytes of a file with these counts, as `Counted.plain` gives them."""
    body = json.dumps(counted, ensure_ascii=False, sort_keys=True)
    return json.dumps({"format": FORMAT, "crc": zlib.crc32(body.encode()), "counted": body}).encode() + b"\n"


def unpack(data: bytes) -> Counted:
    """Return what a file's bytes tell. Raises ValueError if they are not what `pack` made."""
    whole = json.loads(data)
    if not isinstance(whole, dict) or whole.get("format") != FORMAT or not isinstance(whole.get("counted"), str):
        raise ValueError("no counters of this version")
    if zlib.crc32(whole["counted"].encode()) != whole.get("crc"):
        raise ValueError("damaged counters")
    told = json.loads(whole["counted"])
    if any(not 0 <= number < _MOST for sort in ("lamps", *_SORTS) for number in told[sort].values()):
        raise ValueError("counters that cannot be")
    counts = {sort: Counter(told[sort]) for sort in _SORTS}
    return Counted(lamps=told["lamps"], characters=told["characters"], **counts)


def load(folder: Path) -> tuple[Counted, str]:
    """Return what is kept in a state folder, and words if it had to be put aside; never raises."""
    path = folder / FILE
    try:
        return unpack(path.read_bytes()), ""
    except FileNotFoundError:
        return Counted(), ""
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        aside = path.with_suffix(".set-aside")
        with contextlib.suppress(OSError):
            path.replace(aside)
        return Counted(), f"{path} could not be read and is kept as {aside.name}; counting begins anew."


def save(folder: Path, counted: Mapping[str, Any]) -> None:
    """Replace the file, so that either the old or the new one is there whole. Raises OSError."""
    path = folder / FILE
    made = path.with_suffix(".new")
    with made.open("wb") as file:
        file.write(pack(counted))
        file.flush()
        os.fsync(file.fileno())
    made.replace(path)
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def lines(counted: Mapping[str, Any]) -> list[str]:
    """Return counts in lines for people, those of lamps and keys that did most first."""
    said = [f"typewriter: {counted['characters']:,} characters"]
    said += [f"{name}: {cards:,} cards" for name, cards in sorted(counted["cards"].items())]
    said += [f"{name}: {times:,} sticks put in" for name, times in sorted(counted["insertions"].items())]
    most = sorted(counted["lamps"].items(), key=lambda one: -one[1])
    said += [f"lamp {name}: {seconds / 3600:,.1f} h" for name, seconds in most]
    most = sorted(counted["keys"].items(), key=lambda one: -one[1])
    return said + [f"key {name}: {throws:,} throws" for name, throws in most]
