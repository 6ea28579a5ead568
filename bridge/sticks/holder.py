"""A hopper's port: what is put in is mounted, and what becomes of it is told."""

import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from bridge.clock import SECOND, LoopClock
from bridge.sticks.mounts import Mount, MountError
from bridge.sticks.ports import Device, Ports, Stranger, Volume, refusal, trouble

SETTLE = 5 * SECOND
"""Nanoseconds in which the file system of a stick that was put in becomes known, however late udev looks at it."""
AGAIN = SECOND
"""Nanoseconds between attempts to mount a stick."""

LOOKING = "looking at the stick"

Tell = Callable[[int, Path | None, str], None]
"""Takes the number of the insertion, the stick's folder, and words. Without a folder there is nothing to read or write,
and the words say why; the number is then that of the stick that is in, or 0."""


class _Seen(NamedTuple):
    volume: Volume | None
    stranger: Stranger | None
    devices: tuple[Device, ...]
    trouble: str


class Holder:
    """Holds what is in the first of `ports` that has anything: mounts it, and tells of every change.

    Call `look` after `ports` has changed: that a stick is out, or another in, is told before it returns. `run` mounts.
    """

    def __init__(self, clock: LoopClock, names: Sequence[str], ports: Ports, mount: Mount, tell: Tell) -> None:
        self._clock = clock
        self._names = names
        self._ports = ports
        self._mount = mount
        self._tell = tell
        self._seen = self._now()
        self._news = asyncio.Event()

    def look(self) -> None:
        """See whether what is in the port has changed."""
        seen = self._now()
        if seen != self._seen:
            self._seen = seen
            self._news.set()
            self._tell_what_is_in(seen)

    async def run(self) -> None:
        """Mount what is put in, and unmount what was pulled, until cancelled."""
        self._tell_what_is_in(self._seen)
        while True:
            self._news.clear()
            async with asyncio.TaskGroup() as tasks:
                serving = tasks.create_task(self._serve(self._seen))
                try:
                    await self._news.wait()
                finally:
                    serving.cancel()

    def _now(self) -> _Seen:
        volume = self._ports.volume(self._names)
        # With a stick that can be mounted nothing else matters, not even that udev has gone quiet.
        stranger = None if volume else self._ports.stranger(self._names)
        devices = () if volume or stranger else tuple(self._ports.devices(self._names))
        return _Seen(volume, stranger, devices, "" if volume or stranger or devices else self._ports.trouble)

    def _tell_what_is_in(self, seen: _Seen) -> None:
        if seen.volume:
            self._tell(seen.volume.insertion, None, LOOKING)
        elif seen.stranger:
            self._tell(0, None, refusal(seen.stranger))
        elif seen.devices:
            self._tell(0, None, LOOKING)
        else:
            self._tell(0, None, seen.trouble or trouble(()))

    async def _serve(self, seen: _Seen) -> None:
        if seen.volume:
            await self._hold(seen.volume)
        elif seen.devices:
            while True:  # whoever looks closer may need longer
                await self._clock.until(self._clock.now() + SETTLE)
                self._tell(0, None, self._mount.trouble(seen.devices))

    async def _hold(self, volume: Volume) -> None:
        while True:
            try:
                folder = await self._mount.mount(volume)
            except MountError as error:
                self._tell(volume.insertion, None, str(error))
                await self._clock.until(self._clock.now() + AGAIN)
            else:
                break
        self._tell(volume.insertion, folder, "")
        try:
            await asyncio.Event().wait()
        finally:
            await self._mount.unmount(volume)
