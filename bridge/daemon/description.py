"""The description as a daemon reads it: as it was read last, or else in another process, while it imports the rest.

What reads descriptions takes 16 MB and as long to import as all the rest; a running console has no use for it. This
module imports nothing large, so that the other process can be started first.
"""

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Self

from bridge.daemon.kept import Kept
from bridge.errors import ConsoleError

if TYPE_CHECKING:
    from bridge.console import Console


class Description:
    """A description that is being read, from entering to leaving; what was read is kept in the folder `state`."""

    def __init__(self, file: Path, state: Path) -> None:
        self._file = file
        self._kept = Kept(state, file)
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self._packed = self._kept.load()
        if self._packed is None:
            self._process = self._reading()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            with self._process:
                self._process.kill()

    def console(self) -> "Console":
        """Return the console once it is read. Raises ConsoleError with everything that is wrong with it."""
        from bridge.console.apart import unpack  # noqa: PLC0415 -- only now: see above

        if self._process is None:
            assert self._packed is not None  # noqa: S101 -- else there is a process
            return unpack(self._packed)
        packed, _ = self._process.communicate()
        if self._process.returncode:
            raise ConsoleError(
                f"{self._file}: what reads the description has ended with status {self._process.returncode}. Try "
                "'consolewright check' on it."
            )
        console = unpack(packed)
        self._kept.save(packed)
        return console

    def _reading(self) -> "subprocess.Popen[bytes]":
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "bridge.console.apart", str(self._file)],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            start_new_session=True,  # a terminal's Ctrl-C is for the daemon
        )
