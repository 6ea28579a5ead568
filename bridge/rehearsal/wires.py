"""Rehearsed buses and lines: the twins of the parts, behind the same seam as the real wires.

What is not simulated: the time a transfer takes, noise, and levels between low and high.
"""

import errno
import os
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from gpiozero import Factory
from gpiozero.pins.mock import MockFactory, MockPWMPin

from bridge.parts.catalogue import MATRIX_TWINS, TWINS
from bridge.parts.facts import Facts
from bridge.wires.kinds import Pull
from bridge.wires.lines import GpioDrain, GpioInput, GpioLine

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


class RehearsedEnd:
    """A part's twin at the end of its wires; `plugged` False is a cable that has come off: nothing arrives.

    What stands `between` the wires and the twin, if anything, does what a fault in them does.
    """

    def __init__(self, twin: Any) -> None:
        self.twin = twin
        self.plugged = True
        self.between: Any = None

    def control(self, key: str, level: bool) -> None:
        """Pass on an edge of a control line."""
        getattr(self.between or self.twin, key)(level)

    def edge(self, channel: int, level: bool) -> None:
        """Pass on an edge of a line that is itself a channel."""
        if self.plugged:
            self.twin.edge(channel, level)


class RehearsedSpi(RehearsedEnd):
    """One chip select with a twin at its end."""

    def transfer(self, data: bytes) -> bytes:
        """Exchange bytes with the twin; with the cable off nothing arrives, and the open input reads low."""
        return bytes((self.between or self.twin).transfer(data)) if self.plugged else bytes(len(data))

    def close(self) -> None:
        """Nothing is held."""


class RehearsedI2c:
    """An I2C bus: at each address the end of a part, and which of its chips answers there."""

    def __init__(self) -> None:
        self.chips: dict[int, tuple[RehearsedEnd, int]] = {}

    def write(self, address: int, register: int, data: bytes) -> None:
        """Hand bytes to the chip at `address`. Raises OSError if there is none."""
        twin, chip = self._at(address)
        twin.write(chip, register, data)

    def read(self, address: int, register: int, count: int) -> bytes:
        """Return bytes of the chip at `address`. Raises OSError if there is none."""
        twin, chip = self._at(address)
        return bytes(twin.read(chip, register, count))

    def close(self) -> None:
        """Nothing is held."""

    def _at(self, address: int) -> tuple[Any, int]:
        end, chip = self.chips.get(address, (None, 0))
        if end is None or not end.plugged:
            # What the board's driver says when nobody acknowledges.
            raise OSError(errno.EREMOTEIO, os.strerror(errno.EREMOTEIO))
        return end.twin, chip


class RehearsedInput(GpioInput):
    """An input line at a part's twin, which tells its `level`; with the cable off, the board's resistor holds it."""

    def __init__(self, factory: Factory, gpio: int, pull: Pull, end: RehearsedEnd, level: Callable[[], int]) -> None:
        super().__init__(factory, gpio, pull)
        self._pull, self._end, self._level = pull, end, level

    def get(self) -> bool:
        """Return its level."""
        level = self._level() if self._end.plugged else self._pull == "up"
        (self.pin.drive_high if level else self.pin.drive_low)()
        return super().get()


class RehearsedDrain(GpioDrain):
    """A row of a matrix, at its twin."""

    def __init__(self, factory: Factory, gpio: int, end: RehearsedEnd, row: int) -> None:
        super().__init__(factory, gpio)
        self._end, self._row = end, row

    def set(self, level: bool) -> None:
        """Pull the row low, or let go of it."""
        super().set(level)
        if self._end.plugged:
            self._end.twin.row(self._row, level)


