"""The jobs a bus does: lamp chains written from the frame slot, key chains scanned into events."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.clock import SECOND
from bridge.daemon.opening import Opening
from bridge.lamps.drive import LampDrive
from bridge.lamps.frames import Bits, Counts, Frame, FrameSlot
from bridge.parts.facts import KeyDriver, LampDriver
from bridge.report import DeviceState, Report, on_change
from bridge.switches.scan import KeyEvent, KeyScan

REWRITE = RETRY = CHECK = SECOND
"""Nanoseconds after which a chain is written again although nothing changed, since a chip may have been upset; after
which a part whose bus failed is tried again; and after which chips are asked whether they have been upset."""

CABLE = (
    "{} has come off, has lost its supply, or has a wire that is broken, shorted or swapped: check its plugs. The keys "
    "are held as they were."
)
PATIENCE = 3
"""Transfers in a row that may fail before a part pauses: a single one costs no more than its scan."""
GHOSTS = (
    "So many of these keys are held together that some cannot be told, since their matrix has no diodes. Those are "
    "taken as they were until others are let go of."
)
UPSET = (
    "A chip of these {} had lost its settings and was set up again. If it happens again, look at its supply and its "
    "plugs."
)


class LampChain:
    """One chain of lamp drivers: lamp `lamps[i]` of the bus is on channel `channels[i]` of so many."""

    def __init__(
        self,
        part: str,
        opening: Opening[LampDriver],
        lamps: npt.NDArray[np.intp],
        channels: npt.NDArray[np.intp],
        count: int,
    ) -> None:
        self.part = part
        self._opening = opening
        self._lamps, self._channels = _as_slice(lamps), _as_slice(channels)
        self._codes: npt.NDArray[np.uint16] = np.zeros(count, np.uint16)
        self._shown = b""
        self._ready = DeviceState(part, "ready")
        self._upset = DeviceState(part, "upset", UPSET.format("lamps"))
        self._again = self._look = 0

    def show(self, now: int, codes: npt.NDArray[np.uint16]) -> DeviceState | None:
        """Write the bus's codes if they changed or it is time again; return what there is to say of the chain.

        A chain whose bus has failed is tried again each second, and keeps its outputs as they were. Chips that can be
        asked are asked each second whether they are still as they were set up.
        """
        driver = self._opening.driver(now)
        if driver is None:
            return self._opening.trouble
        wanted = codes[self._lamps]
        shown = wanted.tobytes()
        lost = self._lost(driver, now)
        if now < self._again and (self._broken or (shown == self._shown and not lost)):
            return None
        self._codes[self._channels] = wanted
        self._again = now + REWRITE
        try:
            driver.write(self._codes)
        except OSError as error:
            self._broken = True
            return _bus_trouble(self.part, error)
        self._broken = False
        self._shown = shown
        return self._upset if lost else self._ready

    def dark(self) -> DeviceState | None:
        """Darken the chain; return what is to be said if its bus has failed. Its outputs are blanked even then."""
        driver = self._opening.made
        if driver is None:
            return None
        try:
            driver.dark()
        except OSError as error:
            return _bus_trouble(self.part, error)
        return None

    _broken = False

    def _lost(self, driver: LampDriver, now: int) -> bool:
        if now < self._look:
            return False
        self._look = now + CHECK
        return driver.check()


def _as_slice(indexes: npt.NDArray[np.intp]) -> npt.NDArray[np.intp] | slice:
    """Return the same indexes as a slice where they follow each other: that is a fifth of the work."""
    if len(indexes) and np.array_equal(indexes, np.arange(indexes[0], indexes[0] + len(indexes))):
        return slice(int(indexes[0]), int(indexes[0]) + len(indexes))
    return indexes


class LampJob:
    """All the lamp chains of one bus. `lamps` are the console's lamps on this bus, by index."""

    def __init__(self, lamps: npt.NDArray[np.intp], chains: list[LampChain], drive: LampDrive, report: Report) -> None:
        self.lamps = lamps
        self._taken = _as_slice(lamps)
        self.slot = FrameSlot()
        self.codes: npt.NDArray[np.uint16] = np.zeros(len(lamps), np.uint16)
        """What the lamps of this bus show; a new array each step, so any thread may look."""
        self._chains = chains
        self.parts = ", ".join(chain.part for chain in chains)
        """The names of the parts that drive them."""
        self.lit: list[str] = []
        """Parts that could not be darkened."""
        self._drive = drive
        self._report = on_change(report)

    def add(self, elapsed: int, on_time: Counts, bits: Bits) -> None:
        """Take a frame of the whole console's lamps; called from the link's thread."""
        self.slot.add(Frame(elapsed, on_time[self._taken], bits[self._taken]))

    def run(self, now: int) -> None:
        """Write what has changed, and everything at least once a second."""
        self.codes = codes = self._drive.step(now, self.slot.take())
        for chain in self._chains:
            said = chain.show(now, codes)
            if said is not None:
                self._report(said)

    def dark(self) -> None:
        """Darken every chain; those whose bus has failed are in `lit`."""
        for chain in self._chains:
            said = chain.dark()
            if said is not None:
                self.lit.append(chain.part)
                self._report(said)


