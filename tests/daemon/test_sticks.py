"""Sticks in ports: a whole daemon on virtual time, told by a made-up udev what is plugged where."""

import asyncio
import errno
import os
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

import pytest

from bridge.clock import LoopClock
from bridge.console import load
from bridge.console.facts import Console
from bridge.daemon.sticks import Sticks
from bridge.links.client import CoreClient
from bridge.links.messages import CardRead
from bridge.sticks import helped
from bridge.sticks.mounts import FoundMounts, Mount
from bridge.sticks.ports import Device, Event, Ports, Volume, trouble
from tests.cards.bench import text_card
from tests.daemon.harness import Rig
from tests.daemon.panels import SMALL
from tests.sticks.sample import added, port, refused, removed, stick
from tests.virtual import run_virtually


def ported_console(folder: Path) -> Console:
    file = folder / "ported.toml"
    text = SMALL.format(cards_per_minute=300).replace('wires = "real"', 'wires = "rehearsed"')
    text = text.replace('folder = "reader"', f'port = "{port(2)}"').replace('folder = "punch"', f'port = "{port(3)}"')
    file.write_text(text)
    return load(file)


class Plugs:
    """Stands for udev and for what mounts: each disk's name is that of the folder with its files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.ports = Ports()
        self.told: Callable[[], None] = lambda: None

    def listen(self, ports: Ports, told: Callable[[], None]) -> "Plugs":
        self.ports, self.told = ports, told
        ports.all([])
        asyncio.get_running_loop().call_soon(told)
        return self

    def hear(self, *events: Event) -> None:
        self.ports.events(events)
        self.told()

    async def close(self) -> None:
        pass

    async def mount(self, volume: Volume) -> Path:
        return self.folder / volume.device.node.removeprefix("/dev/")

    async def unmount(self, volume: Volume) -> None:
        pass

    def trouble(self, devices: Sequence[Device]) -> str:
        return trouble(devices)


def run(tmp_path: Path, scenario: Callable[[Rig, Plugs, CoreClient], Coroutine[Any, Any, None]]) -> None:
    plugs = Plugs(tmp_path)

    async def main() -> None:
        console = ported_console(tmp_path)
        async with Rig(tmp_path / "s", console, rehearse=False, listen=plugs.listen, mount=plugs) as rig:
            core = CoreClient(str(rig.sockets.core), "c", [], [], ticks_per_second=1e4)
            await rig.talk(core, 50)
            await scenario(rig, plugs, core)
            core.close()

    run_virtually(main())


def state(rig: Rig, device: str) -> tuple[str, str]:
    now = rig.state_of(device)
    assert now is not None
    return now.state, now.words


def test_a_deck_goes_from_port_to_port_and_back(tmp_path: Path) -> None:
    disk = tmp_path / "sda1"
    disk.mkdir()
    (disk / "a.deck").write_text("ONE\nTWO\n")

    async def scenario(rig: Rig, plugs: Plugs, core: CoreClient) -> None:
        assert state(rig, "reader") == ("not-ready", "no stick is in")
        plugs.hear(*added(*stick(2)))
        core.read_card()
        came = [message for _, message in await rig.talk(core, 2000) if isinstance(message, CardRead)]
        assert [message.card for message in came] == [text_card("ONE")]
        plugs.hear(*removed(*stick(2)))
        await rig.wait(100)
        assert state(rig, "reader")[0] == "not-ready"
        assert "no stick is in" in state(rig, "reader")[1]
        plugs.hear(*added(*stick(3)))  # the other port
        await rig.wait(1000)
        assert state(rig, "reader")[0] == "not-ready"
        assert state(rig, "punch")[0] == "ready"
        core.punch(text_card("THREE"))
        await rig.talk(core, 3000)
        assert (disk / "punched-1.deck").read_text() == "THREE\n"
        plugs.hear(*removed(*stick(3)))
        (disk / "punched-1.deck").unlink()
        plugs.hear(*added(*stick(2)))
        core.read_card()
        came = [message for _, message in await rig.talk(core, 2000) if isinstance(message, CardRead)]
        assert [message.card for message in came] == [text_card("ONE")]

    run(tmp_path, scenario)


def test_out_and_in_again_in_one_gulp_is_another_insertion_though_nothing_on_it_changed(tmp_path: Path) -> None:
    (tmp_path / "sda1").mkdir()
    (tmp_path / "sda1" / "a.deck").write_text("ONE\nTWO\n")

    async def scenario(rig: Rig, plugs: Plugs, core: CoreClient) -> None:
        plugs.hear(*added(*stick(2)))
        for _ in range(2):
            core.read_card()
            came = [message for _, message in await rig.talk(core, 2000) if isinstance(message, CardRead)]
            assert [message.card for message in came] == [text_card("ONE")]
            plugs.hear(*removed(*stick(2)), *added(*stick(2)))
            await rig.wait(50)

    run(tmp_path, scenario)


def test_at_a_rehearsal_folders_stand_for_the_ports(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path / "s", ported_console(tmp_path)) as rig:
            await rig.wait(1000)
            assert state(rig, "reader")[0] == "empty"
            assert (rig.folder / "punch").is_dir()

    run_virtually(main())


@pytest.mark.parametrize("pulled", [True, False])
def test_a_hopper_whose_stick_hangs_serves_the_next_one(tmp_path: Path, pulled: bool) -> None:
    """With real processes: the reader is stuck on a stick until that is pulled, and the daemon lives."""
    os.mkfifo(tmp_path / "fifo")

    async def main() -> None:
        plugs = Plugs(tmp_path)
        tasks: list[asyncio.Task[None]] = []
        loop = asyncio.get_running_loop()
        sticks = Sticks(
            LoopClock(),
            lambda work, name: tasks.append(loop.create_task(work, name=name)),
            listen=plugs.listen,
            mount=plugs,
        )
        slot, elsewhere = sticks.port("reader", (port(2),))
        worker = sticks._workers["reader"]
        plugs.hear(*added(*stick(2)))
        while slot.stick.folder is None:
            await slot.changed(slot.stick)
        assert await elsewhere(os.getpid)
        worker._patience = 0.1
        with pytest.raises(TimeoutError):
            await elsewhere(Path.read_text, tmp_path / "fifo")
        worker._patience = 1.0
        if pulled:
            plugs.hear(*removed(*stick(2)))
            assert slot.stick.words == "no stick is in"
        else:
            plugs.hear(*removed(*stick(2)), *added(*stick(2)))
        assert await elsewhere(os.getpid) == worker.pid
        assert worker.abandoned == 1
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await sticks.close()

    asyncio.run(main())


def test_a_console_starts_though_no_process_can_and_the_hopper_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """source: fork(2): EAGAIN when there are as many processes as may be."""

    def none_left(_: str) -> None:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    monkeypatch.setattr("bridge.sticks.process.spawn", none_left)

    async def main() -> None:
        sticks = Sticks(LoopClock(), lambda *_: None)
        _, elsewhere = sticks.folder("reader", tmp_path)
        with pytest.raises(BlockingIOError):
            await elsewhere(os.getpid)
        await sticks.close()

    asyncio.run(main())


def test_where_the_helper_is_installed_it_mounts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def mount() -> Mount:
        return Sticks(LoopClock(), lambda *_: None)._mount

    async def main() -> None:
        monkeypatch.setattr(helped, "PLACE", tmp_path)
        assert isinstance(mount(), helped.HelpedMounts)
        monkeypatch.setattr(helped, "PLACE", tmp_path / "absent")
        assert isinstance(mount(), FoundMounts)

    run_virtually(main())


def test_what_does_not_belong_into_a_hopper_is_said_there(tmp_path: Path) -> None:
    async def scenario(rig: Rig, plugs: Plugs, core: CoreClient) -> None:
        plugs.hear(*added(refused(2, model="Keyboard")))
        await rig.wait(100)
        assert state(rig, "reader")[1].startswith('what was put in, "Keyboard", is a keyboard or something else')
        plugs.hear(*removed(refused(2)))
        await rig.wait(100)
        assert "no stick is in" in state(rig, "reader")[1]

    run(tmp_path, scenario)
