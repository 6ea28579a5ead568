"""`consolewright rehearse`: a whole simulated console at the author's desk, worked with words."""

import asyncio
import contextlib
import signal
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path

from bridge.console import load
from bridge.daemon.daemon import Daemon, Seams
from bridge.daemon.state import socket_folder, state_folder
from bridge.errors import ConsoleError
from bridge.kit.hands import Hands, NotDoneError
from bridge.links.corecommand import with_socket
from bridge.links.observer import observe
from bridge.report import DeviceState

AT_WORK = ("feeding", "punching")
"""States that come and go with each card: "devices" tells them."""
PROMPT = "> "
Say = Callable[[str], None]
Lines = AsyncIterator[str]


async def rehearse(
    file: Path,
    *,
    state: Path | None,
    pace: float | None,
    core: Sequence[str],
    lines: Lines | None = None,
    say: Say = lambda line: print(line, flush=True),
    seams: Seams | None = None,
) -> int:
    """Rehearse the console described in `file` until the lines end, one says "quit", or a signal comes.

    `core` is a command that is started beside it, if any. Returns 1 if some line could not be done, else 0; raises
    ConsoleError when the console can't start, or something in it dies.
    """
    console = load(file)
    kept = state_folder(state)
    daemon = Daemon(
        console,
        state=kept,
        sockets=socket_folder(kept),
        rehearse=True,
        pace=console.pace.factor if pace is None else pace,
        say=_Voice(say),
        seams=seams,
    )
    try:
        sockets = await daemon.start()
        say(f"core socket: {sockets.core}")
        say(f"observer socket: {sockets.observer}")
        hands = Hands(console, daemon, kept)
        with _beside(with_socket(core, sockets.core) if core else ()):
            watched = asyncio.ensure_future(_watch(str(sockets.observer), hands))
            if core and not await hands.linked():
                say("the core has not linked yet; going on without it")
            worked = asyncio.ensure_future(_work(hands, lines or typed(), say))
            failed = asyncio.ensure_future(daemon.wait())
            tasks = (worked, watched, failed)
            try:
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in tasks:
                    if task.done():
                        task.result()
                return int(not worked.done() or not worked.result())
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                await daemon.farewell()
    finally:
        await daemon.stop()


async def _work(hands: Hands, lines: Lines, say: Say) -> bool:
    """Do one line after another; return whether all of them could be done."""
    well = True
    async for line in lines:
        if line.strip() in {"quit", "exit"}:
            break
        try:
            for told in await hands.do(line):
                say(told)
        except NotDoneError as error:
            well = False
            say(f"not done: {error}")
    return well


async def _watch(path: str, hands: Hands) -> None:
    async for line in observe(path):
        hands.told(line)


@contextlib.contextmanager
def _beside(command: Sequence[str]) -> Iterator[None]:
    """Run a command, if there is one, as long as this lasts."""
    import subprocess  # noqa: PLC0415

    if not command:
        yield
        return
    try:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    except OSError as error:
        raise ConsoleError(f"{command[0]}: cannot be started ({error.strerror}).") from None
    try:
        yield
    finally:
        process.terminate()
        try:
            process.wait(2)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


async def typed() -> Lines:
    """Yield what is typed at the terminal, or comes from a pipe or file, line by line.

    A signal that asks to end is an end of the lines. A thread reads: neither a terminal nor a file can be waited for
    in the same way as a pipe, and a terminal's own line editing wants a call that blocks.
    """
    loop = asyncio.get_running_loop()
    queue: asyncio.Queue[str | None] = asyncio.Queue()
    at_terminal = sys.stdin.isatty()
    if at_terminal:
        with contextlib.suppress(ImportError):
            import readline  # noqa: F401, PLC0415 -- gives input() its editing

    def read() -> None:
        with contextlib.suppress(EOFError, RuntimeError):
            while True:
                line = input(PROMPT if at_terminal else "")
                loop.call_soon_threadsafe(queue.put_nowait, line)
        with contextlib.suppress(RuntimeError):
            loop.call_soon_threadsafe(queue.put_nowait, None)

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, queue.put_nowait, None)
    threading.Thread(target=read, name="what is typed", daemon=True).start()
    if at_terminal:
        print('"help" lists what hands and eyes can do.')
    while (line := await queue.get()) is not None:
        yield line


class _Voice:
    """Tells of devices as they change, but not card by card."""

    def __init__(self, say: Say) -> None:
        self._say = say
        self._said: dict[str, str] = {}

    def __call__(self, state: DeviceState) -> None:
        if state.state not in AT_WORK and self._said.get(state.device) != state.state:
            self._said[state.device] = state.state
            with contextlib.suppress(OSError):
                self._say(f"{state.device}: {state.state}" + (f" - {state.words}" if state.words else ""))
