"""`consolewright sticks watch`: the names of USB ports, as one plugs sticks into them."""

import asyncio
from collections.abc import Callable

from bridge.sticks.ports import READABLE, Ports, Volume, shown
from bridge.sticks.source import Listen, Udev

GREETING = """\
# Put a stick into each hopper's port, and copy the line it brings into [reader] or [punch]. Ctrl-C ends this.
# A socket for USB 3 can have two names: try a USB 2 and a USB 3 stick in it, and write both, with a comma."""


class Watch:
    """Says in lines of a description what is put in and pulled, as `ports` comes to know of it."""

    def __init__(self, ports: Ports, say: Callable[[str], None]) -> None:
        self._ports = ports
        self._say = say
        self._known: dict[str, Volume | None] = {}
        self._trouble = ""

    def look(self) -> None:
        """Say what has changed."""
        if self._ports.trouble not in {"", self._trouble}:
            self._say(f"# {self._ports.trouble}")
        self._trouble = self._ports.trouble
        now = {port: self._ports.volume([port]) for port in self._ports.occupied()}
        for port in self._known.keys() - now.keys():
            self._say(f'# pulled out of "{port}"')
        for port, volume in now.items():
            if port not in self._known:
                self._say(f'port = "{port}"')
            if volume and volume != self._known.get(port):
                device = volume.device
                kind = READABLE[device.file_system]
                self._say(f'# has {device.node} in it, formatted {kind}, called "{shown(device.label)}"')
        self._known = now


async def watch(say: Callable[[str], None], listen: Listen = Udev) -> None:
    """Say what is in the ports, and what is put in or pulled, until cancelled."""
    say(GREETING)
    ports = Ports()
    source = listen(ports, Watch(ports, say).look)
    try:
        await asyncio.Event().wait()
    finally:
        await source.close()
