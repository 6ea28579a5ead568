"""The system that is installed into: its files below a root folder, and its commands. Tests stand in for it here."""

import contextlib
import ctypes
import fcntl
import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pyudev

from bridge.errors import ConsoleError

_AT_FDCWD = -100  # linux/fcntl.h
_EXCHANGE = 2  # linux/fs.h, RENAME_EXCHANGE
_CHIPINFO = 0x8044B401  # linux/gpio.h, GPIO_GET_CHIPINFO_IOCTL


class System:
    """The system below `root`; a path is always given as it is on the running system."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.root = root

    def at(self, path: str) -> Path:
        """Return where a path of the system is to be found."""
        return self.root / path.lstrip("/")

    def run(self, *command: str) -> None:
        """Run a command. Raises ConsoleError, with its own last words, if it fails."""
        self.answer(*command)

    def answer(self, *command: str) -> str:
        """Run a command and return what it printed. Raises ConsoleError, with its own last words, if it fails."""
        try:
            done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        except OSError as error:
            raise ConsoleError(
                f"{command[0]} cannot be run here ({error.strerror}): this needs a system with systemd."
            ) from None
        if done.returncode != 0:
            words = (done.stderr or done.stdout).strip() or f"status {done.returncode}"
            raise ConsoleError(f"{' '.join(command)}: {words}")
        return done.stdout

    def succeeds(self, *command: str) -> bool:
        """Tell whether a command can be run, and succeeds."""
        try:
            self.run(*command)
        except ConsoleError:
            return False
        return True

    def systemd(self) -> int:
        """Return the version of systemd, 0 without it: "systemd 252 (252.39-1~deb12u1)" is how it answers."""
        try:
            number = re.match(r"systemd (\d+)", self.answer("systemctl", "--version"))
        except ConsoleError:
            return 0
        return int(number[1]) if number else 0

    def sync(self) -> None:
        """Wait until all that was written is on the disk."""
        os.sync()

    def read(self, path: str) -> bytes | None:
        """Return what is in a file, None if there is none."""
        try:
            return self.at(path).read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            return None

    def has_account(self, name: str) -> bool:
        """Tell whether there is a user of this name."""
        return f"\n{name}:".encode() in b"\n" + (self.read("/etc/passwd") or b"")

    def is_on_usb(self) -> bool:
        """Tell whether the disk that the system was started from is on USB."""
        for line in (self.read("/proc/self/mountinfo") or b"").decode(errors="replace").splitlines():
            fields = line.split(" ")
            if len(fields) > 4 and fields[4] == "/":
                return "/usb" in str(self.at(f"/sys/dev/block/{fields[2]}").resolve())
        return False

    def hubs(self) -> set[str]:
        """Return udev's names for the ports on USB in which hubs are; nothing where there is no udev."""
        try:
            devices = pyudev.Context().list_devices(subsystem="usb", DEVTYPE="usb_device")
        except ImportError:
            return set()
        hubs = [one.properties for one in devices if one.attributes.get("bDeviceClass") == b"09"]
        return {hub[name] for hub in hubs for name in ("ID_PATH", "ID_PATH_WITH_USB_REVISION") if name in hub}

    def group(self, path: str) -> str:
        """Return the name of the group that a file belongs to, "" if that has none."""
        number = self.at(path).stat().st_gid
        lines = (line.split(b":") for line in (self.read("/etc/group") or b"").splitlines())
        return next((words[0].decode() for words in lines if len(words) > 2 and words[2] == b"%d" % number), "")

    def gpio_chips(self) -> dict[str, str]:
        """Return the labels of the GPIO chips by their device nodes."""
        found = {}
        for device in sorted(self.at("/dev").glob("gpiochip*")):
            with contextlib.suppress(OSError), device.open("rb") as file:
                info = fcntl.ioctl(file, _CHIPINFO, bytes(68))  # struct gpiochip_info: name, label, lines
                found[f"/dev/{device.name}"] = info[32:64].rstrip(b"\0").decode(errors="replace")
        return found

    def write(self, path: str, data: bytes, mode: int = 0o644) -> None:
        """Write a file so that, whenever the power goes, either the old one is there or the new one; on FAT too."""
        target = self.at(path)
        target.parent.mkdir(parents=True, exist_ok=True)
        beside = target.with_name(target.name + ".new")
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
            beside.chmod(mode)
            beside.replace(target)
            # On FAT the name is safe only with the file synced again; a folder cannot be synced there for both.
            os.fsync(file.fileno())

    def exchange(self, one: str, other: str) -> None:
        """Let two folders change places, at once if the file system can."""
        first, second = self.at(one), self.at(other)
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.renameat2(_AT_FDCWD, bytes(first), _AT_FDCWD, bytes(second), _EXCHANGE) != 0:
            aside = first.with_name(first.name + ".old")
            first.rename(aside)
            second.rename(first)
            aside.rename(second)


@contextlib.contextmanager
def readable_by_all() -> Iterator[None]:
    """Make files that everybody may read, whatever the caller's habit is: the console is another user."""
    before = os.umask(0o022)
    try:
        yield
    finally:
        os.umask(before)
