"""Starting and ending the processes that do what this one must not wait for."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Mapping

GRACE = 0.7
"""Seconds a process is given to end by itself, and as many again once it was killed."""

MESSAGE = 150_000
"""The most bytes one message may have: sockets take some 200,000 at once by default."""


def spawn(module: str, environment: Mapping[str, str] | None = None) -> tuple[subprocess.Popen[bytes], socket.socket]:
    """Start `module` as a process; return it and our end of the socket whose other end `channel()` gives it.

    Messages keep their bounds (SOCK_SEQPACKET). The process is to end when its end tells that ours is closed: it
    outlives no daemon that way, however that died. Raises OSError.
    """
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    try:
        with theirs:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", module, str(theirs.fileno())],
                env={
                    **os.environ,
                    "PYTHONPATH": os.pathsep.join(sys.path),
                    "OPENBLAS_NUM_THREADS": "1",  # nothing there is computed at length
                    **(environment or {}),
                },
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                # One that cannot be killed would keep whoever reads our output waiting for its end.
                stdout=subprocess.DEVNULL,
                start_new_session=True,  # a terminal's Ctrl-C is for the daemon
            )
    except OSError:
        ours.close()
        raise
    ours.setblocking(False)
    return process, ours


def channel() -> socket.socket:
    """Return this process's end of the socket to the one that started it, and leave ending to that."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    return socket.socket(fileno=int(sys.argv[1]))


def progress(process: subprocess.Popen[bytes]) -> int:
    """Return how long the process has run on a processor, in nanoseconds: it stands still while the process hangs."""
    try:
        with open(f"/proc/{process.pid}/schedstat", "rb") as file:  # noqa: PTH123 -- in the event loop, so plainly
            return int(file.read().split()[0])
    except (OSError, ValueError, IndexError):
        return 0


async def end(process: subprocess.Popen[bytes]) -> None:
    """Wait for a process whose socket was closed, kill it if that takes long, and let it be if it cannot be killed."""
    if not await _ended(process):
        with contextlib.suppress(OSError):
            process.kill()
        await _ended(process)


async def _ended(process: subprocess.Popen[bytes]) -> bool:
    import asyncio  # noqa: PLC0415 -- six megabytes that the processes themselves do without

    deadline = asyncio.get_running_loop().time() + GRACE
    pause = 0.001
    while process.poll() is None:
        if asyncio.get_running_loop().time() > deadline:
            return False
        await asyncio.sleep(pause)
        pause = min(2 * pause, 0.05)
    return True
