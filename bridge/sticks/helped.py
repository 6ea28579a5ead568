"""The mount step where the system's helper takes it: consolewright-stick@.service mounts, and says how it went."""

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bridge.sticks.mounts import MountError
from bridge.sticks.ports import Device, Volume, formatted, trouble

PLACE = Path("/run/consolewright-sticks")
"""Where the helper mounts sticks, and in the folder status/ a file for each hopper says what became of its stick."""

LOOK_EVERY = 0.1
"""Seconds between looks at what the helper says."""
PATIENCE = 10.0
"""Seconds in which it has said something, but for a stick that hardly answers."""

_WORDS = {
    "corrupt": "the files on the stick are damaged: save at a computer what can be saved and format it, or use another",
    "ambiguous": "the stick is formatted in two ways at once: format it FAT or exFAT, or use another",
    "several": "the stick has several places for files: leave one partition on it, or use another",
    "write-protected": "the stick is write-protected: free it, or put another in",
    "no-medium": "the drive is empty: put a card into it, or use a stick",
    "swapped": "the stick was changed too fast: pull it out and put it in again",
    "unreadable": "the stick cannot be read: use another",
    "in-use": "something else has mounted the stick already: let nothing but the console do that in this port",
}


class HelpedMounts:
    """Has the helper mount sticks: finds in its words on `place` what became of each."""

    def __init__(self, place: Path) -> None:
        self._status = place / "status"

    async def mount(self, volume: Volume) -> Path:
        """Return where the helper has mounted the volume's disk, within PATIENCE."""
        loop = asyncio.get_running_loop()
        deadline = loop.time() + PATIENCE
        while (status := self._of(volume.device.diskseq)) is None:
            if loop.time() > deadline:
                raise MountError(
                    "the stick is in, but is not mounted: pull it out and put it in again; if that does not help, "
                    f'see what "journalctl -u consolewright-stick@{volume.device.diskseq}" says'
                )
            await asyncio.sleep(LOOK_EVERY)
        if status["state"] == "refused":
            raise MountError(_words(status["reason"]))
        return Path(status["folder"])

    async def unmount(self, volume: Volume) -> None:
        """Leave it to the helper, which the system calls."""

    def trouble(self, devices: Sequence[Device]) -> str:
        """Return what the helper says of them, which has looked closer than udev; else what udev knows."""
        status = self._of(devices[0].diskseq) if devices else None
        return _words(status["reason"]) if status and status["state"] == "refused" else trouble(devices)

    def _of(self, diskseq: int) -> dict[str, Any] | None:
        """Return what the helper says of a disk; None if it has not said what becomes of it."""
        for file in self._status.glob("*.json"):
            status: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
            if status["diskseq"] == diskseq and status["state"] != "empty":
                return status
        return None


def _words(reason: str) -> str:
    """Return what a reason of the helper's means to the people in front of the stick."""
    code, _, about = reason.partition(":")
    if code in {"file-system", "unformatted"}:
        return formatted(about)
    other = f"the stick cannot be mounted ({about or code}): pull it out and put it in again, or use another"
    return _WORDS.get(code, other)
