"""The console's sticks: what is in each hopper's port is told to its machine, and its calls are run."""

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, NamedTuple

from bridge.cards.folder import Elsewhere
from bridge.cards.slot import Slot, Stick, plain
from bridge.clock import LoopClock
from bridge.sticks import helped
from bridge.sticks.holder import Holder
from bridge.sticks.mounts import FoundMounts, Mount
from bridge.sticks.ports import Ports
from bridge.sticks.source import Listen, Source, Udev
from bridge.sticks.worker import Worker

Supervise = Callable[[Coroutine[Any, Any, None], str], None]


class Hopper(NamedTuple):
    """What a card machine is given: where its stick is, and who runs the calls on it."""

    slot: Slot
    elsewhere: Elsewhere


class Sticks:
    """Hoppers, each with a process for its calls, unless these are run `elsewhere`.

    udev is listened to if any hopper has a port. `inserted` is told the machine's name for each stick that comes into a
    port. `close` ends the processes; a call that is running is let finish.
    """

    def __init__(
        self,
        clock: LoopClock,
        supervise: Supervise,
        elsewhere: Elsewhere | None = None,
        listen: Listen = Udev,
        mount: Mount | None = None,
    ) -> None:
        self._clock = clock
        self._elsewhere = elsewhere
        self._listen = listen
        self._mount = mount or (helped.HelpedMounts(helped.PLACE) if helped.PLACE.is_dir() else FoundMounts())
        self._supervise = supervise
        self._ports = Ports()
        self._holders: list[Holder] = []
        self._workers: dict[str, Worker] = {}
        self._source: Source | None = None
        self.inserted: Callable[[str], None] = lambda _: None

    def folder(self, name: str, folder: Path) -> Hopper:
        """Return the hopper of the machine called `name`; a folder stands for its stick."""
        return Hopper(plain(folder), self._runner(name)[0])

    def port(self, name: str, ports: tuple[str, ...]) -> Hopper:
        """Return a hopper with its sticks in a USB port; `name` is its machine's."""
        elsewhere, worker = self._runner(name)
        slot = Slot(Stick(0, None, self._ports.trouble))

        def tell(insertion: int, folder: Path | None, words: str) -> None:
            was = slot.stick
            slot.put(Stick(insertion, folder, words))
            if insertion and insertion != was.insertion:
                self.inserted(name)
            if worker is not None and was.insertion and insertion != was.insertion:
                worker.pulled()

        holder = Holder(self._clock, ports, self._ports, self._mount, tell)
        self._holders.append(holder)
        self._supervise(holder.run(), f"the port of the {name}")
        if self._source is None:
            self._source = self._listen(self._ports, self._news)
        return Hopper(slot, elsewhere)

    def unwatched(self) -> list[str]:
        """Return the machines whose process nobody watches over: one that hangs would go unnoticed."""
        return [name for name, worker in self._workers.items() if not worker.watched]

    async def close(self) -> None:
        """End the processes."""
        if self._source is not None:
            await self._source.close()
        await asyncio.gather(*(worker.close() for worker in self._workers.values()))

    def _runner(self, name: str) -> tuple[Elsewhere, Worker | None]:
        if self._elsewhere is not None:
            return self._elsewhere, None
        worker = Worker()
        with contextlib.suppress(OSError):  # the first call tries again, and its hopper tells
            worker.start()
        self._workers[name] = worker
        return worker, worker

    def _news(self) -> None:
        for holder in self._holders:
            holder.look()
