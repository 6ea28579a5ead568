"""Rehearsed buses and lines: the twins of the parts, behind the same seam as the real wires.

What is not simulated: the time a transfer takes, noise, and levels between low and high.
"""

from collections.abc import Callable, Mapping
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from bridge.parts.catalogue import TWINS
from bridge.parts.facts import Facts
from bridge.wires.lines import GpioLine

_BOARD = "a020d3"
"""A revision code, so that gpiozero knows a header: a Raspberry Pi 3B+."""


class EdgePin(MockPWMPin):  # type: ignore[misc] # gpiozero has no types
    """gpiozero's mock pin, telling listeners of each edge instead of keeping a list of states for ever."""

    def __init__(self, factory: Any, info: Any) -> None:
        self._state: bool
        self.on_edge: list[Callable[[bool], None]] = []
        super().__init__(factory, info)

    def _change_state(self, value: bool) -> bool:
        if self._state == value:
            return False
        self._state = value
        for listener in self.on_edge:
            listener(bool(value))
        return True


class RehearsedSpi:
    """One chip select with a twin at its end; `plugged` False is a ribbon cable that has come off."""

    def __init__(self, twin: Any) -> None:
        self.twin = twin
        self.plugged = True

    def transfer(self, data: bytes) -> bytes:
        """Exchange bytes with the twin; with the cable off nothing arrives, and the open input reads low."""
        return bytes(self.twin.transfer(data)) if self.plugged else bytes(len(data))

    def close(self) -> None:
        """Nothing is held."""


class RehearsedWires:
    """Hands out rehearsed buses and lines; parts must be added before their wires are opened."""

    def __init__(self) -> None:
        self._factory = MockFactory(revision=_BOARD, pin_class=EdgePin)
        self._ends: dict[tuple[int, int], RehearsedSpi] = {}

    def add(self, facts: Facts, chips: int, port: int, select: int, gpios: Mapping[str, int]) -> RehearsedSpi:
        """Put a part's twin at the end of a chip select, and its lines (key to GPIO) on their pins."""
        twin = TWINS[facts.name](chips)
        for line in facts.lines:
            self._factory.pin(gpios[line.key]).on_edge.append(getattr(twin, line.key))
        end = self._ends[port, select] = RehearsedSpi(twin)
        return end

    def spi(self, port: int, select: int, rate_hz: int) -> RehearsedSpi:  # noqa: ARG002 -- the seam's signature
        """Open a chip select where a part was added."""
        return self._ends[port, select]

    def line(self, gpio: int, level: bool) -> GpioLine:
        """Open an output line on the rehearsed board."""
        return GpioLine(self._factory, gpio, level)

    def close(self) -> None:
        """Let go of every line."""
        self._factory.close()
