"""Where a daemon keeps its state: one folder with a version in it."""

import os
from collections.abc import Mapping
from pathlib import Path

from bridge.errors import ConsoleError

FORMAT = "1"
_FILE = "format"


def state_folder(given: Path | None, environment: Mapping[str, str] = os.environ) -> Path:
    """Return the state folder: the one given, else $STATE_DIRECTORY, else the XDG state folder's consolewright."""
    if given is not None:
        return given.absolute()
    # systemd separates several by colons; ours is the first.
    service = environment.get("STATE_DIRECTORY", "").partition(":")[0]
    if service:
        return Path(service)
    return Path(environment.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "consolewright"


def socket_folder(state: Path, environment: Mapping[str, str] = os.environ) -> Path:
    """Return where the sockets go: $RUNTIME_DIRECTORY, which a service has, else the state folder."""
    runtime = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    return Path(runtime) if runtime else state


def prepare(state: Path) -> None:
    """Make the state folder if it is not there; raises ConsoleError when it can't be used or is another version's."""
    file = state / _FILE
    try:
        state.mkdir(parents=True, exist_ok=True)
        if not file.exists():
            file.write_text(FORMAT + "\n")
        found = file.read_text().strip()
    except OSError as error:
        raise ConsoleError(
            f"{error.filename or state}: cannot keep state here ({error.strerror}). Give another folder with --state."
        ) from None
    if found != FORMAT:
        raise ConsoleError(
            f"{file}: this folder was written in format {found[:20]!r}, this version knows format {FORMAT}. "
            "Install the newer version again, or give another folder with --state."
        )
