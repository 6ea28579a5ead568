"""Against the real libudev, on devices that umockdev makes up."""

import asyncio
import ctypes
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

import pytest

from bridge.sticks import source
from bridge.sticks.ports import Ports
from bridge.sticks.source import Udev
from tests.sticks.sample import BUS, FAT, place, port, properties
from tests.sticks.testbed import LIBRARY, PRELOAD

READER, PUNCH = [port(2)], [port(3)]


def _umockdev() -> bool:
    try:
        ctypes.CDLL(LIBRARY)
    except OSError:
        return False
    return True


pytestmark = pytest.mark.skipif(
    not _umockdev() and not os.environ.get("NOTHING_IS_SKIPPED"),
    reason="umockdev is not installed (apt-get install umockdev): nothing here is tried on the real libudev",
)


class Bench:
    """A testbed, and the ports as the process that listens to udev in it tells them."""

    def __init__(self) -> None:
        self._testbed = subprocess.Popen(
            [sys.executable, "-m", "tests.sticks.testbed"],
            env={**os.environ, "LD_PRELOAD": PRELOAD, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._testbed.stdout is not None
        self.root = Path(self._testbed.stdout.readline().strip())
        self.ports = Ports()
        self.news = asyncio.Event()
        self.udev: Udev | None = None

    def listen(self, again: float = 0.01) -> None:
        environment = {"LD_PRELOAD": PRELOAD, "UMOCKDEV_DIR": str(self.root)}
        self.udev = Udev(self.ports, self.news.set, environment, again)

    async def close(self) -> None:
        if self.udev is not None:
            await self.udev.close()
        self._testbed.communicate()

    def do(self, what: str, *about: str) -> None:
        assert self._testbed.stdin is not None
        assert self._testbed.stdout is not None
        print(json.dumps([what, *about]), file=self._testbed.stdin, flush=True)
        self._testbed.stdout.readline()

    def plug(self, number: int, disk: str = "sda", partitions: Sequence[dict[str, str]] = (dict(FAT),)) -> None:
        self.do(
            "add", described(number, disk, 0) + "".join(described(number, disk, *p) for p in enumerate(partitions, 1))
        )

    def plug_superfloppy(self, number: int, disk: str = "sda") -> None:
        self.do("add", described(number, disk, 0, dict(FAT)))

    def plug_stranger(self, number: int, verdict: str = "refused") -> str:
        """Put in what the system's rules have judged; return its place."""
        facts = {
            "SUBSYSTEM": "usb",
            "DEVTYPE": "usb_device",
            "DEVNAME": "/dev/bus/usb/001/009",
            "ID_PATH": port(number),
        }
        facts |= {"CONSOLEWRIGHT_VERDICT": verdict, "CONSOLEWRIGHT_REASON": "interfaces", "ID_MODEL": "Keyboard"}
        path = f"{BUS}/1-1.{number}"
        lines = [f"P: {path.removeprefix('/sys')}", *(f"E: {key}={value}" for key, value in facts.items())]
        self.do("add", "\n".join(lines) + "\n\n")
        return path

    def change(self, number: int, disk: str, partition: int, more: dict[str, str]) -> None:
        self.do("change", place(number, disk, partition), uevent(number, disk, partition, more))

    def pull(self, number: int, disk: str = "sda", partitions: int = 1) -> None:
        for partition in range(partitions, -1, -1):
            self.do("remove", place(number, disk, partition))
        self.vanish(number, disk, partitions)

    def vanish(self, number: int, disk: str = "sda", partitions: int = 1) -> None:
        """Remove without a word."""
        for partition in range(partitions, -1, -1):
            self.do("gone", place(number, disk, partition))

    def lose(self) -> None:
        (self.root / "lose").touch()

    async def until(self, condition: Callable[[], object]) -> None:
        while not condition():
            self.news.clear()
            await asyncio.wait_for(self.news.wait(), 20)

    def insertion(self, ports: Sequence[str] = READER) -> int | None:
        volume = self.ports.volume(ports)
        return volume.insertion if volume else None


def uevent(number: int, disk: str, partition: int, more: dict[str, str]) -> str:
    return "".join(f"{key}={value}\n" for key, value in (properties(number, disk, partition) | more).items())


def described(number: int, disk: str, partition: int, more: dict[str, str] | None = None) -> str:
    """Return umockdev's description of a disk or partition."""
    facts = properties(number, disk, partition) | (more or {})
    lines = [f"P: {place(number, disk, partition).removeprefix('/sys')}", f"N: {disk}{partition or ''}"]
    lines += [f"E: {key}={value}" for key, value in facts.items()]
    lines += [f"A: dev=8:{facts['MINOR']}\\n", "A: size=2048\\n"]
    return "\n".join(lines) + "\n\n"


def run(
    scenario: Callable[[Bench], Coroutine[Any, Any, None]], *, before: Callable[[Bench], None] | None = None
) -> None:
    async def main() -> None:
        bench = Bench()
        try:
            if before:
                before(bench)
            bench.listen()
            await bench.until(lambda: not bench.ports.trouble)
            await scenario(bench)
        finally:
            await bench.close()

    asyncio.run(main())


def test_put_in_and_pulled() -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.ports.devices(READER) == []
        bench.plug(2)
        await bench.until(bench.insertion)
        volume = bench.ports.volume(READER)
        assert volume is not None
        one = volume.device
        assert (one.node, one.number, one.file_system, one.label) == ("/dev/sda1", (8, 1), "vfat", "DECKS")
        bench.pull(2)
        await bench.until(lambda: not bench.ports.devices(READER))
        bench.plug_superfloppy(2)
        await bench.until(bench.insertion)
        volume = bench.ports.volume(READER)
        assert volume is not None
        assert (volume.device.node, volume.insertion) == ("/dev/sda", 2)

    run(scenario)


def test_present_at_the_start() -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.insertion() == 1

    run(scenario, before=lambda bench: bench.plug(2))


def test_the_wrong_port() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(3)
        await bench.until(lambda: bench.insertion(PUNCH))
        assert bench.ports.devices(READER) == []

    run(scenario)


def test_two_at_once_that_are_alike_but_for_their_ports() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2)
        bench.plug(3, "sdb")
        await bench.until(lambda: bench.insertion() and bench.insertion(PUNCH))
        bench.pull(2)
        await bench.until(lambda: not bench.insertion())
        assert bench.insertion(PUNCH)

    run(scenario)


def test_a_late_file_system() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2, partitions=[{}])
        await bench.until(lambda: len(bench.ports.devices(READER)) == 2)
        assert bench.insertion() is None
        bench.change(2, "sda", 1, dict(FAT))
        await bench.until(bench.insertion)
        before = bench.ports.volume(READER)
        bench.change(2, "sda", 1, dict(FAT))
        bench.plug(3, "sdb")  # to see that the one before it has come
        await bench.until(lambda: bench.insertion(PUNCH))
        assert bench.ports.volume(READER) == before

    run(scenario)


