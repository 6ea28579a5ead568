"""What a catalogue says of a part, in one small record."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from bridge.wires import kinds
from bridge.wires.kinds import I2c, Input, Line, Spi

Pull = kinds.Pull

Codes = npt.NDArray[np.uint16]
"""What lamps are to show: 0 (dark) to 4095 (lit all the time) for each channel, channel 0 first."""


@dataclass(frozen=True)
class ControlLine:
    """A control line of a part: the key that names its GPIO in the description, what it does, its level at rest.

    An optional one may be left out: the chips' own pin is then wired to the other level.
    """

    key: str
    purpose: str
    at_rest: bool
    optional: bool = False


@dataclass(frozen=True)
class Pwm:
    """Outputs whose switching rate can be set, from `lowest` to `highest` hertz; `usual` where none is asked for.

    `settle` returns the rate they really run at when asked for one.
    """

    lowest: int
    highest: int
    usual: int
    settle: Callable[[float], float]


@dataclass(frozen=True)
class Electrical:
    """What a data sheet says of supply and levels; volts, and milliamperes at most.

    `volts` are the lowest and the highest supply it works from. An input is high for certain from `high` times the
    supply on, and takes no more than the supply, or `tolerates` if that is more. `speaks`: how it answers the board,
    "driven" by its supply, "pulled" by the resistors of its bus and never driven high, or None if it never does.
    `lamps`: its outputs hold a "constant" current, which times the ohms of a resistor is `reference_volts`, or are
    "plain" switches, whose lamps need a resistor each; None if it has none. `lamp_volts` is the highest supply of its
    lamps; `channel_ma` and `chip_ma` the current through each output, and through all of a chip's together, None where
    that is the board's matter or not limited.
    """

    volts: tuple[float, float]
    high: float
    source: str
    tolerates: float = 0.0
    speaks: Literal["driven", "pulled"] | None = None
    lamps: Literal["constant", "plain"] | None = None
    lamp_volts: float = 0.0
    channel_ma: float | None = None
    chip_ma: float | None = None
    reference_volts: float = 0.0


BOARD_VOLTS = 3.3
"""The supply of the board's own lines (Raspberry Pi documentation)."""
BOARD_MOST = 3.6
"""Volts no line of the board may see; its documentation says 3.3 V only, and supplies vary by a tenth."""

BOARD_LINES = Electrical((BOARD_VOLTS, BOARD_VOLTS), 0.7, "Raspberry Pi documentation, GPIO", lamps="plain")
"""Those of the board's own lines, whose limits depend on its model."""


@dataclass(frozen=True)
class Facts:
    """One type of part.

    `bus` None is a part that is nothing but lines of the board. `channels` counts the lamps or contacts one chip
    serves, numbered from 0 in each chip and on through the chain; `bits_per_chip` is what a transfer to it takes, in
    clocks of its bus; `max_rate_hz` the fastest clock its data sheet allows, in a chain where it forms one (both 0
    without a bus). `pwm_hz` is how often a second its outputs are switched to dim a lamp, None if they are not;
    `pwm` the bounds where that can be set. `addresses` are those it can have on I2C. `holds_miso`: it drives MISO
    even while it is not selected. `limits` says what it stands, where a builder may not expect it. `pulls` are the
    resistors it can put on its inputs, the usual one first; empty where builders fit their own. `outputs_only` are the
    channels of each chip that can be no input, with what the data sheet calls their pins. A `matrix` has its contacts
    in rows and columns, which the description gives; `bits_per_chip` is then for each row, and `outputs_only` are pins.
    `electrical` is that of the board's own lines where the part is nothing else.
    `tail` bits more are read after the last channel of a chain: what its far end is wired to.
    """

    name: str
    serves: Literal["lamps", "keys"]
    bus: Literal["spi", "i2c"] | None
    channels: int
    bits_per_chip: int
    max_rate_hz: int
    pwm_hz: float | None
    lines: tuple[ControlLine, ...]
    source: str
    pwm: Pwm | None = None
    addresses: tuple[int, ...] = ()
    holds_miso: bool = False
    limits: str = ""
    pulls: tuple[Pull, ...] = ()
    outputs_only: tuple[tuple[int, str], ...] = ()
    matrix: bool = False
    electrical: Electrical = BOARD_LINES
    tail: int = 0

    @property
    def dims(self) -> bool:
        """Whether it can show a lamp anything but lit or out."""
        return self.pwm_hz is not None


class LampDriver(Protocol):
    """Drives a chain of lamp drivers; made dark."""

    def write(self, codes: Codes) -> None:
        """Show one code a channel. Raises OSError when the bus fails."""

    def check(self) -> bool:
        """Tell whether a chip has lost its settings; the next `write` sets it up again.

        Asked once a second. Always False for chips that cannot be read, and for one that does not answer: `write` says
        so.
        """

    def dark(self) -> None:
        """Darken every output, by its line first if it has one. Raises OSError when the bus fails."""


class KeyDriver(Protocol):
    """Reads a chain of inputs."""

    def read(self) -> int:
        """Return the levels now: bit n is channel n, 1 for high; then the tail. Raises OSError when the bus fails."""

    def doubted(self, levels: int, moved: int) -> int:
        """Return the channels that a second look does not confirm, after `levels` were read.

        `moved` are those that seem to have changed; only they matter. Raises OSError when the bus fails.
        """

    def check(self) -> bool:
        """Tell whether a chip had lost its settings since this was last asked; `read` sets it up again.

        Asked once a second. Always False for chips that cannot be asked, and for one that does not answer: `read` says
        so.
        """


SpiLampMaker = Callable[[Spi, Mapping[str, Line], int], LampDriver]
"""Makes a lamp driver on its wires, for so many chips; the lines go by the keys of the facts and stand at rest."""
I2cLampMaker = Callable[[I2c, Mapping[str, Line], Sequence[int], float], LampDriver]
"""Makes one for the chips at these addresses, in the order of their channels, with PWM of so many hertz.

A chip that does not answer raises nothing yet: `write` tries it again.
"""
LineLampMaker = Callable[[Sequence[Line]], LampDriver]
"""Makes one of lines, one a channel, which are low."""
SpiKeyMaker = Callable[[Spi, Mapping[str, Line], int], KeyDriver]
"""Makes a key driver, as a lamp driver on SPI."""
I2cKeyMaker = Callable[[I2c, Sequence[int]], KeyDriver]
"""Makes one for the chips at these addresses. A chip that does not answer raises nothing yet: `read` tries it again."""
LineKeyMaker = Callable[[Sequence[Input]], KeyDriver]
"""Makes one of lines, one a channel."""
I2cMatrixMaker = Callable[[I2c, int, Sequence[int], Sequence[int]], KeyDriver]
"""Makes one for the chip at an address, from the numbers of the pins that are rows and of those that are columns."""
LineMatrixMaker = Callable[[Sequence[Line], Sequence[Input]], KeyDriver]
"""Makes one of rows, which are let go of when high, and of columns."""
TwinMaker = Callable[[int], Any]
"""Makes the twin of so many chips. A method named after each control line takes its edges.

On SPI `transfer` takes the same bytes; on I2C `write` and `read` take the chip's number and what follows the address;
of a part that is lines only, `edge` takes a channel and its level. Of a part that serves keys, `set` puts a channel
high or low, and `levels` are those of all.
"""


class MatrixTwinMaker(Protocol):
    """Makes the twin of a matrix; `set` closes a contact with a low level. One of lines has `row` and `column`."""

    def __call__(self, rows: Sequence[int], columns: Sequence[int], *, diodes: bool) -> Any:
        """Make it for such rows and columns."""
