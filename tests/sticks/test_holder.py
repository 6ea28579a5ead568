import asyncio
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

from bridge.clock import LoopClock
from bridge.sticks.holder import LOOKING, Holder
from bridge.sticks.mounts import MountError
from bridge.sticks.ports import Device, Event, Ports, Volume
from tests.sticks.sample import FAT, added, changed, made, port, refused, removed, stick
from tests.virtual import run_virtually

NO_STICK = (0, None, "no stick is in")


class FakeMount:
    """Mounts a stick in a folder named after its insertion, unless told otherwise; keeps what it was asked."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, int]] = []
        self.refuse = ""
        self.words = "the stick is not formatted"
        self.go_on = asyncio.Event()
        self.go_on.set()

    async def mount(self, volume: Volume) -> Path:
        self.calls.append(("mount", volume.insertion))
        await self.go_on.wait()
        if self.refuse:
            raise MountError(self.refuse)
        return Path(f"/stick/{volume.insertion}")

    async def unmount(self, volume: Volume) -> None:
        self.calls.append(("unmount", volume.insertion))

    def trouble(self, devices: Sequence[Device]) -> str:
        return f"{self.words}, all {len(devices)} of it"


class Bench:
    def __init__(self) -> None:
        self.ports = Ports()
        self.mount = FakeMount()
        self.told: list[tuple[int, Path | None, str]] = []
        self.clock = LoopClock()
        self.holder = Holder(self.clock, [port(2)], self.ports, self.mount, lambda *what: self.told.append(what))

    def hear(self, *events: Event) -> None:
        self.ports.events(events)
        self.holder.look()

    async def after(self, seconds: float, *events: Event) -> list[tuple[int, Path | None, str]]:
        """Let events come and so much time pass; return what is told meanwhile."""
        before = len(self.told)
        self.hear(*events)
        await self.clock.until(self.clock.now() + round(seconds * 1e9))
        return self.told[before:]


def run(scenario: Callable[[Bench], Coroutine[Any, Any, None]], *, sound: bool = True) -> None:
    async def main() -> None:
        bench = Bench()
        if sound:
            bench.ports.all([])
            bench.holder.look()
        running = asyncio.ensure_future(bench.holder.run())
        await asyncio.sleep(0)
        try:
            await scenario(bench)
            assert not running.done()
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

    run_virtually(main())


def test_put_in_pulled_and_put_in_again() -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.told[-1] == NO_STICK
        assert await bench.after(1, *added(*stick(2))) == [(1, None, LOOKING), (1, Path("/stick/1"), "")]
        assert await bench.after(1, *changed(*stick(2))) == []
        assert await bench.after(1, *removed(*stick(2))) == [NO_STICK]
        assert await bench.after(1, *added(*stick(2))) == [(2, None, LOOKING), (2, Path("/stick/2"), "")]
        assert bench.mount.calls == [("mount", 1), ("unmount", 1), ("mount", 2)]

    run(scenario)


def test_that_it_is_out_is_told_at_once() -> None:
    async def scenario(bench: Bench) -> None:
        await bench.after(1, *added(*stick(2)))
        bench.hear(*removed(*stick(2)))
        assert bench.told[-1] == NO_STICK

    run(scenario)


def test_a_replug_in_one_batch() -> None:
    async def scenario(bench: Bench) -> None:
        await bench.after(1, *added(*stick(2)))
        told = await bench.after(1, *removed(*stick(2)), *added(*stick(2)))
        assert told == [(2, None, LOOKING), (2, Path("/stick/2"), "")]
        assert bench.mount.calls == [("mount", 1), ("unmount", 1), ("mount", 2)]

    run(scenario)


def test_pulled_while_it_is_being_mounted() -> None:
    async def scenario(bench: Bench) -> None:
        bench.mount.go_on.clear()
        assert await bench.after(1, *added(*stick(2))) == [(1, None, LOOKING)]
        assert await bench.after(1, *removed(*stick(2))) == [NO_STICK]
        bench.mount.go_on.set()
        assert await bench.after(1) == []
        assert bench.mount.calls == [("mount", 1)]

    run(scenario)


def test_what_cannot_be_mounted_is_tried_again() -> None:
    async def scenario(bench: Bench) -> None:
        bench.mount.refuse = "it is broken"
        assert (await bench.after(0.5, *added(*stick(2))))[-1] == (1, None, "it is broken")
        bench.mount.refuse = ""
        assert await bench.after(2) == [(1, Path("/stick/1"), "")]

    run(scenario)


def test_a_file_system_has_time_to_become_known() -> None:
    async def scenario(bench: Bench) -> None:
        assert await bench.after(4, *added(made(2), made(2, partition=1))) == [(0, None, LOOKING)]
        told = await bench.after(1, *changed(made(2, FAT, partition=1)))
        assert told == [(1, None, LOOKING), (1, Path("/stick/1"), "")]

    run(scenario)


def test_one_that_has_none_is_said_to_have_none() -> None:
    async def scenario(bench: Bench) -> None:
        told = await bench.after(6, *added(made(2)))
        assert told[0] == (0, None, LOOKING)
        assert told[1:] == [(0, None, "the stick is not formatted, all 1 of it")]
        bench.mount.words = "the stick cannot be read"
        assert await bench.after(5) == [(0, None, "the stick cannot be read, all 1 of it")]
        assert await bench.after(6, *removed(made(2))) == [NO_STICK]

    run(scenario)


def test_another_port_is_not_its_business() -> None:
    async def scenario(bench: Bench) -> None:
        assert await bench.after(1, *added(*stick(3))) == []

    run(scenario)


def test_present_at_the_start() -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.told == [(0, None, "looking at the ports")]
        bench.ports.all(stick(2))
        assert await bench.after(1) == [(1, None, LOOKING), (1, Path("/stick/1"), "")]

    run(scenario, sound=False)


def test_a_stick_that_is_in_stays_in_while_udev_is_not_heard() -> None:
    async def scenario(bench: Bench) -> None:
        await bench.after(1, *added(*stick(2)))
        bench.ports.trouble = "sticks cannot be seen"
        assert await bench.after(1) == []
        bench.ports.all(stick(2))
        assert await bench.after(1) == []
        bench.ports.trouble = "sticks cannot be seen"
        assert await bench.after(1, *removed(*stick(2))) == [(0, None, "sticks cannot be seen")]

    run(scenario)


def test_what_was_refused_in_the_port_is_told_at_once() -> None:
    async def scenario(bench: Bench) -> None:
        ((insertion, folder, words),) = await bench.after(9, *added(refused(2)))
        assert (insertion, folder) == (0, None)
        assert "is a keyboard or something else that is no stick" in words
        assert await bench.after(1, *removed(refused(2))) == [NO_STICK]
        assert await bench.after(1, *added(refused(3))) == []

    run(scenario)


def test_a_stick_that_can_be_mounted_counts_for_more_than_what_was_refused() -> None:
    async def scenario(bench: Bench) -> None:
        await bench.after(1, *added(refused(2)))
        assert await bench.after(1, *added(*stick(2))) == [(1, None, LOOKING), (1, Path("/stick/1"), "")]

    run(scenario)
