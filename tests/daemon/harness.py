"""A whole daemon, its rehearsed panel and a core on one event loop with virtual time: nothing waits."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Self

from bridge.cards.folder import at_once
from bridge.clock import SECOND, LoopClock
from bridge.console import BUILT_IN, load
from bridge.console.facts import Console
from bridge.daemon.bus import Bus, RunBus
from bridge.daemon.daemon import Daemon, Seams
from bridge.daemon.sticks import Sticks
from bridge.daemon.tasks import Outcome
from bridge.demo.skerry.core import SkerryCore
from bridge.files import examples
from bridge.links.client import CoreClient
from bridge.links.messages import FromDaemon
from bridge.report import DeviceState
from bridge.sticks.mounts import Mount
from bridge.sticks.source import Listen, Udev

MS = SECOND // 1000


def without_filaments(console: Console) -> Console:
    """Return a console whose lamps are at once as bright as they are driven: for tests of what is lit, not how."""
    return replace(console, lamps=tuple(replace(lamp, kind=BUILT_IN["instant"]) for lamp in console.lamps))


class LoopBus:
    """Steps a bus from the event loop instead of from a thread."""

    def __init__(self, bus: Bus, failed: Callable[[BaseException], None]) -> None:
        self._task = asyncio.get_running_loop().create_task(self._run(bus, failed))

    def stop(self) -> None:
        self._task.cancel()

    def ended(self, within: float) -> bool:
        return True

    async def _run(self, bus: Bus, failed: Callable[[BaseException], None]) -> None:
        clock = LoopClock()
        deadline = bus.start(clock.now())
        try:
            while True:
                await clock.until(deadline)
                deadline = bus.step(clock.now())
        except Exception as error:  # noqa: BLE001 -- as the thread it stands for
            failed(error)


class Line:
    """A typewriter's line that takes everything and keeps it."""

    def __init__(self) -> None:
        self.sent = bytearray()
        self.received: Callable[[bytes], None] = lambda _: None

    def open(self, received: Callable[[bytes], None], _lost: Callable[[OSError], None]) -> Self:
        self.received = received
        return self

    def write(self, data: bytes) -> int:
        self.sent += data
        return len(data)

    def close(self) -> None:
        pass


class Rig:
    """A rehearsed console on virtual time: `async with Rig(folder) as rig`."""

    def __init__(
        self,
        folder: Path,
        console: Console | None = None,
        pace: float = 1.0,
        *,
        rehearse: bool = True,
        listen: Listen = Udev,
        mount: Mount | None = None,
        run_bus: RunBus = LoopBus,
        unattended: bool = False,
    ) -> None:
        self.states: list[DeviceState] = []
        self.console = console or without_filaments(load(examples() / "skerry.toml"))
        self.clock = LoopClock()
        self.folder = folder
        self.line = Line()
        self.daemon = Daemon(
            self.console,
            state=folder,
            sockets=folder,
            rehearse=rehearse,
            pace=pace,
            say=self.states.append,
            unattended=unattended,
            seams=Seams(
                run_bus, partial(Sticks, elsewhere=at_once, listen=listen, mount=mount), self.line.open, at_once
            ),
        )
        self._tasks: list[asyncio.Task[None]] = []
        self._asked: list[asyncio.Task[Outcome]] = []

    async def __aenter__(self) -> Self:
        self.sockets = await self.daemon.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in (*self._tasks, *self._asked):
            task.cancel()
        await asyncio.gather(*self._tasks, *self._asked, return_exceptions=True)
        await self.daemon.stop()

    def ask(self, task: str, *words: str) -> "asyncio.Task[Outcome]":
        """Give the core half a second to save or restore a state, or tell it of power: "off" or "on", and why."""
        daemon = self.daemon
        if task == "power":
            asked = daemon.power(off=words[0] == "off", why=words[1], within=0.5)
        else:
            asked = (daemon.save if task == "save" else daemon.restore)(words[0], 0.5)
        self._asked.append(asyncio.get_running_loop().create_task(asked))
        return self._asked[-1]

    async def wait(self, milliseconds: float) -> None:
        await self.clock.until(self.clock.now() + round(milliseconds * MS))

    async def press(self, key: str) -> None:
        """Press a key for as long as it takes to settle, and let it go for as long."""
        await self.throw(key, closed=True)
        await self.throw(key, closed=False)

    async def throw(self, key: str, *, closed: bool) -> None:
        self.daemon.panel.throw(key, closed=closed)
        await self.wait(30)

    def lit(self) -> dict[str, int]:
        """Return the codes of the lamps as the twins of their drivers decode them."""
        return self.daemon.panel.codes()

    def state_of(self, device: str) -> DeviceState | None:
        return next((state for state in reversed(self.states) if state.device == device), None)

    def run_core(self, core: SkerryCore) -> None:
        """Let a demo machine run beside the daemon until the rig is left."""
        self._tasks.append(asyncio.create_task(self._core(core)))

    async def _core(self, core: SkerryCore) -> None:
        loop = asyncio.get_running_loop()
        try:
            while True:
                when = core.advance(self.clock.now())
                ready = asyncio.Event()
                fd = core.client.fileno()
                timer = loop.call_at(when / SECOND, ready.set)
                if fd >= 0:
                    loop.add_reader(fd, ready.set)
                try:
                    await ready.wait()
                finally:
                    timer.cancel()
                    if fd >= 0:
                        loop.remove_reader(fd)
        finally:
            core.client.close()

    async def talk(self, client: CoreClient, milliseconds: float) -> list[tuple[int, FromDaemon]]:
        """Let a bare client listen for so long; return (when it came, what came)."""
        came: list[tuple[int, FromDaemon]] = []
        end = self.clock.now() + round(milliseconds * MS)
        while self.clock.now() < end:
            came += [(self.clock.now(), message) for message in client.poll(self.clock.now())]
            await self.wait(1)
        return came
