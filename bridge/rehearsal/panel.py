"""A rehearsed panel: its keys can be thrown, its lamps looked at and its cables pulled."""

import asyncio
import random
from collections.abc import Mapping, Sequence
from typing import Any

from bridge.console.facts import Key, Lamp, Part
from bridge.rehearsal.broken import Broken, order
from bridge.rehearsal.wires import RehearsedEnd, RehearsedWires

BOUNCE = 0.003
"""Seconds a contact bounces at most; Ganssle's guide to debouncing measured 1.6 ms on average, 6.2 ms at worst."""
BOUNCES = 4


class RehearsedPanel:
    """The twins of a console's rehearsed parts, by the names of its lamps and keys."""

    def __init__(self, parts: Sequence[Part], lamps: Sequence[Lamp], keys: Sequence[Key]) -> None:
        self.wires = RehearsedWires()
        self._ends = {part.name: self._end(part) for part in parts}
        self.parts = parts
        self._lamps = [lamp for lamp in lamps if lamp.part.name in self._ends]
        self._keys = {key.name: key for key in keys if key.part.name in self._ends}
        self._random = random.Random(0)  # noqa: S311 -- bounces, not secrets
        for part in parts:
            for channel in part.always_low:
                self._ends[part.name].twin.set(channel, level=False)
            if part.facts.tail:
                self._ends[part.name].twin.serial_in = part.far_end == "high"
        for key in self._keys.values():
            self._set(key, closed=False)

    def throw(self, name: str, *, closed: bool, bounces: bool = True) -> None:
        """Close or open a key's contact, which bounces a little. Raises KeyError for a name that is not here."""
        key = self._keys[name]
        if not bounces:
            self._set(key, closed)
            return
        loop = asyncio.get_running_loop()
        for at in sorted(
            (self._random.random() * BOUNCE for _ in range(self._random.randrange(BOUNCES))), reverse=True
        ):
            loop.call_later(at, self._set, key, self._random.random() < 0.5)
        loop.call_later(BOUNCE, self._set, key, closed)
        self._set(key, closed)

    def codes(self) -> dict[str, int]:
        """Return what each lamp's driver shows, 0–4095, decoded from the bytes it was sent."""
        shown = {part.name: self._ends[part.name].twin.codes() for part in self.parts if part.facts.serves == "lamps"}
        return {lamp.name: int(shown[lamp.part.name][lamp.channel]) for lamp in self._lamps}

    def upset(self, part: str) -> None:
        """Let the chips of a part forget their settings, as after a dip in their supply.

        Raises KeyError for a name that is not here, AttributeError for chips that have none.
        """
        twin = self._ends[part].twin
        for chip in range(next(one.chips for one in self.parts if one.name == part)):
            twin.upset(chip)

    def plug(self, part: str, *, plugged: bool) -> None:
        """Pull a part's cable off, or put it back. Raises KeyError for a name that is not here."""
        self._ends[part].plugged = plugged

    def fault(self, part: str, asked: Mapping[str, Any] | None) -> None:
        """Break a wire of a chain of keys as `asked` (see broken.order), or mend it.

        Raises KeyError for a name that is not here, ValueError for what cannot be broken, saying why.
        """
        end = self._ends[part]
        facts = next(one for one in self.parts if one.name == part)
        if asked is None:
            end.between = None
            return
        if not facts.facts.tail:
            raise ValueError(f'part "{part}" is no chain of keys: only those have wires that can be broken one by one')
        end.between = Broken(end.twin, order(asked, facts.chips), self._random)

    def _end(self, part: Part) -> RehearsedEnd:
        wires, facts = self.wires, part.facts
        if facts.matrix:
            at = (part.bus.port, part.addresses[0]) if part.addresses else None
            return wires.add_matrix(facts, (part.rows, part.columns), diodes=part.diodes, at=at)
        if facts.bus is None:
            return wires.add_lines(facts, part.gpios)
        if facts.bus == "i2c":
            return wires.add_i2c(facts, part.bus.port, part.addresses, part.lines)
        return wires.add(facts, part.chips, part.bus.port, part.select, part.lines)

    def _set(self, key: Key, closed: bool) -> None:
        self._ends[key.part.name].twin.set(key.channel, level=key.closed_high == closed)
