"""The jobs a bus does: lamp chains written from the frame slot, key chains scanned into events."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.clock import SECOND
from bridge.lamps.drive import LampDrive
from bridge.lamps.frames import Bits, Counts, Frame, FrameSlot
from bridge.parts.facts import KeyDriver, LampDriver
from bridge.report import DeviceState, Report, on_change
from bridge.switches.scan import KeyEvent, KeyScan

REWRITE = SECOND
"""Nanoseconds after which a chain is written again although nothing changed: a chip may have been upset."""
RETRY = SECOND
"""Nanoseconds before a part whose bus failed is tried again."""

CABLE = "The cable of these keys has come off or lost its supply: check its plugs. The keys are held as they were."


@dataclass
class LampChain:
    """One chain of lamp drivers: lamp `lamps[i]` of the bus is on channel `channels[i]`."""

    part: str
    driver: LampDriver
    lamps: npt.NDArray[np.intp]
    channels: npt.NDArray[np.intp]
    codes: npt.NDArray[np.uint16]
    written: int = -REWRITE
    retry: int = 0


class LampJob:
    """All the lamp chains of one bus. `lamps` are the console's lamps on this bus, by index."""

    def __init__(self, lamps: npt.NDArray[np.intp], chains: list[LampChain], drive: LampDrive, report: Report) -> None:
        self.lamps = lamps
        self.slot = FrameSlot()
        self.codes: npt.NDArray[np.uint16] = np.zeros(len(lamps), np.uint16)
        """What the lamps of this bus show; a new array each step, so any thread may look."""
        self._chains = chains
        self._drive = drive
        self._report = on_change(report)

    def add(self, elapsed: int, on_time: Counts, bits: Bits) -> None:
        """Take a frame of the whole console's lamps; called from the link's thread."""
        self.slot.add(Frame(elapsed, on_time[self.lamps], bits[self.lamps]))

    def run(self, now: int) -> None:
        """Write what has changed, and everything at least once a second."""
        self.codes = codes = self._drive.step(now, self.slot.take())
        for chain in self._chains:
            wanted = codes[chain.lamps]
            same = np.array_equal(chain.codes[chain.channels], wanted)
            if now < chain.retry or (same and now - chain.written < REWRITE):
                continue
            chain.codes[chain.channels] = wanted
            try:
                chain.driver.write(chain.codes)
            except OSError as error:
                chain.retry = now + RETRY
                self._report(_bus_trouble(chain.part, error))
            else:
                chain.retry, chain.written = 0, now
                self._report(DeviceState(chain.part, "ready"))

    def dark(self) -> None:
        """Darken every chain; a chain whose bus has failed keeps its outputs blanked."""
        for chain in self._chains:
            try:
                chain.driver.dark()
            except OSError as error:
                self._report(_bus_trouble(chain.part, error))


class KeyJob:
    """One key chain; `events` is called on the bus's thread, as `report` is."""

    def __init__(
        self, part: str, driver: KeyDriver, scan: KeyScan, events: Callable[[list[KeyEvent]], None], report: Report
    ) -> None:
        self._part = part
        self._driver = driver
        self._scan = scan
        self._events = events
        self._ready = DeviceState(part, "ready")
        self._cable = DeviceState(part, "cable", CABLE)
        self._report = on_change(report)
        self._retry = 0

    def run(self, now: int) -> None:
        """Scan once."""
        if now < self._retry:
            return
        try:
            levels = self._driver.read()
        except OSError as error:
            self._retry = now + RETRY
            self._report(_bus_trouble(self._part, error))
            return
        events = self._scan.feed(now, levels)
        self._report(self._ready if self._scan.intact else self._cable)
        if events:
            self._events(events)


def _bus_trouble(part: str, error: OSError) -> DeviceState:
    return DeviceState(
        part, "not-ready", f"Its bus does not answer ({error.strerror or error}); trying again each second."
    )
