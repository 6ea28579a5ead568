"""Puts a console together from its description: wires opened, drivers made, jobs laid on their buses.

The only place that knows both the real wires and the rehearsed ones.
"""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from bridge.budget.flicker import dither_fineness
from bridge.clock import SECOND
from bridge.console.facts import Bus as BusFacts
from bridge.console.facts import Console, LampKind, Part
from bridge.daemon.bus import Bus, Job
from bridge.daemon.chains import Cables, KeyJob, LampChain, LampJob
from bridge.daemon.opening import Opening
from bridge.errors import ConsoleError
from bridge.lamps.drive import LampDrive
from bridge.lamps.filament import FilamentType, resolve
from bridge.lamps.flash import Calm, FlashLimit, FlashShare
from bridge.lamps.models import LampModels, NeonType
from bridge.lamps.output import Output, gains
from bridge.parts.catalogue import (
    I2C_KEY_DRIVERS,
    I2C_LAMP_DRIVERS,
    I2C_MATRIX_DRIVERS,
    LINE_KEY_DRIVERS,
    LINE_LAMP_DRIVERS,
    LINE_MATRIX_DRIVERS,
    SPI_KEY_DRIVERS,
    SPI_LAMP_DRIVERS,
)
from bridge.parts.facts import KeyDriver, LampDriver
from bridge.rehearsal.panel import RehearsedPanel
from bridge.report import Report
from bridge.switches.breaks import Breaks
from bridge.switches.ghosts import Ghosts
from bridge.switches.scan import Contact, KeyEvent, KeyScan
from bridge.wires.kinds import I2c, Line, Spi, Wires
from bridge.wires.real import RealWires, WireError

MS = 1_000_000
DARKEN = 0.3
"""Seconds that are given to darkening lamps; it takes a few milliseconds."""
REHEARSE = "To try without the hardware, add --rehearse."
T = TypeVar("T")


@dataclass
class Assembly:
    """A console's buses, ready to step; `panel` has the rehearsed parts, if there are any."""

    buses: list[Bus]
    lamps: list[LampJob]
    panel: RehearsedPanel
    wires: list[Wires]

    def darken(self) -> list[str]:
        """Darken the lamps; return the parts whose bus hangs or fails, which are left as they are. Once is enough.

        A bus that hangs may do so again, so each is darkened on a thread of its own, and has not long.
        """
        lamps, self.lamps[:] = tuple(self.lamps), []
        threads = [threading.Thread(target=job.dark, name=job.parts, daemon=True) for job in lamps]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(DARKEN / len(threads))
        hanging = [thread.name for thread in threads if thread.is_alive()]
        return hanging + [part for job in lamps for part in job.lit]

    def close(self) -> None:
        """Let go of the wires; the buses should have stopped, and the lamps be dark. Twice does no harm."""
        for wires in self.wires:
            wires.close()


def assemble(
    console: Console,
    *,
    rehearse: bool,
    report: Report,
    events: Callable[[list[KeyEvent]], None],
    unattended: bool = False,
) -> Assembly:
    """Open everything `console` describes; `rehearse` rehearses every bus, whatever the description says.

    `report` and `events` are called on the buses' threads. Raises ConsoleError with everything that cannot be opened,
    unless the start is `unattended`: then a part that cannot be opened is not ready, and tried again by its bus.
    """
    rehearsed = [part for part in console.parts if rehearse or part.bus.rehearsed]
    panel = RehearsedPanel(rehearsed, console.lamps, console.keys)
    real = RealWires()
    assembly = Assembly([], [], panel, [real, panel.wires])
    errors: list[str] = []
    # One limit for the whole console: what flashes together may be on several buses.
    limit = FlashLimit([sum(lamp.part.bus == bus for lamp in console.lamps) for bus in console.buses])
    for bus, share in zip(console.buses, limit.shares, strict=True):
        wires = panel.wires if rehearse or bus.rehearsed else real
        _lay(console, bus, wires, assembly, errors, limit=share, report=report, events=events)
    if errors and not unattended:
        assembly.darken()
        assembly.close()
        raise ConsoleError("\n".join(dict.fromkeys([*errors, REHEARSE])))
    return assembly


