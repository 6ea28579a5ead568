"""`consolewright run`: a daemon from its description to SIGTERM, saying in plain lines what happens."""

import asyncio
import signal
from pathlib import Path

from bridge.console import load
from bridge.daemon.daemon import Daemon
from bridge.daemon.state import socket_folder, state_folder
from bridge.report import DeviceState


async def run(file: Path, *, rehearse: bool, state: Path | None, pace: float | None) -> None:
    """Run the console described in `file` until SIGINT or SIGTERM; `pace` None is the description's.

    Raises ConsoleError when it can't start, or when something in it dies.
    """
    console = load(file)
    kept = state_folder(state)
    daemon = Daemon(
        console,
        state=kept,
        sockets=socket_folder(kept),
        rehearse=rehearse,
        pace=console.pace.factor if pace is None else pace,
        say=_say,
    )
    stopped = asyncio.get_running_loop().create_task(_signal())
    try:
        sockets = await daemon.start()
        _print(f"core socket: {sockets.core}")
        _print(f"observer socket: {sockets.observer}")
        if sockets.rehearsal is not None:
            _print(f"rehearsal socket: {sockets.rehearsal}")
        _print(f"ready: {console.name}")
        failed = asyncio.ensure_future(daemon.wait())
        await asyncio.wait([failed, stopped], return_when=asyncio.FIRST_COMPLETED)
        if failed.done():
            await failed
        failed.cancel()
        _print("stopping: the lamps go dark")
    finally:
        stopped.cancel()
        await daemon.stop()


async def _signal() -> None:
    """Return at SIGINT or SIGTERM."""
    came = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, came.set)
    await came.wait()


def _say(state: DeviceState) -> None:
    _print(f"{state.device}: {state.state}" + (f" - {state.words}" if state.words else ""))


def _print(line: str) -> None:
    print(line, flush=True)
