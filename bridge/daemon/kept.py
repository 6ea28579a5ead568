"""The console as it was last read, kept in the state folder: reading a description anew takes as long as all the rest.

A description that is what it was, read by a program that is what it was, says what it said.
"""

import contextlib
import hashlib
import os
import sys
from importlib.util import find_spec
from pathlib import Path

import bridge

NAME = "console.read"
_PROGRAM = Path(bridge.__file__).parent
_DIGEST = hashlib.sha256().digest_size


class Kept:
    """What was read from the description `file`, in the folder `state`."""

    def __init__(self, state: Path, file: Path) -> None:
        self._path = state / NAME
        self._file = file

    def load(self) -> bytes | None:
        """Return what was kept, None unless it is whole, ours, and still true."""
        try:
            with self._path.open("rb") as kept:
                about = os.fstat(kept.fileno())
                # It is believed as the program is: nobody else may have written it.
                if about.st_uid != os.geteuid() or about.st_mode & 0o022:
                    return None
                data = kept.read()
            packed = data[_DIGEST:]
            return packed if data[:_DIGEST] == self._seal(packed) else None
        except OSError:
            return None

    def save(self, packed: bytes) -> None:
        """Keep what was just read, where there is a folder for it; what cannot be kept is read again next time."""
        beside = self._path.with_suffix(".new")
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
            with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as kept:  # noqa: PTH123
                kept.write(self._seal(packed) + packed)
            beside.replace(self._path)

    def _seal(self, packed: bytes) -> bytes:
        """Return a digest of what was read, from what, by what. Raises OSError."""
        seal = hashlib.sha256(repr((sys.version, str(self._file.absolute()), *_program())).encode())
        for data in (self._file.read_bytes(), packed):
            seal.update(len(data).to_bytes(8, "big") + data)
        return seal.digest()


def _program() -> list[tuple[str, int, int]]:
    """Return the files of the program and of the library that reads descriptions, as they differ after an update."""
    library = find_spec("pydantic")
    places = [_PROGRAM] if library is None or library.origin is None else [_PROGRAM, Path(library.origin).parent]
    found = []
    for place in places:
        for folder, _, names in os.walk(place):
            for name in names:
                if name.endswith(".py"):
                    about = os.stat(f"{folder}/{name}")  # noqa: PTH116 -- some hundreds of them
                    found.append((f"{folder}/{name}", about.st_size, about.st_mtime_ns))
    return sorted(found)