def test_several_partitions_and_none() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2, partitions=[{"ID_FS_TYPE": "ext4"}, {"ID_FS_TYPE": "exfat"}, dict(FAT)])
        bench.plug(3, "sdb", partitions=[])
        await bench.until(lambda: bench.ports.devices(PUNCH))
        volume = bench.ports.volume(READER)
        assert volume is not None
        assert volume.device.node == "/dev/sda2"
        assert bench.insertion(PUNCH) is None

    run(scenario)


def test_a_replug_in_one_gulp() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2)
        await bench.until(bench.insertion)
        assert bench.udev is not None
        assert bench.udev._process is not None
        bench.udev._process.send_signal(signal.SIGSTOP)  # it drains both at once
        bench.pull(2)
        bench.plug(2)
        bench.udev._process.send_signal(signal.SIGCONT)
        seen: list[int | None] = []

        def told() -> None:
            seen.append(bench.insertion())
            bench.news.set()

        bench.udev._told = told
        await bench.until(lambda: seen and seen[-1] == 2)
        assert None not in seen

    run(scenario)


def test_put_back_under_another_name() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2)
        await bench.until(bench.insertion)
        bench.plug(2, "sdb")
        bench.pull(2, "sda")
        await bench.until(lambda: [one.node for one in bench.ports.devices(READER)] == ["/dev/sdb1", "/dev/sdb"])
        assert bench.insertion() == 2

    run(scenario)


def test_lost_events(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "MODULE", "tests.sticks.losing")

    async def scenario(bench: Bench) -> None:
        bench.plug(2)
        bench.plug(3, "sdb")
        await bench.until(lambda: bench.insertion() and bench.insertion(PUNCH))
        bench.vanish(2)  # what nobody tells
        bench.lose()
        bench.plug(1, "sdc")  # and what is lost on the way
        await bench.until(lambda: not bench.insertion())
        assert bench.insertion(PUNCH)
        assert bench.insertion([port(1)])

    run(scenario)


def test_a_listener_that_died_is_replaced_and_makes_up_for_what_it_missed() -> None:
    async def scenario(bench: Bench) -> None:
        bench.plug(2)
        bench.plug(3, "sdb")
        await bench.until(lambda: bench.insertion() and bench.insertion(PUNCH))
        before = bench.ports.volume(PUNCH)
        assert bench.udev is not None
        assert bench.udev._process is not None
        bench.udev._process.kill()
        bench.pull(2)
        await bench.until(lambda: bench.ports.trouble)
        assert bench.insertion(PUNCH), "what is in stays in"
        await bench.until(lambda: not bench.ports.trouble)
        assert bench.insertion() is None
        assert bench.ports.volume(PUNCH) == before

    run(scenario)


def test_the_listener_ends_with_the_daemon() -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.udev is not None
        process = bench.udev._process
        assert process is not None
        await bench.udev.close()
        assert process.returncode == 0

    run(scenario)


def test_what_the_rules_refused_is_told_and_what_they_accepted_is_not() -> None:
    async def scenario(bench: Bench) -> None:
        stranger = bench.ports.stranger(READER)
        assert stranger is not None
        assert (stranger.reason, stranger.model) == ("interfaces", "Keyboard")
        bench.plug_stranger(3, "accepted")
        path = bench.plug_stranger(1)
        await bench.until(lambda: bench.ports.stranger([port(1)]))
        assert bench.ports.stranger(PUNCH) is None
        bench.do("remove", path)
        await bench.until(lambda: not bench.ports.stranger([port(1)]))

    def before(bench: Bench) -> None:
        bench.plug_stranger(2)

    run(scenario, before=before)


def test_a_partition_has_its_disk_s_number() -> None:
    # source: the kernel's block/partitions/core.c: a partition's uevent need not have DISKSEQ
    async def scenario(bench: Bench) -> None:
        numbers = {one.partition: one.diskseq for one in bench.ports.devices(READER)}
        assert numbers == {0: 12, 1: 12}

    def before(bench: Bench) -> None:
        bench.do("add", described(2, "sda", 0, {"DISKSEQ": "12"}) + described(2, "sda", 1, dict(FAT)))

    run(scenario, before=before)
