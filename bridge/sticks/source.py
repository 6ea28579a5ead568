"""What happens to devices, as the process that listens to udev tells it."""

import asyncio
import socket
import subprocess
from collections.abc import Callable, Mapping
from typing import Protocol

from bridge.sticks import parcel, process
from bridge.sticks.ports import Ports

MODULE = "bridge.sticks.udev"
AGAIN = 5.0
"""Seconds until a process that died is replaced."""


class Source(Protocol):
    """Tells a `Ports` what udev knows, until it is closed."""

    async def close(self) -> None: ...  # noqa: D102


Listen = Callable[[Ports, Callable[[], None]], Source]
"""Begins to keep a `Ports` up with udev; calls after each batch of news."""


class Udev:
    """Keeps `ports` up with udev, and calls `told` after each batch of news; belongs to the running event loop.

    A replug that came in one batch is in `ports` as another insertion.
    """

    def __init__(
        self, ports: Ports, told: Callable[[], None], environment: Mapping[str, str] | None = None, again: float = AGAIN
    ) -> None:
        self._ports = ports
        self._told = told
        self._environment = environment
        self._again = again
        self._loop = asyncio.get_running_loop()
        self._given_up: list[subprocess.Popen[bytes]] = []
        self._timer: asyncio.TimerHandle | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None
        self._start()

    async def close(self) -> None:
        """End the process."""
        if self._timer is not None:
            self._timer.cancel()
        self._let_go()
        for one in self._given_up:
            await process.end(one)

    def _start(self) -> None:
        self._timer = None
        self._given_up = [one for one in self._given_up if one.poll() is None]
        try:
            self._process, self._channel = process.spawn(MODULE, self._environment)
        except OSError:
            self._later()
        else:
            self._loop.add_reader(self._channel, self._news)

    def _news(self) -> None:
        assert self._channel is not None  # noqa: S101 -- it is what woke us
        try:
            everything, news = parcel.receive(self._channel)
        except BlockingIOError:
            return
        except EOFError:
            self._let_go()
            self._later()
            return
        if everything:
            self._ports.all(news)
        else:
            self._ports.events(news)
        self._told()

    def _later(self) -> None:
        self._ports.trouble = "sticks cannot be seen: is libudev (package libudev1) installed?"
        self._told()
        self._timer = self._loop.call_later(self._again, self._start)

    def _let_go(self) -> None:
        if self._channel is not None:
            self._loop.remove_reader(self._channel)
            self._channel.close()
            self._channel = None
        if self._process is not None:
            self._given_up.append(self._process)
            self._process = None
