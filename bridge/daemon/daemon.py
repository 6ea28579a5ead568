"""The daemon: a console put together, run and watched over until it is told to stop or something in it dies."""

import asyncio
import contextlib
import itertools
import traceback
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from bridge.cards.code import CardCode, described
from bridge.cards.folder import Elsewhere, in_thread
from bridge.cards.punch import Punch
from bridge.cards.reader import KeyAct, ReadCard, Reader, Settings, Taker
from bridge.cards.spool import Spool
from bridge.cards.spool import load as load_spool
from bridge.cards.stacker import Stacker
from bridge.clock import SECOND, LoopClock
from bridge.console.facts import Console
from bridge.console.facts import Punch as PunchFacts
from bridge.console.facts import Reader as ReaderFacts
from bridge.daemon import counters
from bridge.daemon.assembly import Assembly, assemble
from bridge.daemon.bus import BusThread, RunBus, Running, settle_interpreter
from bridge.daemon.core import CoreDesk
from bridge.daemon.keydesk import KeyDesk
from bridge.daemon.state import StateFolder
from bridge.daemon.sticks import Hopper, Sticks, Supervise
from bridge.daemon.tasks import Outcome
from bridge.errors import ConsoleError
from bridge.links.core import CoreLink
from bridge.links.observer import ObserverLink
from bridge.links.tap import TOPIC, Tap
from bridge.rehearsal.control import Control
from bridge.rehearsal.panel import RehearsedPanel
from bridge.rehearsal.typewriter import RehearsedTypewriter
from bridge.report import DeviceState, on_change
from bridge.switches.scan import KeyEvent
from bridge.typewriter.line import Lost, OpenLine, Received, Typewriter
from bridge.typewriter.mechanism import Mechanism
from bridge.typewriter.serial_line import SerialLine, SerialSettings

SHOW = SECOND // 20
"""Nanoseconds between looks at the lamps for the observer link."""
HEALTH = 20
"""Looks between two reports of how late the buses are."""
TELL_COUNTERS = 60
"""Seconds between two tellings of the counters to observers."""
STOP = 0.5
"""Seconds the buses, and then the tasks, have to end; they take a hundredth unless they hang."""
TOLD = 0.8
"""Seconds the core has at the end to get its state to safety: what it and STOP take is less than `ending.LIMIT`."""
TASK = "core task"
"""What the core was asked to do last is told of under this name, as a device's state is."""
HUNG = 2 * SECOND
"""Nanoseconds after which a bus that has not stepped hangs; the longest step, on a slow I2C bus, takes a tenth."""


@dataclass(frozen=True)
class Sockets:
    """Where a running daemon is reached; `rehearsal` is None when nothing is rehearsed."""

    core: Path
    observer: Path
    rehearsal: Path | None


@dataclass(frozen=True)
class Seams:
    """How a daemon meets real time: threads step its buses and wait for file systems, pyserial opens its typewriter.

    `sticks` makes the hoppers and what makes the calls on sticks, `storage` makes those on the state folder. Tests on
    virtual time bring their own.
    """

    run_bus: RunBus = BusThread
    sticks: Callable[[LoopClock, Supervise], Sticks] = Sticks
    typewriter_line: OpenLine | None = None
    storage: Elsewhere = in_thread


class FaultError(ConsoleError):
    """Something in the daemon itself has died; `str()` says what and where, for whoever mends it."""

    def __init__(self, what: str, error: BaseException | None) -> None:
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        where = ""
        if error is not None and error.__traceback__ is not None:
            frame = traceback.extract_tb(error.__traceback__)[-1]
            where = f" at {Path(frame.filename).name}:{frame.lineno}"
        cause = f"{type(error).__name__}: {error}" if error is not None else "it ended"
        super().__init__(
            f"{what} has stopped because of a fault in consolewright itself ({cause}{where}). "
            "Start it again; if it comes back, send this line to whoever looks after the software."
        )


