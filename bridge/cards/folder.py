"""Every file-system call of the card machines: on folders that stand for sticks, which lie, fill up and vanish.

Nothing here follows a link. A call on a dying stick can hang where nothing can end it, so the machines never make one
in the event loop: they hand it to an `Elsewhere`, which is the one thing to change to move the calls to a process.
"""

import contextlib
import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, Protocol, TypeVar, TypeVarTuple, Unpack

from bridge.cards.faults import shown

T = TypeVar("T")
A = TypeVarTuple("A")

MAX_ENTRIES = 10_000
"""How many entries a folder may have: one with more is refused, since what matters might be beyond."""

_ANOTHER = "take it out and try another"
_NO_FILE = "what is named like a deck is a link, a folder or a pipe: put the deck itself on the stick"
_WORDS = {
    errno.EACCES: f"the stick does not allow it: {_ANOTHER}",
    errno.EPERM: f"the stick does not allow it: {_ANOTHER}",
    errno.EROFS: "the stick is write-protected: free it, or put another in",
    errno.E2BIG: f"more than {MAX_ENTRIES:,} files and folders lie side by side on the stick: {_ANOTHER}",
    errno.ENOSPC: "the stick is full: put another in",
    errno.EDQUOT: "the stick is full: put another in",
    errno.ETIMEDOUT: f"the stick does not answer: {_ANOTHER}",
    errno.ELOOP: _NO_FILE,
    errno.ENOTSUP: _NO_FILE,
    errno.EISDIR: _NO_FILE,
}


class Elsewhere(Protocol):
    """Runs a call away from the event loop; returns or raises what it does.

    The call may cross into another process: give a function of a module, not a method, closure or partial; arguments
    and what is returned or raised are pickled. Keep them small: what is large must be a NumPy array, whose content
    crosses without being copied or read.

    Raises TimeoutError (an OSError) when the call has made no progress for a second. It may still be running then, and
    may still succeed; until it returns or the stick is pulled, every other call raises the same at once.
    """

    async def __call__(self, call: Callable[[Unpack[A]], T], /, *arguments: *A) -> T: ...  # noqa: D102


async def in_thread(call: Callable[[Unpack[A]], T], /, *arguments: *A) -> T:
    """Run the call in a thread: it may hang, the loop goes on."""
    import asyncio  # noqa: PLC0415 -- six megabytes that a process which only does the calls does without

    return await asyncio.to_thread(call, *arguments)


async def at_once(call: Callable[[Unpack[A]], T], /, *arguments: *A) -> T:
    """Run the call in the loop: for loops with virtual time, which cannot wait for a thread."""
    return call(*arguments)


class Identity(NamedTuple):
    """What tells one state of a file from another without reading it."""

    name: str
    size: int
    mtime_ns: int
    inode: int


class ChangedError(OSError):
    """A file is not as it was left."""


def entries(folder: Path, suffix: str = "") -> list[Identity]:
    """Return what in the folder has a name that ends with `suffix`, in any case, by name; hidden entries are left out.

    Raises OSError, E2BIG for a folder of more than MAX_ENTRIES entries.
    """
    found = []
    with os.scandir(folder) as listing:
        for count, entry in enumerate(listing):
            if count >= MAX_ENTRIES:
                raise OSError(errno.E2BIG, "too many entries", str(folder))
            if entry.name.startswith(".") or not entry.name.lower().endswith(suffix):
                continue
            with contextlib.suppress(FileNotFoundError):  # gone since it was listed
                info = entry.stat(follow_symlinks=False)
                found.append(Identity(entry.name, info.st_size, info.st_mtime_ns, info.st_ino))
    return sorted(found)


def read(folder: Path, name: str, limit: int) -> bytes:
    """Return the first `limit` bytes of a file; raises OSError, also for anything that is not an ordinary file."""
    with os.fdopen(_open(folder / name, os.O_RDONLY), "rb") as file:
        return file.read(limit)


