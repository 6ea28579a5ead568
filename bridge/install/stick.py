"""Mounts the stick in a hopper, and tells how that went: `stick mount DISKSEQ`, `stick unmount DISKSEQ`.

consolewright-stick@.service runs this as root, with the system's own Python and nothing else of this project. It is
what stands between a visitor's stick and the kernel's file systems, so it is to be read in one sitting. Before that,
`stick judge DESCRIPTORS`, run by the rules, tells whether what was put in is a stick at all.

DISKSEQ is the number the kernel gave the disk; no other disk, and no other medium in the same drive, ever has it. Of
each hopper the file status/HOPPER.json says what became of its last stick: "mounted"; "refused", and why; or "empty",
while the stick is looked at and after it was pulled. Reasons are codes: `file-system:NAME`, `unformatted`, `corrupt`,
`ambiguous` (two file systems in one place), `several` (file systems to choose from), `write-protected` (at the punch),
`swapped`, `no-medium`, `unreadable`, `in-use`, `failed:ERROR`.
"""

import contextlib
import errno
import fcntl
import grp
import json
import os
import stat
import struct
import subprocess
import sys
from collections.abc import Iterator, Mapping
from io import FileIO
from pathlib import Path
from typing import Any, NamedTuple

HOPPERS = ("reader", "punch")
GROUP = "consolewright"
SYSTEMS = ("vfat", "exfat")
PARTITIONS = 16
"""How many partitions of a stick are looked at."""
PATIENCE = 10.0
"""Seconds the look at a file system may take."""

_BLKGETDISKSEQ = 0x80081280  # linux/fs.h
# sys/mount.h
_RDONLY, _NOSUID, _NODEV, _NOEXEC, _SYNC, _DIRSYNC, _NOSYMFOLLOW, _NOATIME = 1, 2, 4, 8, 16, 128, 256, 1024
_DETACH, _UMOUNT_NOFOLLOW = 2, 8
# USB: of an interface, and of a device that leaves it to its interfaces or says it itself
_INTERFACE, _STORAGE, _CLASSES = 4, 8, (0, 8)
# Where a Mac or an installer keeps what starts a computer: on many a stick, and never what somebody put on it.
_BOOT = ("c12a7328-f81f-11d2-ba4b-00a0c93ec93b", "0xef")


class RefusedError(Exception):
    """A stick that is not mounted; `str()` is the reason's code."""


class System:
    """What is asked of the kernel and of the system's tools, below the folder `root`."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.root = root
        self.run = root / "run/consolewright-sticks"

    def open(self, path: Path, flags: int = 0) -> FileIO:
        """Open a disk or partition for reading. As long as it is open, no other gets its device number."""
        return FileIO(path, opener=lambda name, mode: os.open(name, mode | flags))

    def number(self, disk: FileIO) -> str:
        """Return a disk's device number."""
        about = os.fstat(disk.fileno())
        if not stat.S_ISBLK(about.st_mode):
            raise OSError(errno.ENOTBLK, os.strerror(errno.ENOTBLK))
        return f"{os.major(about.st_rdev)}:{os.minor(about.st_rdev)}"

    def diskseq(self, disk: FileIO) -> int:
        """Return the sequence number of the disk that is really open."""
        (number,) = struct.unpack("Q", fcntl.ioctl(disk, _BLKGETDISKSEQ, bytes(8)))
        return int(number)

    def properties(self, number: str) -> dict[str, str]:
        """Return what udev knows of a device."""
        command = ["udevadm", "info", "--query=property", f"/sys/dev/block/{number}"]
        return _assignments(subprocess.run(command, stdout=subprocess.PIPE, check=True, timeout=PATIENCE).stdout)

    def probe(self, disk: FileIO) -> dict[str, str]:
        """Return what is on a disk or partition, from blkid(8); nothing if that finds nothing."""
        command = ["/usr/sbin/blkid", "-p", "-o", "export", f"/proc/self/fd/{disk.fileno()}"]
        try:
            found = subprocess.run(
                command, pass_fds=[disk.fileno()], stdout=subprocess.PIPE, check=False, timeout=PATIENCE
            )
        except subprocess.TimeoutExpired:
            raise RefusedError("unreadable") from None
        if found.returncode == 8:
            raise RefusedError("ambiguous")
        return _assignments(found.stdout)

    def group(self) -> int:
        """Return the number of the group that may read and write the sticks."""
        return grp.getgrnam(GROUP).gr_gid

    def mount(self, source: Path, target: Path, system: str, flags: int, options: str) -> None:
        """Have the kernel put a file system in the place of a folder. Raises OSError."""
        _call("mount", os.fsencode(source), os.fsencode(target), system.encode(), flags, options.encode())

    def detach(self, target: Path) -> None:
        """Take away the topmost mount on a folder, though somebody may still have files open there."""
        _call("umount2", os.fsencode(target), _DETACH | _UMOUNT_NOFOLLOW)