class Daemon:
    """One console, from `start` to `stop`.

    `state` is the folder where things are kept, hoppers named by a relative folder among them; `sockets` where the
    sockets go. `say` is told of every change of a device's state. An `unattended` start does without the parts that
    cannot be opened, until they can be.
    """

    def __init__(
        self,
        console: Console,
        *,
        state: Path,
        sockets: Path,
        rehearse: bool,
        pace: float,
        say: Callable[[DeviceState], None],
        unattended: bool = False,
        seams: Seams | None = None,
    ) -> None:
        self._console = console
        self._state = state
        self._sockets = sockets
        self._rehearse = rehearse
        self._pace = pace
        self._say = say
        self._unattended = unattended
        self._seams = seams or Seams()
        self._loop = asyncio.get_running_loop()
        self._clock = LoopClock(self._loop)
        self._report = on_change(self._told)
        self.observers = ObserverLink(console.name)
        self._desk = CoreDesk(console, pace)
        self._core_link = CoreLink(self._desk, self._report, self._tap())
        self._desk.send = self._core_link.send
        self._assembly: Assembly | None = None
        self._control: Control | None = None
        self._running: dict[str, Running] = {}
        self._tasks: dict[asyncio.Task[None], str] = {}
        self._failed: asyncio.Future[None] = self._loop.create_future()
        self._unheard = {part.name for part in console.parts}
        self._connectors = _connectors(console)
        self._counted: counters.Counted | None = None
        self._hours: counters.LampHours | None = None
        self._kept: dict[str, Any] = {}
        self._heard: asyncio.Future[None] = self._loop.create_future()
        if not self._unheard:
            self._heard.set_result(None)
        self._reader_keys: dict[str, KeyAct] = {}
        self._key_desk = KeyDesk(console, self._report)
        self._folder: StateFolder | None = None
        self._sticks: Sticks | None = None
        self.typewriter_twin: RehearsedTypewriter | None = None
        self._parted = False
        self.ending = ""
        self.left: list[str] = []

    async def start(self) -> Sockets:
        """Open and start everything, dark, and return when how every key stands is known, or that it cannot be.

        Raises ConsoleError with everything that is in the way, all let go again.
        """
        try:
            return await self._start()
        except ConsoleError:
            await self.stop()
            raise

    async def wait(self) -> None:
        """Return only when something in the daemon has died; raises ConsoleError saying what."""
        await self._failed

    def hanging(self) -> list[str]:
        """Return what hangs in the daemon itself, in words: not a stick, whose hopper says so and goes on."""
        buses = self._assembly.buses if self._assembly is not None else []
        now = self._clock.now()
        hanging = [f"bus {bus.name}" for bus in buses if now - bus.stepped > HUNG]
        if self._sticks is not None:
            hanging += [f"the watch over the {name}'s process" for name in self._sticks.unwatched()]
        return hanging

    async def stop(self) -> None:
        """Stop everything: the core is told, then keys and lamps, the devices, the links last; leaves the lamps dark.

        What hangs is left as it is: `left` has its names. Meanwhile `ending` tells what is waited for.
        """
        await self.farewell()
        await self._stop_devices()
        self.ending = "the counters"
        await self._keep_counters()
        self._core_link.close()
        self.observers.close()
        if self._control is not None:
            self._control.close()
        if self.typewriter_twin is not None:
            self.typewriter_twin.close()
        if self._folder is not None:
            self._folder.close()
        self._failed.cancel()
        self.ending = "a call on the state folder"  # all that a loop waits for when it is closed
        # Transports close on the loop's next turns.
        for _ in range(3):
            await asyncio.sleep(0)

    async def farewell(self) -> None:
        """Tell the core, once, that it is on its own from here on; `stop` does it if nobody has done it before."""
        if not self._parted:
            self._parted = True
            self.ending = "the core, which was told that power goes"
            await self.power(off=True, why="the console is shutting down", within=TOLD)

    async def power(self, *, off: bool, why: str, within: float) -> Outcome:
        """Tell the core that power goes or is back, and why, and say how it answered within so many seconds."""
        return self._came_out(await self._desk.tasks.power(off=off, why=why, within=within))

    async def save(self, name: str, within: float) -> Outcome:
        """Have the core save its machine's state under a name (1 to 32 of a-z, 0-9 and -), and say how it went."""
        return self._came_out(await self._desk.tasks.save(name, within))

    async def restore(self, name: str, within: float) -> Outcome:
        """Have the core restore the state of this name, and say how it went."""
        return self._came_out(await self._desk.tasks.restore(name, within))

    def _came_out(self, outcome: Outcome) -> Outcome:
        if outcome.state != "not-asked":
            self._report(DeviceState(TASK, outcome.state, outcome.words))
        return outcome

    def _tap(self) -> Tap:
        """Return a tap on the core link that flows while an observer asks for it."""
        tap = Tap()
        tap.now, tap.tell = self._clock.now, self.observers.stream
        tap.wanted = lambda: self.observers.wanted(TOPIC)
        self.observers.offer(TOPIC, tap.standing)
        return tap

    def darken(self) -> list[str]:
        """Darken the lamps as far as that is possible, from any thread; return the parts that hang."""
        return self._assembly.darken() if self._assembly is not None else []

    async def _stop_devices(self) -> None:
        running, self._running = self._running, {}
        for bus in running.values():
            bus.stop()
        for name, bus in running.items():
            self.ending = f"bus {name}"
            if not bus.ended(STOP / len(running)):
                self.left.append(self.ending)
        self.ending = "the lamps"
        self.left += self.darken()
        if self._assembly is not None:
            self._assembly.close()
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            self.ending = ", ".join(dict.fromkeys(self._tasks.values()))
            _, left = await asyncio.wait(self._tasks, timeout=STOP)
            self.left += [self._tasks[task] for task in left]
        if self._sticks is not None:
            self.ending = "a hopper's process"
            await self._sticks.close()

    @property
    def panel(self) -> RehearsedPanel:
        """The rehearsed part of the panel, once started."""
        assert self._assembly is not None  # noqa: S101 -- there is none to ask for before
        return self._assembly.panel

    async def _start(self) -> Sockets:
        console = self._console
        self._folder = StateFolder(self._state)
        self._assembly = assemble(
            console,
            rehearse=self._rehearse,
            report=self._from_thread,
            events=self._keys_from_thread,
            unattended=self._unattended,
        )
        self._desk.devices.lamps = self._assembly.lamps
        self.observers.state(
            "panel", lamps=[lamp.name for lamp in console.lamps], keys=[key.name for key in console.keys]
        )
        await self._open_counters()
        self._sticks = self._seams.sticks(self._clock, self._supervise)
        self._sticks.inserted = self._stick_in
        await self._make_hoppers()
        self._make_typewriter()
        sockets = await self._serve()
        settle_interpreter()
        for bus in self._assembly.buses:
            self._running[bus.name] = self._seams.run_bus(bus, self._bus_died)
        self._supervise(self._show(), "the observer link")
        self._supervise(self._keep_counting(), "the counters")
        await asyncio.wait([self._heard, self._failed], return_when=asyncio.FIRST_COMPLETED)
        if self._failed.done():
            await self._failed
        return sockets

    async def _open_counters(self) -> None:
        counted, words = await self._seams.storage(counters.load, self._state)
        self._counted, self._kept = counted, counted.plain()
        self._hours = counters.LampHours([lamp.name for lamp in self._console.lamps], counted)
        if words:
            self._report(DeviceState("counters", "set-aside", words))
        self.observers.state("counters", **self._kept)

    async def _keep_counting(self) -> None:
        """Write the counters now and then, and tell observers each minute."""
        due = self._clock.now()
        for minute in itertools.count(1):
            due += TELL_COUNTERS * SECOND
            await self._clock.until(due)
            if self._counted is not None and self._hours is not None:
                self._hours.settle()
                self.observers.state("counters", **self._counted.plain())
            if minute % (counters.EVERY // TELL_COUNTERS) == 0:
                await self._keep_counters()

    async def _keep_counters(self) -> None:
        """Write the counters if they have changed; that it fails is told and stops nothing."""
        if self._counted is None or self._hours is None:
            return
        self._hours.settle()
        plain = self._counted.plain()
        if plain == self._kept:
            return
        try:
            await self._seams.storage(counters.save, self._state, plain)
        except OSError as error:
            words = (
                f"They cannot be written ({error.strerror or error}): is the disk full? Trying again in ten minutes."
            )
            self._report(DeviceState("counters", "not-ready", words))
        else:
            self._kept = plain

    def _stick_in(self, hopper: str) -> None:
        if self._counted is not None:
            self._counted.insertions[hopper] += 1

    async def _make_hoppers(self) -> None:
        console, desk = self._console, self._desk
        spool = await self._open_spool(_card_code(console.punch)) if console.punch is not None else None
        if console.reader is not None:
            self._make_reader(console.reader)
        if console.punch is not None and spool is not None:
            punch = Punch(
                *(self._clock, console.punch.cards_per_minute, self._pace),
                Stacker(*self._hopper("punch", console.punch), spool),
                spool,
                *(self._card_punched, self._report, console.punch.blank_cards),
            )
            desk.devices.punch = punch
            self._supervise(punch.run(), "the punch")

    def _make_reader(self, facts: ReaderFacts) -> None:
        keys: dict[KeyAct, str] = {
            "load": facts.load_key,
            "start": facts.start_key,
            "stop": facts.stop_key,
            "end": facts.end_key,
        }
        settings = Settings(
            *(facts.cards_per_minute, self._pace, facts.taken_out, facts.stacker_cards),
            *(facts.load_key, facts.start_key, facts.stop_key, facts.end_key),
            code=_card_code(facts),
        )
        slot, elsewhere = self._hopper("reader", facts)
        taker = Taker(self._card_read, self._desk.cycle_end, self._desk.last_card)
        reader = Reader(self._clock, settings, slot, taker, self._report, elsewhere)
        self._reader_keys = {name: act for act, name in keys.items() if name}
        self._desk.devices.reader = reader
        self._supervise(reader.run(), "the reader")

    async def _open_spool(self, code: CardCode) -> Spool:
        folder = self._make(Path("spool"))
        loaded = await self._seams.storage(load_spool, folder, code)
        if loaded.words:
            self._report(DeviceState("spool", "set-aside", "\n".join(loaded.words)))
        return Spool(folder, self._seams.storage, loaded)

    def _make_typewriter(self) -> None:
        facts = self._console.typewriter
        if facts is None:
            return
        mechanism = Mechanism(
            facts.characters_per_second,
            facts.line_characters_per_second,
            facts.columns,
            facts.return_ms,
            facts.travel_ms,
        )
        rehearsed = self._rehearse or facts.rehearsed
        # A real mechanism is never hurried beyond its own rate.
        pace = self._pace if rehearsed else min(self._pace, 1.0)
        if rehearsed and self._seams.typewriter_line is None:
            self.typewriter_twin = RehearsedTypewriter(self._clock, mechanism, pace)
        typewriter = Typewriter(
            *(self._clock, mechanism, pace, self._seams.typewriter_line or self._open_typewriter),
            *(self._desk.credit, self._desk.keyboard, self._typed, self._report),
        )
        self._desk.devices.typewriter = typewriter
        self._supervise(typewriter.run(), "the typewriter")

    def _open_typewriter(self, received: Received, lost: Lost) -> SerialLine:
        facts = self._console.typewriter
        assert facts is not None  # noqa: S101 -- only opened where there is one
        device = facts.device if self.typewriter_twin is None else self.typewriter_twin.path
        settings = SerialSettings(device or "", facts.baud, facts.data_bits, facts.parity, facts.stop_bits)
        return SerialLine(settings, received, lost)

    def _typed(self, codes: bytes, at: int) -> None:
        if self._counted is not None:
            self._counted.characters += len(codes)
        self.observers.event("typed", text=codes.decode("ascii", "replace"), at=at)

    def _hopper(self, name: str, facts: ReaderFacts | PunchFacts) -> Hopper:
        """Return a machine's hopper: its port, or the folder that stands for it, at a rehearsal one called `name`."""
        assert self._sticks is not None  # noqa: S101 -- made first
        if facts.ports and not self._rehearse:
            return self._sticks.port(name, facts.ports)
        return self._sticks.folder(name, self._make(facts.folder or Path(name)))

    def _make(self, folder: Path) -> Path:
        """Return a folder we keep; one inside the state folder is ours to make."""
        if folder.is_absolute():
            return folder
        with contextlib.suppress(OSError):
            (self._state / folder).mkdir(parents=True, exist_ok=True)
        return self._state / folder

    async def _serve(self) -> Sockets:
        folder = self._sockets
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ConsoleError(
                f"{folder}: cannot hold the sockets ({error.strerror}). Choose another --state."
            ) from None
        rehearsal = None
        await self._core_link.serve(folder / "core.sock")
        await self.observers.serve(folder / "observer.sock")
        if self.panel.parts or self.typewriter_twin is not None:
            rehearsal = folder / "rehearsal.sock"
            self._control = Control(self.panel, self.typewriter_twin)
            await self._control.serve(rehearsal)
        return Sockets(folder / "core.sock", folder / "observer.sock", rehearsal)

    def _card_read(self, card: ReadCard) -> None:
        self._desk.card(card)
        if self._counted is not None:
            self._counted.cards["reader"] += 1
        reader = self._desk.devices.reader
        progress = reader.progress if reader is not None else None
        if progress is not None:
            self.observers.state("deck", "reader", deck=progress.deck, read=progress.read, cards=progress.cards)

    def _card_punched(self, run: int, number: int, at: int) -> None:
        self._desk.punched(run, number, at)
        if self._counted is not None:
            self._counted.cards["punch"] += 1
        self.observers.event("punched", number=number)

    def _told(self, state: DeviceState) -> None:
        connectors = self._connectors.get(state.device)
        if connectors and state.words:
            state = replace(state, words=f"{state.words} (at {connectors})")
        self._say(state)
        self._unheard.discard(state.device)
        if not self._unheard and not self._heard.done():
            self._heard.set_result(None)
        self.observers.state("device", state.device, state=state.state, words=state.words)
        if state.device not in {"core", TASK}:
            self._desk.device(state)

    def _from_thread(self, state: DeviceState) -> None:
        self._loop.call_soon_threadsafe(self._report, state)

    def _keys_from_thread(self, events: list[KeyEvent]) -> None:
        self._loop.call_soon_threadsafe(self._keys, events)

    def _keys(self, events: list[KeyEvent]) -> None:
        reader = self._desk.devices.reader
        for event in events:
            if event.closed and self._counted is not None:
                self._counted.keys[self._console.keys[event.key].name] += 1
        for event in self._key_desk.told(events):
            self._desk.key(event)
            act = self._reader_keys.get(self._console.keys[event.key].name)
            if act is not None and reader is not None and event.closed:
                reader.press(act)
            self.observers.event("key", name=self._console.keys[event.key].name, closed=event.closed, at=event.at)

    async def _show(self) -> None:
        """Tell observers how the lamps stand, and now and then how late the buses are."""
        assembly = self._assembly
        assert assembly is not None  # noqa: S101 -- started after it was made
        codes = np.zeros(len(self._console.lamps), np.uint16)
        due = self._clock.now()
        for look in itertools.count():
            for job in assembly.lamps:
                codes[job.lamps] = job.codes
            if self._hours is not None:
                self._hours.look(self._clock.now(), codes)
            self.observers.state("lamps", codes=codes.tolist())
            self._key_desk.look(self._clock.now())
            self.observers.state("typewriter", taken=self._desk.typed)
            if look % HEALTH == 0:
                for bus in assembly.buses:
                    late = sorted(bus.late)
                    if late:
                        p99 = late[len(late) * 99 // 100] / 1000
                        self.observers.state(
                            "bus", bus.name, late_p99_us=round(p99), late_max_us=round(late[-1] / 1000)
                        )
            due += SHOW
            await self._clock.until(due)

    def _supervise(self, work: Coroutine[Any, Any, None], name: str) -> None:
        task = self._loop.create_task(work, name=name)
        self._tasks[task] = name
        task.add_done_callback(self._task_ended)

    def _task_ended(self, task: "asyncio.Task[None]") -> None:
        if not task.cancelled():
            self._died(self._tasks[task], task.exception())

    def _bus_died(self, error: BaseException) -> None:
        self._loop.call_soon_threadsafe(self._died, "a bus", error)

    def _died(self, what: str, error: BaseException | None) -> None:
        """Report a fault of our own: the service starts the daemon again."""
        if not self._failed.done():
            self._failed.set_exception(FaultError(what, error))


def _connectors(console: Console) -> dict[str, str]:
    """Return the connectors that the lamps and keys of each part are at, for whoever looks for a plug."""
    found: dict[str, dict[str, None]] = {}
    for point in (*console.lamps, *console.keys):
        if point.connector:
            found.setdefault(point.part.name, {})[point.connector] = None
    return {part: ", ".join(connectors) for part, connectors in found.items()}


def _card_code(facts: ReaderFacts | PunchFacts) -> CardCode:
    """Return the card code of a machine's decks."""
    return described(facts.code.name, facts.code.like, facts.code.holes)
