"""The counters of a console: asked of the running one, else as it last wrote them."""

import asyncio
from pathlib import Path
from typing import Any

from bridge.daemon.counters import FILE, lines, unpack
from bridge.daemon.state import socket_folder, state_folder
from bridge.errors import ConsoleError
from bridge.links.observer import observe

ANSWER = 5
"""Seconds a running console has to tell."""


def counted(state: Path | None) -> list[str]:
    """Return what the console of a state folder has done, in lines; raises ConsoleError if nobody knows."""
    folder = state_folder(state)
    told = asyncio.run(_asked(socket_folder(folder) / "observer.sock"))
    if told is not None:
        return lines(told)
    path = folder / FILE
    try:
        return [
            "(not running: as of its last stop, or of the ten minutes before)",
            *lines(unpack(path.read_bytes()).plain()),
        ]
    except OSError as error:
        raise ConsoleError(
            f"{path}: no counters can be read here ({error.strerror}). Give the console's state folder with --state."
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise ConsoleError(f"{path}: these counters are damaged. The console begins anew at its next start.") from None


async def _asked(path: Path) -> dict[str, Any] | None:
    """Return what a running console tells at its observer socket, None if there is none."""
    try:
        async with asyncio.timeout(ANSWER):
            async for line in observe(str(path)):
                if line["topic"] == "counters":
                    return line
                if line["topic"] == "refused":
                    break
    except OSError:  # a timeout is one
        pass
    return None