class Part(NamedTuple):
    """A disk or partition with a file system that is taken."""

    disk: FileIO
    node: Path
    system: str
    label: str


class Hopper:
    """One hopper's folder and status; to be changed only under its lock."""

    def __init__(self, system: System, name: str) -> None:
        self.name = name
        self.folder = system.run / name
        self._system = system
        self._status = system.run / "status" / f"{name}.json"

    @property
    def diskseq(self) -> int:
        """The last stick's number; 0 if there was none since the system started."""
        try:
            return int(json.loads(self._status.read_text())["diskseq"])
        except FileNotFoundError:
            return 0

    def tell(self, diskseq: int, state: str, reason: str = "", **more: Any) -> None:
        """Write the status, whole or not at all, for everybody to read."""
        status = {
            "hopper": self.name,
            "state": state,
            "reason": reason,
            "diskseq": diskseq,
            "device": "",
            "file_system": "",
            "label": "",
            "read_only": True,
            "free_bytes": 0,
            "folder": str(self.folder),
            **more,
        }
        new = self._status.with_suffix(".new")
        new.write_text(json.dumps(status))
        new.chmod(0o644)
        new.replace(self._status)
        print(self.name, diskseq, state, reason, more.get("device", ""), flush=True)

    def clear(self) -> None:
        """Take away whatever is mounted on the folder, even the stick before whose files somebody still has open."""
        mounts = (self._system.root / "proc/self/mountinfo").read_text(errors="replace").splitlines()
        for _ in (line for line in mounts if line.split(" ")[4] == str(self.folder)):
            self._system.detach(self.folder)


@contextlib.contextmanager
def locked(system: System, name: str) -> Iterator[Hopper]:
    """Wait until no other process serves the hopper, and keep others waiting."""
    # Not readable by others: whoever could read it could lock it.
    with open(
        system.run / "status" / f"{name}.lock", "w", opener=lambda path, flags: os.open(path, flags, 0o600)
    ) as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield Hopper(system, name)


def is_stick(descriptors: bytes) -> bool:
    """Tell whether a USB device with these descriptors is mass storage, and can be nothing else.

    They are read as the kernel reads them (drivers/usb/core/config.c): udev's list of interfaces, on which the rules
    rely besides, ends at a descriptor of two bytes, and the kernel's does not.
    """
    device, rest = descriptors[:18], descriptors[18:]
    if len(device) < 18 or device[4] not in _CLASSES or device[17] != 1:
        return False
    classes = set()
    while len(rest) >= 2 and 2 <= rest[0] <= len(rest):
        if rest[1] == _INTERFACE:
            classes.add(rest[5] if rest[0] >= 9 else None)
        rest = rest[rest[0] :]
    return classes == {_STORAGE}


def mount(system: System, diskseq: int) -> None:
    """Mount the disk in the hopper it is in, or say in the hopper's status why not.

    Raises OSError or SystemExit, and has changed nothing, if the disk is gone, was changed for another, or is in no
    hopper.
    """
    # O_NONBLOCK opens a drive without a medium, too.
    with system.open(system.root / "dev/disk/by-diskseq" / str(diskseq), os.O_NONBLOCK) as disk:
        if system.diskseq(disk) != diskseq:
            raise SystemExit(f"disk {diskseq} is not there any more, another one is")
        name = system.properties(system.number(disk)).get("CONSOLEWRIGHT_HOPPER", "")
        if name not in HOPPERS:
            raise SystemExit(f"disk {diskseq} is in no hopper")
        with locked(system, name) as hopper:
            if hopper.diskseq > diskseq:
                raise SystemExit(f"disk {diskseq} is late: disk {hopper.diskseq} came into the {name} since")
            hopper.tell(diskseq, "empty")  # so that unmounting finds what was broken off from here on
            hopper.clear()
            about: dict[str, Any] = {}
            try:
                _mount(system, hopper, disk, diskseq, about)
            except (RefusedError, OSError) as error:
                hopper.clear()
                hopper.tell(diskseq, "refused", _reason(error), **about)
            else:
                hopper.tell(diskseq, "mounted", **about)


def unmount(system: System, diskseq: int) -> None:
    """Take the disk away from the hopper it was in, unless another is in there by now."""
    # Asked twice, so as not to wait for the other hopper's stick.
    for name in (name for name in HOPPERS if Hopper(system, name).diskseq == diskseq):
        with locked(system, name) as hopper:
            if hopper.diskseq == diskseq:
                hopper.clear()
                hopper.tell(diskseq, "empty")