@dataclass(frozen=True)
class Cables:
    """What leads to each of so many `chips`, nearest the board first: `names`, or nothing if nobody named them."""

    chips: int = 1
    names: tuple[str, ...] = ()

    def words(self, suspects: range | None) -> str:
        """Return what is wrong if what leads to one of these chips is broken; it may be any where that is not known."""
        chips = suspects or range(self.chips)
        shared = suspects is not None and not chips.start
        if self.names:
            names = list(dict.fromkeys(self.names[chip] for chip in chips))
            one = f"Cable {names[0]}" if len(names) == 1 else f"One of the cables {', '.join(names)}"
            behind = [name for name in dict.fromkeys(self.names[chips.stop :]) if name not in names]
            short = f" (or, if it is a short, {', '.join(behind)})" if shared and behind else ""
            return CABLE.format(f"{one}{short} of these keys")
        if shared or len(chips) == self.chips:
            return CABLE.format("The cable of these keys")
        first, last = chips[0] + 1, chips[-1] + 1
        where = f"chip {first}" if first == last else f"one of the chips {first} to {last}"
        return CABLE.format(f"The cable of these keys, where it leads to {where} (1 is nearest the board),")


class KeyJob:
    """One key chain; `events` is called on the bus's thread, as `report` is.

    It is said to be ready only when how its keys stand is known and has been told.
    """

    def __init__(
        self,
        part: str,
        opening: Opening[KeyDriver],
        scan: KeyScan,
        events: Callable[[list[KeyEvent]], None],
        report: Report,
        cables: Cables | None = None,
    ) -> None:
        self._part = part
        self._opening = opening
        self._scan = scan
        self._events = events
        self._cables = cables or Cables()
        self._ready = DeviceState(part, "ready")
        self._ghosts = DeviceState(part, "ghosts", GHOSTS)
        self._upset = DeviceState(part, "upset", UPSET.format("keys"))
        self._report = on_change(report)
        self._retry = self._look = self._failed = 0

    def run(self, now: int) -> None:
        """Scan once, and look again if a key seems to have moved."""
        if now < self._retry:
            return
        driver = self._opening.driver(now)
        if driver is None:
            self._report(self._opening.trouble)
            return
        lost = False
        if now >= self._look:
            self._look = now + CHECK
            lost = driver.check()
        try:
            levels = driver.read()
            moved = self._scan.moved(levels)
            doubted = driver.doubted(levels, moved) if moved else 0
        except OSError as error:
            self._fail(now, error)
            return
        self._failed = 0
        events = self._scan.feed(now, levels, doubted)
        if events:
            self._events(events)
        if not self._scan.intact:
            self._report(DeviceState(self._part, "cable", self._cables.words(self._scan.suspects)))
        elif lost:
            self._report(self._upset)
        elif self._scan.known:
            self._report(self._ghosts if self._scan.withheld else self._ready)

    def _fail(self, now: int, error: OSError) -> None:
        """Let one transfer be lost; pause if it is not the first in a row."""
        self._failed += 1
        if self._failed >= PATIENCE:
            self._retry = now + RETRY
            self._scan.interrupt()
            self._report(_bus_trouble(self._part, error))


def _bus_trouble(part: str, error: OSError) -> DeviceState:
    return DeviceState(
        part, "not-ready", f"Its bus does not answer ({error.strerror or error}); trying again each second."
    )
