"""What starves the watchdog, so that the service is started anew, and what must not: on virtual time."""

import asyncio
import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.clock import SECOND, LoopClock
from bridge.daemon.bus import Bus
from bridge.daemon.daemon import HUNG
from bridge.daemon.sticks import Sticks
from bridge.daemon.watchdog import Hanging, feed
from tests.daemon.harness import LoopBus, Rig
from tests.daemon.panels import small_console
from tests.virtual import VirtualLoop, run_virtually


class Manager:
    """Keeps what it is told, with the second of virtual time at which it was."""

    def __init__(self, look: Callable[[], Hanging]) -> None:
        self.clock = LoopClock()
        self.told: list[tuple[int, Hanging]] = []
        self._feeding = asyncio.create_task(feed(self.clock, SECOND, look, self._tell))

    def fed(self) -> list[int]:
        return [at for at, hanging in self.told if not hanging]

    async def close(self) -> None:
        self._feeding.cancel()
        await asyncio.gather(self._feeding, return_exceptions=True)

    def _tell(self, hanging: Hanging) -> None:
        self.told.append((self.clock.now() // SECOND, hanging))


class HangingBus(LoopBus):
    """Steps a bus until it is told to hang in a step, as a thread that never comes back from one."""

    made: "HangingBus"

    def __init__(self, bus: Bus, failed: Callable[[BaseException], None]) -> None:
        HangingBus.made = self
        super().__init__(bus, failed)

    def hang(self) -> None:
        self.stop()


def test_it_is_fed_while_all_is_well(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path, small_console(tmp_path)) as rig:
            manager = Manager(rig.daemon.hanging)
            begun = rig.clock.now() // SECOND
            await rig.wait(30_500)
            assert manager.fed() == list(range(begun, begun + 31))
            await manager.close()

    run_virtually(main())


def test_a_bus_that_hangs_starves_it_and_is_named(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path, small_console(tmp_path), run_bus=HangingBus) as rig:
            manager = Manager(rig.daemon.hanging)
            await rig.wait(10_000)
            HangingBus.made.hang()
            hung = rig.clock.now() // SECOND
            await rig.wait(30_000)
            assert hung <= manager.fed()[-1] <= hung + HUNG // SECOND
            assert manager.told[-1][1] == ["bus panel"]
            await manager.close()

    run_virtually(main())


class Deaf:
    """A process that never answers and never runs."""

    pid = 0

    def poll(self) -> int:
        return 0

    def kill(self) -> None:
        pass


@pytest.fixture
def deaf(monkeypatch: pytest.MonkeyPatch) -> list[socket.socket]:
    """Every worker's process is deaf; these are its ends."""
    ends: list[socket.socket] = []

    def spawn(_: str) -> tuple[Any, socket.socket]:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        ends.append(theirs)
        return Deaf(), ours

    monkeypatch.setattr("bridge.sticks.process.spawn", spawn)
    return ends


def test_a_stick_that_hangs_does_not_starve_it_nor_one_whose_process_dies(
    tmp_path: Path, deaf: list[socket.socket]
) -> None:
    async def main() -> None:
        sticks = Sticks(LoopClock(), lambda *_: None)
        manager = Manager(sticks.unwatched)
        _, elsewhere = sticks.folder("reader", tmp_path)
        for _ in range(3):
            with pytest.raises(TimeoutError):
                await elsewhere(os.getpid)
            await asyncio.sleep(10)
        deaf[0].close()
        await asyncio.sleep(10)
        with pytest.raises(TimeoutError):
            await elsewhere(os.getpid)
        await asyncio.sleep(10)
        assert len(manager.fed()) == len(manager.told) >= 40
        deaf[1].close()
        await manager.close()
        await sticks.close()

    run_virtually(main())


def test_a_worker_that_does_not_watch_its_process_any_more_starves_it(
    tmp_path: Path, deaf: list[socket.socket]
) -> None:
    async def main() -> None:
        sticks = Sticks(LoopClock(), lambda *_: None)
        _, elsewhere = sticks.folder("reader", tmp_path)
        manager = Manager(sticks.unwatched)
        call = asyncio.ensure_future(elsewhere(os.getpid))
        await asyncio.sleep(0.5)
        sticks._workers["reader"]._unwatch()
        await asyncio.sleep(10)
        assert manager.told[0][1] == []
        assert [hanging for _, hanging in manager.told[1:]] == [["reader"]] * 10
        deaf[0].close()
        with pytest.raises(ConnectionResetError):
            await call
        await manager.close()
        await sticks.close()

    run_virtually(main())


def test_an_event_loop_that_is_blocked_feeds_nothing_and_makes_up_for_nothing() -> None:
    async def main() -> None:
        manager = Manager(list)
        begun = manager.clock.now() // SECOND
        await asyncio.sleep(2.5)
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        loop.jump(60)  # as one call that takes so long
        await asyncio.sleep(1.5)
        assert manager.fed() == [begun + second for second in (0, 1, 2, 62, 63)]
        await manager.close()

    run_virtually(main())