class Room(NamedTuple):
    """Which folder this is, as far as the system tells, and how many bytes are free in it."""

    device: int
    inode: int
    free: int


def look(folder: Path) -> Room:
    """Return the room for files; raises OSError unless some can be made, as far as that shows without making one."""
    info = os.stat(folder)
    if not stat.S_ISDIR(info.st_mode):
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    system = os.statvfs(folder)
    if system.f_flag & os.ST_RDONLY:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    return Room(info.st_dev, info.st_ino, system.f_bavail * system.f_frsize)


def names(folder: Path) -> list[str]:
    """Return the names in the folder, at most MAX_ENTRIES of them. Raises OSError."""
    with os.scandir(folder) as listing:
        return [entry.name for entry, _ in zip(listing, range(MAX_ENTRIES), strict=False)]


def make(folder: Path, name: str, data: bytes) -> int:
    """Make a file that was not there, for good: on return it has been synced. Return how many syncs that took.

    Raises OSError, and then has left nothing if that was possible.
    """
    path = folder / name
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        _write(descriptor, 0, data)
        os.fsync(descriptor)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(path)
        raise
    finally:
        os.close(descriptor)
    return 1 + _sync_folder(folder)


def extend(folder: Path, name: str, at: int, data: bytes, found: int | None) -> int:
    """Write `data` at byte `at` of a file and let it end there, for good; return how many syncs that took.

    The file must be of `found` bytes, or of at least `at` if that is None; what lies beyond `at` is written over, for
    after a sync that failed the next one may succeed without having written anything. Raises OSError, and then has cut
    the file off at `at` if that was possible; ChangedError, and has done nothing, if it is of another size.
    """
    descriptor = _open(folder / name, os.O_RDWR)
    try:
        size = os.fstat(descriptor).st_size
        if size < at or size != (size if found is None else found):
            raise ChangedError(errno.ESTALE, "the file was changed", str(folder / name))
        try:
            _write(descriptor, at, data)
            if size > at + len(data):
                os.ftruncate(descriptor, at + len(data))
            os.fsync(descriptor)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, at)
                os.fsync(descriptor)
            raise
    finally:
        os.close(descriptor)
    return 1


def sync(folder: Path, name: str) -> None:
    """Have the disk keep what a file reads as now. Raises OSError."""
    descriptor = _open(folder / name, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def rename(folder: Path, name: str, other: str) -> None:
    """Give a file a name that is not taken, for good. Raises OSError.

    On FAT only a sync of the file itself, after the renaming, saves both its name and its content.
    """
    descriptor = _open(folder / name, os.O_RDWR)
    try:
        os.rename(folder / name, folder / other)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    _sync_folder(folder)


def remove(folder: Path, name: str) -> None:
    """Remove a file, for good. Raises OSError."""
    os.unlink(folder / name)
    _sync_folder(folder)


def trouble(error: OSError, folder: Path) -> str:
    """Return what an error on a stick's folder means to the people in front of it, and what they can do."""
    if error.errno in {errno.ENOENT, errno.ENOTDIR}:
        return f"no stick is in: there is no folder {folder}"
    denied = Path(error.filename or folder) if error.errno in {errno.EACCES, errno.EPERM} else folder
    if denied != folder:
        return f"{shown(denied.name)} may not be opened: let everybody read and write the file, or try another stick"
    words = _WORDS.get(error.errno or 0)
    return words or f"the stick does not work ({error.strerror or error}): take it out and try another"


def _open(path: Path, flags: int) -> int:
    # Without O_NONBLOCK, opening a FIFO that someone named like a deck would wait for ever.
    descriptor = os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.ENOTSUP, "not an ordinary file", str(path))
    return descriptor


def _write(descriptor: int, at: int, data: bytes) -> None:
    os.lseek(descriptor, at, os.SEEK_SET)
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def _sync_folder(folder: Path) -> int:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    return 1