def darken(console: Console, *, rehearse: bool) -> tuple[list[str], list[str]]:
    """Darken the lamp parts of `console`; return the names of those that are dark, and what is wrong with the others.

    Opening a part's lines blanks it, where it has one for that, whatever else fails; making its driver writes it dark;
    `dark` leaves it blanked.
    """
    parts = [part for part in console.parts if part.facts.serves == "lamps"]
    panel = RehearsedPanel([part for part in parts if rehearse or part.bus.rehearsed], console.lamps, [])
    real = RealWires()
    done: list[str] = []
    errors: list[str] = []
    for part in parts:
        try:
            _Wiring(part, panel.wires if rehearse or part.bus.rehearsed else real).lamp_driver().dark()
            done.append(part.name)
        except WireError as error:
            errors += str(error).splitlines()
        except OSError as error:
            errors.append(f"{part.name}: bus {part.bus.name} does not answer ({error.strerror}).")
    for wires in (real, panel.wires):
        wires.close()
    return done, errors


def _lay(
    console: Console,
    facts: BusFacts,
    wires: Wires,
    assembly: Assembly,
    errors: list[str],
    *,
    limit: FlashShare,
    report: Report,
    events: Callable[[list[KeyEvent]], None],
) -> None:
    """Open one bus's parts and lay their jobs on it."""
    lamps = np.array([n for n, lamp in enumerate(console.lamps) if lamp.part.bus == facts], np.intp)
    chains: list[LampChain] = []
    jobs: list[Job] = []
    for part in console.parts:
        if part.bus != facts:
            continue
        wiring = _Wiring(part, wires)
        opening: Opening[Any]
        if part.facts.serves == "lamps":
            opening = Opening(part.name, wiring.lamp_driver)
            chains.append(_lamp_chain(console, part, lamps, opening))
        else:
            opening = Opening(part.name, wiring.key_driver)
            cables = Cables(part.chips if part.facts.bus else 1, part.cables)
            job = KeyJob(part.name, opening, key_scan(console, part), events, report, cables)
            jobs.append(Job(SECOND // console.scan.rate_hz, job.run))
        try:
            opening.open()
        except ConsoleError as error:
            errors += str(error).splitlines()
    if chains:
        lit = LampJob(lamps, chains, _drive(console, lamps, limit), report)
        assembly.lamps.append(lit)
        # A lamp shown two milliseconds early or late is the same lamp; the model is told the time that really passed.
        slack = SECOND // console.scan.rate_hz // 2 if jobs else 0
        jobs.append(Job(SECOND // console.frames.rate_hz, lit.run, slack))
    if jobs:
        assembly.buses.append(Bus(facts.name, jobs))


class _Wiring:
    """What one part is wired to, opened as far as it can be.

    What is open stays so, at rest, though something else is missing; only that is tried again when the driver is next
    asked for. Raises WireError with everything that cannot be opened, OSError if a bus that is open does not answer.
    """

    def __init__(self, part: Part, wires: Wires) -> None:
        self._part = part
        self._wires = wires
        self._lines: dict[Any, Any] = {}
        self._bus: Any = None

    def lamp_driver(self) -> LampDriver:
        """Make the driver of a part that drives lamps, dark."""
        part, name = self._part, self._part.facts.name
        match part.facts.bus:
            case "spi":
                spi, lines = self._open_spi()
                return SPI_LAMP_DRIVERS[name](spi, lines, part.chips)
            case "i2c":
                i2c, lines = self._open_i2c()
                return I2C_LAMP_DRIVERS[name](i2c, lines, part.addresses, part.pwm_hz or 0.0)
            case None:
                return LINE_LAMP_DRIVERS[name](self._open_channels(lambda gpio: self._wires.line(gpio, False)))

    def key_driver(self) -> KeyDriver:
        """Make the driver of a part that reads keys."""
        part, name = self._part, self._part.facts.name
        match part.facts.bus:
            case "spi":
                spi, lines = self._open_spi()
                return SPI_KEY_DRIVERS[name](spi, lines, part.chips)
            case "i2c":
                i2c, _ = self._open_i2c()
                if part.facts.matrix:
                    return I2C_MATRIX_DRIVERS[name](i2c, part.addresses[0], part.rows, part.columns)
                return I2C_KEY_DRIVERS[name](i2c, part.addresses)
            case None if part.facts.matrix:
                wrong = self._open_lines(
                    {gpio: partial(self._wires.drain, gpio) for gpio in part.rows}
                    | {gpio: partial(self._wires.input, gpio, part.pull) for gpio in part.columns}
                )
                if wrong:
                    raise WireError("\n".join(wrong))
                rows, columns = ([self._lines[gpio] for gpio in gpios] for gpios in (part.rows, part.columns))
                return LINE_MATRIX_DRIVERS[name](rows, columns)
            case None:
                return LINE_KEY_DRIVERS[name](self._open_channels(lambda gpio: self._wires.input(gpio, part.pull)))

    def _open_spi(self) -> tuple[Spi, dict[str, Line]]:
        part = self._part
        return self._open(lambda: self._wires.spi(part.bus.port, part.select, part.bus.rate_hz))

    def _open_i2c(self) -> tuple[I2c, dict[str, Line]]:
        bus = self._part.bus
        return self._open(lambda: self._wires.i2c(bus.port, bus.rate_hz))

    def _open_channels(self, open_line: Callable[[int], T]) -> list[T]:
        """Open the lines that are themselves channels, channel 0 first."""
        gpios = self._part.gpios
        wrong = self._open_lines({gpio: partial(open_line, gpio) for gpio in gpios})
        if wrong:
            raise WireError("\n".join(wrong))
        return [self._lines[gpio] for gpio in gpios]

    def _open(self, open_bus: Callable[[], T]) -> tuple[T, dict[str, Line]]:
        """Open the control lines and the bus."""
        part = self._part
        wired = [line for line in part.facts.lines if line.key in part.lines]
        wrong = self._open_lines(
            {line.key: partial(self._wires.line, part.lines[line.key], line.at_rest) for line in wired}
        )
        try:
            bus: T = self._bus or open_bus()
            self._bus = bus
        except WireError as error:
            wrong.append(str(error))
        if wrong:
            raise WireError("\n".join(wrong))
        return bus, self._lines

    def _open_lines(self, opens: Mapping[Any, Callable[[], Any]]) -> list[str]:
        """Open lines, every one that can be; return what is wrong with the others."""
        wrong: list[str] = []
        for key, open_line in opens.items():
            try:
                self._lines[key] = self._lines.get(key) or open_line()
            except WireError as error:
                wrong.append(str(error))
        return wrong


def _lamp_chain(console: Console, part: Part, lamps: npt.NDArray[np.intp], opening: Opening[LampDriver]) -> LampChain:
    wired = [(n, console.lamps[i].channel) for n, i in enumerate(lamps) if console.lamps[i].part == part]
    places = np.array(wired, np.intp).reshape(-1, 2)
    return LampChain(part.name, opening, places[:, 0], places[:, 1], part.channels)


def key_scan(console: Console, part: Part) -> KeyScan:
    """Return what makes events of the scans of a part."""
    contacts = [
        Contact(
            n, key.channel, key.closed_high, None if key.settle_ms is None else key.settle_ms * MS, key.first_contact
        )
        for n, key in enumerate(console.keys)
        if key.part == part
    ]
    ghosts = Ghosts(len(part.rows), len(part.columns)) if part.facts.matrix and not part.diodes else None
    breaks = Breaks(part.chips, part.tail.stop) if part.facts.tail else None
    high, low = [*part.always_high], [*part.always_low]
    (high if part.far_end == "high" else low).extend(part.tail)
    return KeyScan(contacts, high, low, console.scan.settle_ms * MS, ghosts, breaks)


def _drive(console: Console, lamps: npt.NDArray[np.intp], limit: FlashShare) -> LampDrive:
    """Return the models, trims and emitters of the lamps on one bus."""
    here = [console.lamps[n] for n in lamps]
    kinds = list(dict.fromkeys(lamp.kind for lamp in here))
    models = LampModels(
        [_model(kind) for kind in kinds],
        np.array([kinds.index(lamp.kind) for lamp in here], np.intp),
        np.array([lamp.kind.keep_warm for lamp in here], np.float32),
    )
    gain = np.array([lamp.brightness for lamp in here], np.float32)
    for group in {(lamp.group, lamp.kind.name) for lamp in here}:
        # Lamps that are to match are those of one group and one kind.
        members = [n for n, lamp in enumerate(here) if (lamp.group, lamp.kind.name) == group]
        gain[members] *= gains(np.array([here[n].trim for n in members], np.float32))
    switched = np.array([n for n, lamp in enumerate(here) if lamp.switched], np.intp)
    gain[switched] = 1
    calm = None
    if console.calm.on:
        calm = Calm(len(here), console.calm.brightness, console.calm.fade_ms / 1000, switched)
    filaments = np.array([n for n, lamp in enumerate(here) if lamp.fitted == "filament"], np.intp)
    output = Output(gain, dither_fineness(console.frames.rate_hz))
    return LampDrive(models, output, limit, filaments=filaments, switched=switched, calm=calm)


def _model(kind: LampKind) -> FilamentType | NeonType | None:
    match kind.model:
        case "filament":
            return resolve(kind.volts, kind.amps, kind.kelvin, rise_ms=kind.rise_ms, fall_ms=kind.fall_ms)
        case "neon":
            return NeonType(kind.strikes, kind.holds)
        case "instant":
            return None
