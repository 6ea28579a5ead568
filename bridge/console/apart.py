"""Reads a description in a process of its own, for a daemon that is to stay small: what reads it is large.

`python -m bridge.console.apart FILE` writes the console, or what is wrong with its description, to its output.
"""

import io
import pickle
import sys
from pathlib import Path
from typing import Any

from bridge.console import Console, load
from bridge.errors import ConsoleError
from bridge.parts.catalogue import CATALOGUE
from bridge.parts.facts import Facts


class _Pickler(pickle.Pickler):
    """The facts of a part go by its name: some are functions, and whoever reads has the same catalogue."""

    def persistent_id(self, obj: object) -> str | None:
        return obj.name if isinstance(obj, Facts) else None


class _Unpickler(pickle.Unpickler):
    def persistent_load(self, pid: Any) -> Facts:
        return CATALOGUE[pid]


def pack(found: Console | str) -> bytes:
    """Return a console, or what is wrong, as bytes that `unpack` takes; only for another process of ours."""
    packed = io.BytesIO()
    _Pickler(packed).dump(found)
    return packed.getvalue()


def unpack(packed: bytes) -> Console:
    """Return the console that was packed. Raises ConsoleError with what is wrong if that was."""
    found = _Unpickler(io.BytesIO(packed)).load()
    if isinstance(found, str):
        raise ConsoleError(found)
    assert isinstance(found, Console)  # noqa: S101 -- nothing else is packed
    return found


def main() -> None:
    """Read and pack the description named by the only argument."""
    found: Console | str
    try:
        found = load(Path(sys.argv[1]))
    except ConsoleError as error:
        found = str(error)
    sys.stdout.buffer.write(pack(found))


if __name__ == "__main__":
    main()
