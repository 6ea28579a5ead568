"""Listening on a Unix socket: a path that another daemon uses is an error with words, a dead one is cleared away."""

import asyncio
import contextlib
import socket
import stat
from collections.abc import Callable
from pathlib import Path

from bridge.errors import ConsoleError

LONGEST_PATH = 107
"""Linux keeps 108 bytes for a Unix socket's path, the last one zero (unix(7))."""


async def listen(path: Path, protocol: Callable[[], asyncio.Protocol]) -> asyncio.Server:
    """Serve `protocol` on a Unix socket at `path`, mode 0660.

    Raises ConsoleError when the path is too long, cannot be made, is something else, or is in use.
    """
    if len(bytes(path)) > LONGEST_PATH:
        raise ConsoleError(
            f"{path}: too long for a socket ({len(bytes(path))} bytes, {LONGEST_PATH} at most). "
            "Give a shorter state folder with --state."
        )
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        pass
    except OSError as error:
        raise ConsoleError(f"{path}: cannot be used as a socket ({error.strerror}). Choose another --state.") from None
    else:
        if not stat.S_ISSOCK(mode):
            raise ConsoleError(f"{path}: is in the way and is no socket. Move it, or choose another --state.")
        if _answers(path):
            raise ConsoleError(
                f"{path}: another consolewright is running on this socket. "
                "Stop it first, or give this one another --state."
            )
        path.unlink(missing_ok=True)
    try:
        server = await asyncio.get_running_loop().create_unix_server(protocol, path)
        path.chmod(0o660)
    except OSError as error:
        raise ConsoleError(f"{path}: cannot listen here ({error.strerror}). Choose another --state.") from None
    return server


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as trial, contextlib.suppress(OSError):
        trial.settimeout(1.0)
        trial.connect(str(path))
        return True
    return False
