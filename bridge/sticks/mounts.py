"""The mount step: from a volume in a port to the folder where its files are."""

import asyncio
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from bridge.sticks.ports import Device, Volume, trouble

LOOK_EVERY = 0.25
"""Seconds between looks at what is mounted."""
PATIENCE = 5.0
"""Seconds in which whatever mounts sticks usually has done so."""

TABLE = Path("/proc/self/mountinfo")


class MountError(Exception):
    """A stick that cannot be mounted; `str()` says why, and what to do about it."""


class Mount(Protocol):
    """Makes a stick's files reachable."""

    async def mount(self, volume: Volume) -> Path:
        """Return the folder with the files of `volume`; MountError if there is none for now: it is tried again.

        Cancelled when the stick is pulled.
        """

    async def unmount(self, volume: Volume) -> None:
        """Hear that a stick whose folder was given out has been pulled; must not wait for the stick."""

    def trouble(self, devices: Sequence[Device]) -> str:
        """Return why nothing of the devices in a port can be mounted."""


class FoundMounts:
    """Mounts nothing itself: finds where something else has mounted the stick, as desktop systems do."""

    def __init__(self, read: Callable[[], str] = TABLE.read_text) -> None:
        self._read = read

    async def mount(self, volume: Volume) -> Path:
        """Return where the volume is mounted, within PATIENCE."""
        loop = asyncio.get_running_loop()
        deadline = loop.time() + PATIENCE
        while (found := folder(self._read(), volume)) is None:
            if loop.time() > deadline:
                raise MountError(
                    f"the stick is in, but nothing has mounted {volume.device.node}: mount it, "
                    "or let the system mount sticks as they are put in"
                )
            await asyncio.sleep(LOOK_EVERY)
        return found

    async def unmount(self, volume: Volume) -> None:
        """Leave it to whoever mounted it."""

    def trouble(self, devices: Sequence[Device]) -> str:
        """Return what udev knows of them."""
        return trouble(devices)


def folder(table: str, volume: Volume) -> Path | None:
    """Return where `table`, as in /proc/self/mountinfo (see proc(5)), has the root of the volume; None if nowhere.

    The device number tells it from the mount of a stick that was pulled: as long as that is there, its number is taken.
    File systems in user space have no device number; they name the device they are of.
    """
    number = "{}:{}".format(*volume.device.number)
    for line in table.splitlines():
        mount, _, file_system = line.partition(" - ")
        fields, about = mount.split(" "), file_system.split(" ")
        if len(fields) < 5 or len(about) < 2 or fields[3] != "/":
            continue
        if fields[2] == number or (about[0].startswith("fuse") and _plain(about[1]) == volume.device.node):
            return Path(_plain(fields[4]))
    return None


def _plain(field: str) -> str:
    """Undo the octal escapes of blanks and their like."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), field)