def _mount(system: System, hopper: Hopper, disk: FileIO, diskseq: int, about: dict[str, Any]) -> None:
    """Mount the one file system on the disk; note in `about` what is known of it. Raises RefusedError and OSError."""
    with contextlib.ExitStack() as held:
        part = _find(system, disk, diskseq, held)
        about.update(device=str(part.node), file_system=part.system, label=part.label)
        try:
            system.mount(part.node, hopper.folder, part.system, *_how(hopper.name, part.system, system.group()))
        except OSError as error:
            raise RefusedError(_refusal(error, hopper.name)) from error
    room = os.statvfs(hopper.folder)
    about.update(read_only=bool(room.f_flag & os.ST_RDONLY), free_bytes=room.f_bavail * room.f_frsize)


def _how(hopper: str, file_system: str, group: int) -> tuple[int, str]:
    """Return the flags and options of a hopper's mount: the group reads at the reader and writes at the punch."""
    flags = _NOSUID | _NODEV | _NOEXEC | _NOSYMFOLLOW | _NOATIME
    options = f"uid=0,gid={group},errors=remount-ro,"
    options += "iocharset=utf8," if file_system == "exfat" else "utf8=1,shortname=mixed,tz=UTC,"
    if hopper == "reader":
        return flags | _RDONLY, options + "fmask=0137,dmask=0027"
    # It may be pulled at any moment.
    return flags | _SYNC | _DIRSYNC, options + "fmask=0117,dmask=0007"


def _refusal(error: OSError, hopper: str) -> str:
    if error.errno in {errno.EACCES, errno.EROFS} and hopper == "punch":
        return "write-protected"
    if error.errno in {errno.EINVAL, errno.EIO, errno.EUCLEAN}:
        return "corrupt"
    return "in-use" if error.errno == errno.EBUSY else _reason(error)


def _find(system: System, disk: FileIO, diskseq: int, held: contextlib.ExitStack) -> Part:
    """Return the one file system on the disk that is taken, open as long as `held`. Raises RefusedError."""
    device = (system.root / "sys/dev/block" / system.number(disk)).resolve()
    # mkfs.exfat leaves what passes for an empty partition table, so the kernel is asked what it made of it.
    names = sorted(file.parent.name for file in device.glob("*/partition"))[:PARTITIONS] or [device.name]
    seen: list[Mapping[str, str]] = []
    parts: list[Part] = []
    for node in (system.root / "dev" / name for name in names):
        part = held.enter_context(_open(system, node))
        if system.diskseq(part) != diskseq:
            raise RefusedError("swapped")
        about = _look(system, part)
        if about.get("PART_ENTRY_TYPE") not in _BOOT:
            seen.append(about)
            if about.get("TYPE") in SYSTEMS:
                parts.append(Part(part, node, about["TYPE"], about.get("LABEL", "")[:64]))
    if len(parts) > 1:
        raise RefusedError("several")
    if not parts:
        other = next((about["TYPE"] for about in seen if "TYPE" in about), "")
        raise RefusedError(f"file-system:{other[:32]}" if other else "unformatted")
    return parts[0]


def _open(system: System, node: Path) -> FileIO:
    try:
        return system.open(node)
    except OSError as error:
        if error.errno == errno.ENOMEDIUM:
            raise RefusedError("no-medium") from None
        raise


def _look(system: System, part: FileIO) -> dict[str, str]:
    """Return what is on it. blkid says the same of a stick that cannot be read as of an empty one, so read first."""
    try:
        part.read(4096)
    except OSError:
        raise RefusedError("unreadable") from None
    return system.probe(part)


def _assignments(output: bytes) -> dict[str, str]:
    lines = (line.partition("=") for line in output.decode(errors="replace").splitlines())
    return {name: value for name, _, value in lines}


def _reason(error: RefusedError | OSError) -> str:
    return str(error) if isinstance(error, RefusedError) else f"failed:{errno.errorcode.get(error.errno or 0, '')}"


def _call(name: str, *arguments: bytes | int) -> None:
    import ctypes  # noqa: PLC0415 -- udev's own sandbox, where `judge` runs, need not allow it

    if getattr(ctypes.CDLL(None, use_errno=True), name)(
        *(ctypes.c_ulong(a) if isinstance(a, int) else a for a in arguments)
    ):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def main() -> None:
    """Do what the command line says; end with status 1 for a device that is no stick."""
    verb, what = sys.argv[1:]
    if verb == "judge":
        sys.exit(not is_stick(Path(what).read_bytes()))
    {"mount": mount, "unmount": unmount}[verb](System(), int(what))


if __name__ == "__main__":
    main()
