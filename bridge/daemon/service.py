"""`consolewright run`: a daemon from its description to SIGTERM, saying in plain lines what happens."""

import asyncio
import contextlib
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from bridge.cards.code import described
from bridge.cards.hopper import look
from bridge.clock import LoopClock
from bridge.console.facts import CardCode
from bridge.daemon.daemon import Daemon
from bridge.daemon.description import Description
from bridge.daemon.ending import Ending
from bridge.daemon.journal import FAULT, WARNING, leveled
from bridge.daemon.state import socket_folder
from bridge.daemon.systemd import Systemd
from bridge.daemon.watchdog import feed
from bridge.errors import ConsoleError
from bridge.report import DeviceState

AT_WORK = ("feeding", "punching")
"""States a machine passes through card by card: not worth a line a card, and neither are the words of "ready"."""

WELL = ("ready", *AT_WORK, "empty", "choice", "stacker-full", "linked", "absent", "done")
"""States in which nothing is wrong with a device, though it may wait for somebody."""


def run(
    description: Description,
    *,
    rehearse: bool,
    state: Path,
    pace: float | None,
    unattended: bool,
    calm: bool,
) -> None:
    """Run the console that is described until SIGINT or SIGTERM; `pace` None is the description's, `calm` adds to it.

    Raises ConsoleError when it can't start, or when something in it dies. A bad deck in the reader is in the way of a
    start, as a part is that cannot be opened, unless it is `unattended`: then it is the reader's state, as it is for a
    deck that comes later, or the part's, which is tried again. Exits with status 1 if something could not be ended.
    """
    with Ending() as ending:
        console = description.console()
        if calm:
            console = replace(console, calm=replace(console.calm, on=True))
        if console.reader is not None and console.reader.folder is not None and not unattended:
            _look_at_deck(state / console.reader.folder, console.reader.code)
        make = partial(
            Daemon,
            console,
            state=state,
            sockets=socket_folder(state),
            rehearse=rehearse,
            pace=console.pace.factor if pace is None else pace,
            unattended=unattended,
        )
        left = asyncio.run(_run(console.name, make, ending))
    if left:
        # Its lamps may be lit: whoever started this has to see to them.
        sys.exit(1)


async def _run(name: str, make: Callable[..., Daemon], ending: Ending) -> list[str]:
    """Run until the end has begun, and return what was left hanging."""
    systemd = Systemd()
    voice = _Voice(name, systemd)
    daemon = make(say=voice)
    ending.darken = daemon.darken
    ending.hanging = lambda: ", ".join(daemon.left) or daemon.ending or "the event loop"
    loop = asyncio.get_running_loop()
    working = loop.create_task(_work(name, daemon, voice, systemd))
    begun = loop.create_task(ending.begun())
    try:
        await asyncio.wait([working, begun], return_when=asyncio.FIRST_COMPLETED)
        if working.done():
            await working
        _print("stopping: the lamps go dark")
    finally:
        # Whatever was the reason, from here on it must not take long.
        ending.begin()
        systemd.tell(STOPPING="1", STATUS="stopping")
        working.cancel()
        begun.cancel()
        await asyncio.gather(working, begun, return_exceptions=True)
        await daemon.stop()
        if daemon.left:
            _print(f"stopping: left hanging: {', '.join(daemon.left)}", FAULT)
        systemd.close()
    return daemon.left


async def _work(name: str, daemon: Daemon, voice: "_Voice", systemd: Systemd) -> None:
    """Start the daemon and return only if something in it dies."""
    sockets = await daemon.start()
    _print(f"core socket: {sockets.core}")
    _print(f"observer socket: {sockets.observer}")
    if sockets.rehearsal is not None:
        _print(f"rehearsal socket: {sockets.rehearsal}")
    _print(f"ready: {name}")
    systemd.tell(READY="1")
    feeding = []
    if systemd.feed_every:
        watch = feed(LoopClock(), systemd.feed_every, daemon.hanging, voice.hanging)
        feeding = [asyncio.get_running_loop().create_task(watch)]
    try:
        await daemon.wait()
    finally:
        for task in feeding:
            task.cancel()


def _look_at_deck(folder: Path, code: CardCode) -> None:
    sight = look(folder, code=described(code.name, code.like, code.holes))
    if sight is not None and sight.state == "check":
        raise ConsoleError(f"{sight.words}\nMend the deck in {folder}, or take it out.")


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
            line = f"{state.device}: {state.state}" + (f" - {state.words}" if state.words else "")
            _print(line, None if state.state in WELL else WARNING)
            self._sum()

    def hanging(self, what: list[str]) -> None:
        """Feed the system's watchdog if nothing hangs; else say what does, once, and let it bite."""
        if not what:
            self._systemd.tell(WATCHDOG="1")
        elif what != self._hanging:
            _print(f"hanging: {', '.join(what)}", FAULT)
        self._hanging = what

    def _sum(self) -> None:
        """Tell the system in one sentence which devices are not well."""
        # A refusal is over as soon as it is said.
        unwell = [f"{device} {state}" for device, (state, _) in self._said.items() if state not in (*WELL, "refused")]
        status = f"{self._console}: {', '.join(unwell) or 'all is well'}"
        if status != self._status:
            self._status = status
            self._systemd.tell(STATUS=status)


def _print(line: str, level: int | None = None) -> None:
    # Whoever read this may be gone, or the disk full: the console goes on.
    with contextlib.suppress(OSError):
        print(line if level is None else leveled(line, level, sys.stdout), flush=True)
