"""The mount helper on a made-up /dev, /sys and /run; that the kernel really mounts is proven in the rig."""

import errno
import fcntl
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from contextlib import ExitStack
from io import FileIO
from pathlib import Path
from typing import Any

import pytest

from bridge.files import units
from bridge.install import stick
from bridge.install.stick import Hopper, RefusedError, System, is_stick, locked, mount, unmount

FAT = {"TYPE": "vfat", "LABEL": "DECKS"}
EXFAT = {"TYPE": "exfat", "PTTYPE": "dos"}


class Bench(System):
    """A system of which the disks are ordinary files, and the mounts lines."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        for folder in ("dev/disk/by-diskseq", "sys/dev/block", "proc/self", "run/consolewright-sticks/status"):
            (root / folder).mkdir(parents=True)
        for hopper in stick.HOPPERS:
            (self.run / hopper).mkdir()
        self.table = root / "proc/self/mountinfo"
        self.table.write_text(f"22 1 8:2 / / rw - ext4 /dev/mmcblk0p2 rw\n23 22 0:5 / {self.run} rw - tmpfs run rw\n")
        self.hoppers: dict[str, str] = {}
        self.diskseqs: dict[str, int] = {}
        self.contents: dict[str, dict[str, str] | Exception] = {}
        self.calls: list[tuple[Any, ...]] = []
        self.refuse: OSError | None = None
        self.before: Callable[[], None] = lambda: None

    def plug(self, diskseq: int, hopper: str = "reader", name: str = "sda", **parts: dict[str, str]) -> None:
        """Put in a disk: its partitions by number, "p1=", or what is on it as a whole, "whole="."""
        device = self.root / f"sys/devices/{name}"
        device.mkdir(parents=True)
        (self.root / "sys/dev/block" / name).symlink_to(device)
        (self.root / "dev/disk/by-diskseq" / str(diskseq)).symlink_to(f"../../{name}")
        whole = {name: parts.pop("whole", {})}
        for one, content in (whole | {f"{name}{part[1:]}": content for part, content in parts.items()}).items():
            (self.root / "dev" / one).write_bytes(bytes(4096))
            self.diskseqs[one], self.contents[one] = diskseq, content
            if one != name:
                (device / one).mkdir()
                (device / one / "partition").touch()
        self.hoppers[name] = hopper

    def number(self, disk: FileIO) -> str:
        return Path(f"/proc/self/fd/{disk.fileno()}").readlink().name

    def diskseq(self, disk: FileIO) -> int:
        return self.diskseqs[self.number(disk)]

    def properties(self, number: str) -> dict[str, str]:
        hopper = self.hoppers[number]
        return {"CONSOLEWRIGHT_HOPPER": hopper} if hopper else {}

    def probe(self, disk: FileIO) -> dict[str, str]:
        content = self.contents[self.number(disk)]
        if isinstance(content, Exception):
            raise content
        return content

    def group(self) -> int:
        return 987

    def mount(self, source: Path, target: Path, system: str, flags: int, options: str) -> None:
        self.before()
        if self.refuse:
            raise self.refuse
        assert self.held(source), "a disk that is not held open may have become another"
        self.calls.append(("mount", source.name, target.name, system, flags, options))
        with self.table.open("a") as table:
            table.write(f"90 22 8:1 / {target} rw shared:1 - {system} {source} rw\n")

    def detach(self, target: Path) -> None:
        lines = self.table.read_text().splitlines(keepends=True)
        last = max(at for at, line in enumerate(lines) if line.split(" ")[4] == str(target))
        del lines[last]
        self.table.write_text("".join(lines))
        self.calls.append(("detach", target.name))

    def held(self, node: Path) -> bool:
        return any(os.path.realpath(one) == str(node) for one in Path("/proc/self/fd").iterdir())

    def mounts(self) -> list[str]:
        """Return what is mounted: hopper and source."""
        lines = [line.split(" ") for line in self.table.read_text().splitlines()]
        return [f"{Path(line[4]).name}: {Path(line[-2]).name}" for line in lines if line[3:5] != ["/", "/"]][1:]

    def status(self, hopper: str = "reader") -> dict[str, Any]:
        status: dict[str, Any] = json.loads((self.run / "status" / f"{hopper}.json").read_text())
        return status

    def outcome(self, hopper: str = "reader") -> tuple[str, str, int]:
        status = self.status(hopper)
        return status["state"], status["reason"], status["diskseq"]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


# source: sys/mount.h of glibc 2.36, by its names
RDONLY, NOSUID, NODEV, NOEXEC, SYNC, DIRSYNC, NOSYMFOLLOW, NOATIME = 1, 2, 4, 8, 16, 128, 256, 1024


def test_a_stick_at_the_reader_can_be_read_and_no_more(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    mount(bench, 7)
    (call,) = bench.calls
    assert call[:4] == ("mount", "sda1", "reader", "vfat")
    assert call[4] == RDONLY | NOSUID | NODEV | NOEXEC | NOSYMFOLLOW | NOATIME
    options = call[5].split(",")
    # source: mount(8): files of 0640, folders of 0750, of root and the group
    assert {"uid=0", "gid=987", "fmask=0137", "dmask=0027", "errors=remount-ro", "utf8=1"} <= set(options)
    assert bench.status() == {
        "hopper": "reader",
        "state": "mounted",
        "reason": "",
        "diskseq": 7,
        "device": str(bench.root / "dev/sda1"),
        "file_system": "vfat",
        "label": "DECKS",
        "read_only": bench.status()["read_only"],
        "free_bytes": bench.status()["free_bytes"],
        "folder": str(bench.run / "reader"),
    }
    assert bench.status()["free_bytes"] > 0
    assert (bench.run / "status/reader.json").stat().st_mode & 0o777 == 0o644
    assert [path.name for path in (bench.run / "status").iterdir() if path.suffix == ".new"] == []


def test_one_at_the_punch_is_written_through(bench: Bench) -> None:
    bench.plug(7, "punch", whole=dict(EXFAT))
    mount(bench, 7)
    (call,) = bench.calls
    assert call[:4] == ("mount", "sda", "punch", "exfat")
    assert call[4] == NOSUID | NODEV | NOEXEC | NOSYMFOLLOW | NOATIME | SYNC | DIRSYNC
    # source: mount(8): files of 0660, folders of 0770
    assert {"fmask=0117", "dmask=0007", "iocharset=utf8"} <= set(call[5].split(","))
    assert bench.outcome("punch") == ("mounted", "", 7)


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"whole": {}}, "unformatted"),
        ({"whole": {"TYPE": "ext4"}}, "file-system:ext4"),
        ({"whole": dict(FAT), "p1": {}}, "unformatted"),
        ({"p1": {}, "p2": {"TYPE": "ntfs"}}, "file-system:ntfs"),
        ({"p1": dict(FAT), "p2": dict(EXFAT)}, "several"),
        ({"p1": RefusedError("ambiguous")}, "ambiguous"),
        ({"p1": OSError(errno.ENOENT, "no blkid")}, "failed:ENOENT"),
        ({"whole": {"TYPE": "x" * 999}}, "file-system:" + "x" * 32),
    ],
)
def test_what_cannot_be_mounted_is_refused_with_a_reason(bench: Bench, parts: dict[str, Any], reason: str) -> None:
    bench.plug(7, **parts)
    mount(bench, 7)
    assert bench.outcome() == ("refused", reason, 7)
    assert bench.calls == []


@pytest.mark.parametrize(
    ("parts", "node"),
    [
        ({"p1": {}, "p2": dict(FAT)}, "sda2"),
        ({"p1": {"TYPE": "ext4"}, "p2": dict(FAT), "p3": {}}, "sda2"),
        # source: mkfs.exfat's boot sector passes for a partition table, and the kernel makes none of it
        ({"whole": dict(EXFAT)}, "sda"),
        # source: UEFI 2.10, the system partition's type; a Mac puts one before what one formats with a GUID table
        ({"p1": {**FAT, "PART_ENTRY_TYPE": "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"}, "p2": dict(EXFAT)}, "sda2"),
    ],
)
def test_of_several_partitions_the_one_that_can_be_read_is(bench: Bench, parts: dict[str, Any], node: str) -> None:
    bench.plug(7, **parts)
    mount(bench, 7)
    assert bench.outcome() == ("mounted", "", 7)
    assert bench.calls[0][1] == node


@pytest.mark.parametrize(
    ("hopper", "number", "reason"),
    [
        ("punch", errno.EACCES, "write-protected"),
        ("punch", errno.EROFS, "write-protected"),
        ("reader", errno.EACCES, "failed:EACCES"),
        ("reader", errno.EINVAL, "corrupt"),
        ("reader", errno.EIO, "corrupt"),
        ("reader", errno.EBUSY, "in-use"),
        ("reader", errno.ENODEV, "failed:ENODEV"),
    ],
)
def test_what_the_kernel_refuses_is_told_as_a_reason(bench: Bench, hopper: str, number: int, reason: str) -> None:
    # source: the kernel's answers to damaged, locked and vanished sticks in a QEMU guest
    bench.plug(7, hopper, p1=dict(FAT))
    bench.refuse = OSError(number, os.strerror(number))
    mount(bench, 7)
    assert bench.outcome(hopper) == ("refused", reason, 7)
    assert bench.status(hopper)["file_system"] == "vfat"


def test_a_drive_without_a_medium(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    # source: open(2) of a block device without O_NONBLOCK: ENOMEDIUM
    bench.plug(7)

    def opened(path: Path, flags: int = 0) -> FileIO:
        if not flags & os.O_NONBLOCK:
            raise OSError(errno.ENOMEDIUM, os.strerror(errno.ENOMEDIUM))
        return System.open(bench, path, flags)

    monkeypatch.setattr(bench, "open", opened)
    mount(bench, 7)
    assert bench.outcome() == ("refused", "no-medium", 7)


def test_a_stick_that_cannot_be_read_is_not_taken_for_an_empty_one(bench: Bench) -> None:
    bench.plug(7)
    (bench.root / "dev/sda").unlink()
    (bench.root / "dev/sda").mkdir()  # which opens, and cannot be read
    with (bench.root / "dev/null").open("wb"), ExitStack() as held:
        disk = held.enter_context(FileIO(os.open(bench.root / "dev/null", os.O_WRONLY)))
        with pytest.raises(RefusedError, match="unreadable"):
            stick._look(bench, disk)


def test_a_stick_that_was_swapped_harms_nothing(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    mount(bench, 7)
    before, mounts = bench.outcome(), bench.mounts()
    (bench.root / "dev/disk/by-diskseq/6").symlink_to("../../sda")
    with pytest.raises(SystemExit, match="another one is"):
        mount(bench, 6)
    assert (bench.outcome(), bench.mounts()) == (before, mounts)


def test_a_partition_of_another_disk_is_not_mounted(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    bench.diskseqs["sda1"] = 8
    mount(bench, 7)
    assert bench.outcome() == ("refused", "swapped", 7)


@pytest.mark.parametrize("hopper", ["", "typewriter", "../punch"])
def test_a_disk_in_no_hopper_is_left_alone(bench: Bench, hopper: str) -> None:
    bench.plug(7, hopper, p1=dict(FAT))
    with pytest.raises(SystemExit, match="in no hopper"):
        mount(bench, 7)
    assert bench.calls == []
    assert list((bench.run / "status").iterdir()) == []


def test_a_stick_that_is_gone_before_anything_happened_changes_nothing(bench: Bench) -> None:
    with pytest.raises(FileNotFoundError):
        mount(bench, 7)
    assert list((bench.run / "status").iterdir()) == []


def test_a_mount_that_is_still_held_makes_room_for_the_next_stick(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    mount(bench, 7)
    bench.plug(8, name="sdb", p1=dict(FAT))
    mount(bench, 8)
    assert bench.mounts() == ["reader: sdb1"]
    assert bench.outcome() == ("mounted", "", 8)
    unmount(bench, 7)  # late
    assert bench.mounts() == ["reader: sdb1"]
    assert bench.outcome() == ("mounted", "", 8)


def test_a_stick_that_is_late_does_not_push_out_the_next(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    bench.plug(8, name="sdb", p1=dict(FAT))
    mount(bench, 8)
    with pytest.raises(SystemExit, match="late"):
        mount(bench, 7)
    assert bench.mounts() == ["reader: sdb1"]


def test_pulled(bench: Bench) -> None:
    bench.plug(7, p1=dict(FAT))
    bench.plug(8, "punch", "sdb", p1=dict(FAT))
    mount(bench, 7)
    mount(bench, 8)
    unmount(bench, 7)
    assert bench.mounts() == ["punch: sdb1"]
    assert bench.outcome() == ("empty", "", 7)
    assert bench.outcome("punch") == ("mounted", "", 8)
    unmount(bench, 9)  # refused before it had a status
    assert bench.outcome("punch") == ("mounted", "", 8)


def test_pulled_while_it_is_being_mounted(bench: Bench) -> None:
    # source: systemd.service(5): the process is killed, then ExecStopPost= runs
    bench.plug(7, p1=dict(FAT))

    def killed() -> None:
        assert bench.outcome() == ("empty", "", 7)
        raise KeyboardInterrupt

    bench.before = killed
    with pytest.raises(KeyboardInterrupt):
        mount(bench, 7)
    with bench.table.open("a") as table:  # as if that had been just after
        table.write(f"90 22 8:1 / {bench.run / 'reader'} rw - vfat /dev/sda1 rw\n")
    unmount(bench, 7)
    assert bench.mounts() == []
    assert bench.outcome() == ("empty", "", 7)


def test_a_stick_that_dies_right_after_mounting_is_not_left_mounted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.plug(7, p1=dict(FAT))

    def dead(path: Path) -> os.statvfs_result:
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))

    monkeypatch.setattr(os, "statvfs", dead)
    mount(bench, 7)
    assert bench.outcome() == ("refused", "failed:EIO", 7)
    assert bench.mounts() == []


def test_one_stick_a_hopper_at_a_time(bench: Bench) -> None:
    # source: flock(2): another open file's lock is refused
    with locked(bench, "reader") as hopper:
        assert isinstance(hopper, Hopper)
        path = bench.run / "status/reader.lock"
        assert path.stat().st_mode & 0o777 == 0o600
        with path.open("w") as other, pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with locked(bench, "punch"):
            unmount(bench, 7)  # of neither: waits for nobody


def test_what_is_no_disk_has_no_number(tmp_path: Path) -> None:
    system = System()
    (tmp_path / "file").touch()
    with system.open(tmp_path / "file") as file, pytest.raises(OSError, match=r"[Bb]lock device"):
        system.number(file)


@pytest.mark.parametrize(
    ("command", "content"), [(["mkfs.vfat", "-n", "DECKS"], FAT), (["mkfs.exfat", "-L", "DECKS"], EXFAT)]
)
def test_blkid_is_understood(tmp_path: Path, command: list[str], content: dict[str, str]) -> None:
    # source: the real mkfs and blkid
    image = tmp_path / "stick.img"
    with image.open("wb") as file:
        file.truncate(8 << 20)
    system = System()
    with system.open(image) as empty:
        assert "TYPE" not in system.probe(empty)
    try:
        subprocess.run([*command, str(image)], check=True, capture_output=True)
    except FileNotFoundError:
        if os.environ.get("NOTHING_IS_SKIPPED"):
            raise
        pytest.skip(f"{command[0]} is not installed (apt-get install dosfstools exfatprogs)")
    with system.open(image) as disk:
        found = system.probe(disk)
    assert (found["TYPE"], found["LABEL"]) == (content["TYPE"], "DECKS")


def test_two_signatures_are_ambiguous(tmp_path: Path) -> None:
    # source: libmount's rule that a superblock of another kind makes the result ambivalent; blkid(8): exit status 8
    image = tmp_path / "stick.img"
    with image.open("wb") as file:
        file.truncate(8 << 20)
    try:
        subprocess.run(["mkfs.vfat", str(image)], check=True, capture_output=True)
    except FileNotFoundError:
        if os.environ.get("NOTHING_IS_SKIPPED"):
            raise
        pytest.skip("mkfs.vfat is not installed (apt-get install dosfstools)")
    with image.open("r+b") as file:
        file.seek(0x438)
        file.write(b"\x53\xef")
    system = System()
    with system.open(image) as disk, pytest.raises(RefusedError, match="ambiguous"):
        system.probe(disk)


def test_it_runs_alone() -> None:
    # source: the unit's command line; without the project on its path it gets as far as the missing disk
    file = Path(stick.__file__)
    command = [sys.executable, "-I", "-S", str(file), "mount", "0"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert "FileNotFoundError" in ran.stderr
    assert "by-diskseq/0" in ran.stderr


def device(*classes: int, own: int = 0, configurations: int = 1, between: bytes = b"", end: bytes = b"") -> bytes:
    """Return descriptors as the kernel shows them: a configuration, interfaces of these classes, two endpoints each.

    source: USB 2.0 specification, 9.6.1, 9.6.3, 9.6.5, 9.6.6
    """
    first = bytes([18, 1, 0, 2, own, 0, 0, 64, 0xF4, 0x46, 1, 0, 0, 0, 1, 2, 3, configurations])
    endpoints = bytes([7, 5, 0x81, 2, 0, 2, 0, 7, 5, 2, 2, 0, 2, 0])
    parts = [bytes([9, 4, n, 0, 2, one, 6, 0x50, 0]) + endpoints for n, one in enumerate(classes)]
    body = between.join(parts) + end
    return first + bytes([9, 2]) + (9 + len(body)).to_bytes(2, "little") + bytes([len(classes), 1, 0, 0x80, 50]) + body


@pytest.mark.parametrize(
    ("descriptors", "verdict"),
    [
        (device(8), True),
        (device(8, own=8), True),
        (device(8, 8), True),
        # What follows a descriptor too short to be one, the kernel does not see either.
        (device(8, end=b"\0" + device(3)[27:]), True),
        (device(8, end=b"\xff"), True),
        (device(3), False),
        (device(8, 3), False),
        (device(3, 8), False),
        (device(8, own=9), False),
        (device(8, own=0xEF), False),
        (device(8, configurations=2), False),
        (device(), False),
        (device(8)[:17], False),
        (b"", False),
        # One of two bytes ends udev's list, and not the kernel's.
        (device(8, 3, between=b"\x02\xff"), False),
        # One without endpoints at the very end is not in udev's list.
        (device(8, end=bytes([9, 4, 1, 0, 0, 3, 1, 1, 0])), False),
        (device(8, end=bytes([8, 4, 1, 0, 0, 8, 1, 1])), False),
    ],
)
def test_only_what_is_a_stick_and_nothing_else_is_one(descriptors: bytes, verdict: bool) -> None:
    assert is_stick(descriptors) == verdict


@pytest.mark.parametrize(("classes", "status"), [((8,), 0), ((8, 3), 1)])
def test_the_rules_hear_it_as_a_status(tmp_path: Path, classes: tuple[int, ...], status: int) -> None:
    # source: the rules' own command line
    (tmp_path / "descriptors").write_bytes(device(*classes))
    rules = (units() / "65-consolewright-ports.rules").read_text()
    (command,) = re.findall(r'PROGRAM=="([^"]*)"', rules)
    python, *options, program, verb, what = command.split(" ")
    assert (python, program) == ("/usr/bin/python3", "/opt/consolewright/libexec/stick")
    path = what.replace("$sys$devpath", str(tmp_path))
    assert subprocess.run([sys.executable, *options, stick.__file__, verb, path], check=False).returncode == status
