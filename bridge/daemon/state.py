"""Where a daemon keeps its state: one folder with a version in it, used by one daemon at a time."""

import fcntl
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


class StateFolder:
    """The state folder at `state`, made if it is not there, and this daemon's alone until `close`.

    Raises ConsoleError when it cannot be used, is another version's, or another daemon has it.
    """

    def __init__(self, state: Path) -> None:
        file = state / _FILE
        try:
            state.mkdir(parents=True, exist_ok=True)
            self._file = file.open("a+", encoding="utf-8")
        except OSError as error:
            raise _unusable(error, state) from None
        try:
            self._claim(file)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Leave the folder to others."""
        self._file.close()

    def _claim(self, file: Path) -> None:
        try:
            # The lock goes with the process, however that ends.
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if self._file.tell() == 0:
                self._file.write(FORMAT + "\n")
                self._file.flush()
            self._file.seek(0)
            found = self._file.read(100).strip()
        except BlockingIOError:
            raise ConsoleError(
                f"{file.parent}: another consolewright is running in this state folder. "
                "Stop it first, or give this one another --state."
            ) from None
        except OSError as error:
            raise _unusable(error, file) from None
        if found != FORMAT:
            raise ConsoleError(
                f"{file}: this folder was written in format {found[:20]!r}, this version knows format {FORMAT}. "
                "Install the newer version again, or give another folder with --state."
            )


def _unusable(error: OSError, state: Path) -> ConsoleError:
    return ConsoleError(
        f"{error.filename or state}: cannot keep state here ({error.strerror}). Give another folder with --state."
    )