class RehearsedWires:
    """Hands out rehearsed buses and lines; parts must be added before their wires are opened."""

    def __init__(self) -> None:
        self._factory = MockFactory(revision=_BOARD, pin_class=EdgePin)
        self._spi: dict[tuple[int, int], RehearsedSpi] = {}
        self._i2c: dict[int, RehearsedI2c] = {}
        self._inputs: dict[int, tuple[RehearsedEnd, Callable[[], int]]] = {}
        self._drains: dict[int, tuple[RehearsedEnd, int]] = {}

    def add(self, facts: Facts, chips: int, port: int, select: int, gpios: Mapping[str, int]) -> RehearsedSpi:
        """Put a part's twin at the end of a chip select, and its lines (key to GPIO) on their pins."""
        end = self._spi[port, select] = RehearsedSpi(TWINS[facts.name](chips))
        self._control(end, facts, gpios)
        return end

    def add_i2c(self, facts: Facts, port: int, addresses: Sequence[int], gpios: Mapping[str, int]) -> RehearsedEnd:
        """Put a part's chips at their addresses of an I2C bus, and its lines (key to GPIO) on their pins."""
        end = RehearsedEnd(TWINS[facts.name](len(addresses)))
        self._control(end, facts, gpios)
        chips = self._i2c.setdefault(port, RehearsedI2c()).chips
        chips.update({address: (end, chip) for chip, address in enumerate(addresses)})
        return end

    def add_lines(self, facts: Facts, gpios: Sequence[int]) -> RehearsedEnd:
        """Put the channels of a part that is lines only on their pins."""
        end = RehearsedEnd(TWINS[facts.name](len(gpios)))
        for channel, gpio in enumerate(gpios):
            if facts.serves == "keys":
                self._inputs[gpio] = end, partial(_level, end.twin, channel)
            else:
                self._factory.pin(gpio).on_edge.append(partial(end.edge, channel))
        return end

    def add_matrix(
        self, facts: Facts, wired: tuple[Sequence[int], Sequence[int]], *, diodes: bool, at: tuple[int, int] | None
    ) -> RehearsedEnd:
        """Put a matrix on its lines, rows and columns, or on the pins of a chip `at` a port and an address."""
        rows, columns = wired
        end = RehearsedEnd(MATRIX_TWINS[facts.name](rows, columns, diodes=diodes))
        if at is not None:
            port, address = at
            self._i2c.setdefault(port, RehearsedI2c()).chips[address] = end, 0
            return end
        self._drains.update({gpio: (end, row) for row, gpio in enumerate(rows)})
        self._inputs.update({gpio: (end, partial(end.twin.column, column)) for column, gpio in enumerate(columns)})
        return end

    def spi(self, port: int, select: int, rate_hz: int) -> RehearsedSpi:  # noqa: ARG002 -- the seam's signature
        """Open a chip select where a part was added."""
        return self._spi[port, select]

    def i2c(self, port: int, rate_hz: int) -> RehearsedI2c:  # noqa: ARG002 -- the seam's signature
        """Open an I2C bus where a part was added."""
        return self._i2c[port]

    def line(self, gpio: int, level: bool) -> GpioLine:
        """Open an output line on the rehearsed board."""
        return GpioLine(self._factory, gpio, level)

    def drain(self, gpio: int) -> RehearsedDrain:
        """Open a row of a matrix that was added."""
        return RehearsedDrain(self._factory, gpio, *self._drains[gpio])

    def input(self, gpio: int, pull: Pull) -> RehearsedInput:
        """Open an input line where a part was added."""
        return RehearsedInput(self._factory, gpio, pull, *self._inputs[gpio])

    def close(self) -> None:
        """Let go of every line."""
        self._factory.close()

    def _control(self, end: RehearsedEnd, facts: Facts, gpios: Mapping[str, int]) -> None:
        """Put a part's control lines on their pins; one that is left out stands otherwise than at rest."""
        for line in facts.lines:
            if line.key in gpios:
                self._factory.pin(gpios[line.key]).on_edge.append(partial(end.control, line.key))
            else:
                end.control(line.key, not line.at_rest)


def _level(twin: Any, channel: int) -> int:
    return int(twin.levels >> channel & 1)
