"""`consolewright run`: a daemon from its description to SIGTERM, saying in plain lines what happens."""

import asyncio
import contextlib
import signal
from dataclasses import replace
from pathlib import Path

from bridge.cards.code import described
from bridge.cards.hopper import look
from bridge.clock import LoopClock
from bridge.console import CardCode, load
from bridge.daemon.daemon import Daemon
from bridge.daemon.state import socket_folder, state_folder
from bridge.daemon.systemd import Systemd
from bridge.daemon.watchdog import feed
from bridge.errors import ConsoleError
from bridge.report import DeviceState

AT_WORK = ("feeding", "punching")
"""States a machine passes through card by card: not worth a line a card, and neither are the words of "ready"."""

WELL = ("ready", *AT_WORK, "empty", "choice", "stacker-full", "linked", "absent")
"""States in which nothing is wrong with a device, though it may wait for somebody."""


async def run(
    file: Path, *, rehearse: bool, state: Path | None, pace: float | None, unattended: bool, calm: bool
) -> None:
    """Run the console described in `file` until SIGINT or SIGTERM; `pace` None is the description's, `calm` adds to it.

    Raises ConsoleError when it can't start, or when something in it dies. A bad deck in the reader is in the way of a
    start, as a part is that cannot be opened, unless it is `unattended`: then it is the reader's state, as it is for a
    deck that comes later, or the part's, which is tried again.
    """
    console = load(file)
    if calm:
        console = replace(console, calm=replace(console.calm, on=True))
    kept = state_folder(state)
    if console.reader is not None and console.reader.folder is not None and not unattended:
        _look_at_deck(kept / console.reader.folder, console.reader.code)
    systemd = Systemd()
    voice = _Voice(console.name, systemd)
    daemon = Daemon(
        console,
        state=kept,
        sockets=socket_folder(kept),
        rehearse=rehearse,
        pace=console.pace.factor if pace is None else pace,
        say=voice,
        unattended=unattended,
    )
    clock = LoopClock()
    feeding = None
    stopped = asyncio.get_running_loop().create_task(_signal())
    try:
        sockets = await daemon.start()
        _print(f"core socket: {sockets.core}")
        _print(f"observer socket: {sockets.observer}")
        if sockets.rehearsal is not None:
            _print(f"rehearsal socket: {sockets.rehearsal}")
        _print(f"ready: {console.name}")
        systemd.tell(READY="1")
        if systemd.feed_every:
            feeding = asyncio.get_running_loop().create_task(
                feed(clock, systemd.feed_every, daemon.hanging, voice.hanging), name="the watchdog"
            )
        failed = asyncio.ensure_future(daemon.wait())
        await asyncio.wait([failed, stopped], return_when=asyncio.FIRST_COMPLETED)
        if failed.done():
            await failed
        failed.cancel()
        _print("stopping: the lamps go dark")
    finally:
        stopped.cancel()
        if feeding is not None:
            feeding.cancel()
        systemd.tell(STOPPING="1", STATUS="stopping")
        await daemon.stop()
        systemd.close()


def _look_at_deck(folder: Path, code: CardCode) -> None:
    sight = look(folder, code=described(code.name, code.like, code.holes))
    if sight is not None and sight.state == "check":
        raise ConsoleError(f"{sight.words}\nMend the deck in {folder}, or take it out.")


async def _signal() -> None:
    """Return at SIGINT, SIGTERM or SIGHUP: a lost terminal is the usual end on a bench, and no reason to stay lit."""
    came = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, came.set)
    await came.wait()


class _Voice:
    """Says each device's state when it, or what is to be done about it, becomes another; and the sum to the system."""

    def __init__(self, console: str, systemd: Systemd) -> None:
        self._console = console
        self._systemd = systemd
        self._said: dict[str, tuple[str, str]] = {}
        self._hanging: list[str] = []
        self._status = ""

    def __call__(self, state: DeviceState) -> None:
        news = (state.state, "" if state.state == "ready" else state.words)
        if state.state not in AT_WORK and self._said.get(state.device) != news:
            self._said[state.device] = news
            _print(f"{state.device}: {state.state}" + (f" - {state.words}" if state.words else ""))
            self._sum()

    def hanging(self, what: list[str]) -> None:
        """Feed the system's watchdog if nothing hangs; else say what does, once, and let it bite."""
        if not what:
            self._systemd.tell(WATCHDOG="1")
        elif what != self._hanging:
            _print(f"hanging: {', '.join(what)}")
        self._hanging = what

    def _sum(self) -> None:
        """Tell the system in one sentence which devices are not well."""
        unwell = [f"{device} {state}" for device, (state, _) in self._said.items() if state not in WELL]
        status = f"{self._console}: {', '.join(unwell) or 'all is well'}"
        if status != self._status:
            self._status = status
            self._systemd.tell(STATUS=status)


def _print(line: str) -> None:
    # Whoever read this may be gone, or the disk full: the console goes on.
    with contextlib.suppress(OSError):
        print(line, flush=True)
