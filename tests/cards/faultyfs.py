"""An in-memory file system that behaves as FAT does through the kernel, and stands in for `os` in bridge.cards.folder.

What programs see is the cache; the medium has only what was synced, and at a power cut or a yank any part of the rest:
blocks of data, sizes and names reach it one by one, in any order, torn or not at all. See tests/references/fat-yank.tsv
for what that is measured against. Not modelled: a sector that is torn where nothing in it changed, a medium that lies
about what it has, two folders.
"""

import errno
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace, TracebackType
from typing import Any, NamedTuple, Self

BLOCK = 64
"""Bytes that reach the medium together. Smaller than real ones, so that more is torn."""


class PowerCut(BaseException):
    """The power is gone: nothing after this call happens."""


class Entry(NamedTuple):
    """A directory entry on the medium; the file's number is 0 where the entry has no clusters yet."""

    file: int
    size: int


class Change(NamedTuple):
    """What is to be done to the folder: `entry` put under `name`, or removed if None; or clusters `freed`."""

    name: str
    entry: Entry | None = None
    freed: int = 0


class File:
    """A file in the cache: its content, and which blocks of it the medium lacks."""

    def __init__(self, number: int, content: bytes = b"", *, readable: bool = True) -> None:
        self.number = number
        self.content = bytearray(content)
        self.readable = readable
        self.dirty: set[int] = set()
        self.entry_dirty = False
        self.name: str | None = None


class Volume:
    """One file system, a stick or the disk of the state folder; `capacity` in bytes."""

    def __init__(self, rng: random.Random, capacity: int = 1 << 20) -> None:
        self.rng = rng
        self.capacity = capacity
        self.files: dict[str, File] = {}
        self.entries: dict[str, Entry] = {}
        self.blocks: dict[tuple[int, int], bytes] = {}
        self.freed: set[int] = set()
        self.pending: list[Change] = []
        self.inode = 1
        self.read_only = False
        self.gone = False
        self.failing = 0
        self._next = 1

    def free(self) -> int:
        return self.capacity - sum(-(-len(file.content) // BLOCK) * BLOCK for file in self.files.values())

    def check(self) -> None:
        if self.gone:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        if self.read_only:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    def create(self, name: str) -> File:
        self.check()
        if self.free() < BLOCK:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        file = File(self._next)
        self._next += 1
        file.name = name
        file.entry_dirty = True
        self.files[name] = file
        self.pending.append(Change(name, Entry(file.number, 0)))
        return file

    def write(self, file: File, at: int, data: bytes) -> int:
        self.check()
        data = data[: self.rng.randint(1, len(data))] if self.rng.random() < 0.1 else data
        within = -(-len(file.content) // BLOCK) * BLOCK - at
        data = data[: max(within + self.free() // BLOCK * BLOCK, 0)]
        if not data:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        file.content[at : at + len(data)] = data
        file.dirty.update(range(at // BLOCK, -(-(at + len(data)) // BLOCK)))
        file.entry_dirty = True
        return len(data)

    def truncate(self, file: File, size: int) -> None:
        self.check()
        del file.content[size:]
        file.entry_dirty = True
        if size % BLOCK:
            file.dirty.add(size // BLOCK)

    def rename(self, old: str, new: str) -> None:
        self.check()
        file = self.files.pop(old)
        over = self.files.pop(new, None)
        self.pending.append(Change(old))
        if over is None:
            # The new name's entry is made empty; the file's own sync fills it.
            self.pending.append(Change(new, Entry(0, 0)))
        else:
            # The old file's entry is taken over by the file's own sync; its clusters are free before that.
            over.name = None
            self.pending.append(Change(new, freed=over.number))
        file.name, file.entry_dirty = new, True
        self.files[new] = file

    def unlink(self, name: str) -> None:
        self.check()
        file = self.files.pop(name)
        file.name = None
        self.pending += [Change(name), Change(name, freed=file.number)]

    def sync(self, file: File) -> None:
        self.check()
        if self.failing:
            # The error is told once, and what was to be written is forgotten: the next sync finds nothing to do.
            self.failing -= 1
            file.dirty.clear()
            file.entry_dirty = False
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        for block in sorted(file.dirty):
            self._put_block(file, block, None)
        file.dirty.clear()
        if file.entry_dirty:
            self._put_entry(file)

    def sync_folder(self) -> None:
        self.check()
        for change in self.pending:
            self._put_change(change)
        self.pending.clear()

    def lose(self, keep: float) -> None:
        """Let each thing that was not synced reach the medium with probability `keep`; the cache is gone."""
        rng = self.rng
        things: list[Callable[[], None]] = []
        pending, self.pending = self.pending, []
        # Changes of one name reach the medium in their order or not at all, as they are in one sector.
        for name in dict.fromkeys(change.name for change in pending):
            of_name = [change for change in pending if change.name == name]
            reach = rng.randint(0, len(of_name)) if 0 < keep < 1 else round(keep) * len(of_name)
            things.extend(self._later(change) for change in of_name[:reach])
        for file in self.files.values():
            torn = rng.random() < 0.5
            kept = [block for block in file.dirty if rng.random() < keep]
            things.extend(self._later_block(file, block, rng.randint(1, BLOCK) if torn else None) for block in kept)
            if file.entry_dirty and rng.random() < keep:
                things.append(self._later_entry(file))
        rng.shuffle(things)
        for thing in things:
            thing()
        self.mount()

    def mount(self) -> None:
        """Read what the medium has."""
        stale = self.rng.random() < 0.3
        self.files = {}
        for name, entry in self.entries.items():
            content = bytearray()
            for block in range(-(-entry.size // BLOCK)):
                # What never reached the medium reads as what was there before, and goes on doing so.
                found = self.blocks.get((entry.file, block), b"")
                rest = BLOCK - len(found)
                found += self.rng.randbytes(rest) if stale else bytes(rest)
                self.blocks[entry.file, block] = found
                content += found
            file = File(entry.file, bytes(content[: entry.size]), readable=entry.file not in self.freed)
            file.name = name
            self.files[name] = file
        self.gone = False

    def copy_of_cache(self) -> dict[str, bytes]:
        return {name: bytes(file.content) for name, file in self.files.items() if file.readable}

    def _later(self, change: Change) -> Callable[[], None]:
        return lambda: self._put_change(change)

    def _later_block(self, file: File, block: int, torn: int | None) -> Callable[[], None]:
        return lambda: self._put_block(file, block, torn)

    def _later_entry(self, file: File) -> Callable[[], None]:
        return lambda: self._put_entry(file)

    def _put_change(self, change: Change) -> None:
        if change.freed:
            self.freed.add(change.freed)
        elif change.entry is None:
            self.entries.pop(change.name, None)
        else:
            self.entries[change.name] = change.entry

    def _put_block(self, file: File, block: int, torn: int | None) -> None:
        data = bytes(file.content[block * BLOCK : (block + 1) * BLOCK])
        was = self.blocks.get((file.number, block), b"")
        self.blocks[file.number, block] = data if torn is None else data[:torn] + was[torn:]

    def _put_entry(self, file: File) -> None:
        if file.name is not None:
            self.entries[file.name] = Entry(file.number, len(file.content))
            self.pending = [change for change in self.pending if change.name != file.name or change.freed]
        file.entry_dirty = False


class Opened:
    """What a descriptor leads to; `file` None for the folder itself."""

    def __init__(self, volume: Volume, file: File | None) -> None:
        self.volume = volume
        self.file = file
        self.at = 0


class FaultyOs:
    """Stands in for the module `os`: flat folders, each the volume that is mounted there, or nothing.

    After `cut_after` calls that change something (None: never) the next one raises PowerCut.
    """

    def __init__(self) -> None:
        self.mounted: dict[str, Volume] = {}
        self.cut_after: int | None = None
        self.changes = 0
        self.log: list[str] = []
        self._open: dict[int, Opened] = {}
        self._next = 100

    def __getattr__(self, name: str) -> Any:
        if name.isupper() or name == "strerror":
            return getattr(os, name)
        raise AttributeError(name)

    def forget(self) -> None:
        """Let go of every descriptor: the process is dead."""
        self._open.clear()

    def open(self, path: Path, flags: int, mode: int = 0o777) -> int:
        if flags & os.O_DIRECTORY:
            return self._opened(self._volume(path), None)
        volume = self._volume(path.parent)
        file = volume.files.get(path.name)
        if flags & os.O_CREAT:
            if file is not None:
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
            self._change("create")
            file = volume.create(path.name)
        if file is None:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        return self._opened(volume, file)

    def close(self, descriptor: int) -> None:
        self._open.pop(descriptor, None)

    def fstat(self, descriptor: int) -> Any:
        file = self._open[descriptor].file
        assert file is not None
        return SimpleNamespace(st_size=len(file.content), st_mode=0o100644, st_ino=file.number, st_mtime_ns=0)

    def lseek(self, descriptor: int, at: int, whence: int) -> int:
        self._open[descriptor].at = at
        return at

    def read(self, descriptor: int, size: int) -> bytes:
        opened = self._open[descriptor]
        assert opened.file is not None
        if not opened.file.readable:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        data = bytes(opened.file.content[opened.at : opened.at + size])
        opened.at += len(data)
        return data

    def fdopen(self, descriptor: int, mode: str) -> "Reading":
        return Reading(self, descriptor)

    def write(self, descriptor: int, data: memoryview) -> int:
        self._change("write")
        opened = self._open[descriptor]
        assert opened.file is not None
        count = opened.volume.write(opened.file, opened.at, bytes(data))
        opened.at += count
        return count

    def ftruncate(self, descriptor: int, size: int) -> None:
        self._change("truncate")
        opened = self._open[descriptor]
        assert opened.file is not None
        opened.volume.truncate(opened.file, size)

    def fsync(self, descriptor: int) -> None:
        self._change("sync")
        opened = self._open[descriptor]
        if opened.file is None:
            opened.volume.sync_folder()
        else:
            opened.volume.sync(opened.file)

    def rename(self, old: Path, new: Path) -> None:
        self._change("rename")
        self._volume(old.parent).rename(old.name, new.name)

    def unlink(self, path: Path) -> None:
        volume = self._volume(path.parent)
        if path.name not in volume.files:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        self._change("unlink")
        volume.unlink(path.name)

    def scandir(self, path: Path) -> "Listing":
        return Listing(sorted(self._volume(path).files))

    def stat(self, path: Path) -> Any:
        volume = self._volume(path)
        return SimpleNamespace(st_mode=0o040755, st_dev=1, st_ino=volume.inode)

    def statvfs(self, path: Path) -> Any:
        volume = self._volume(path)
        flag = os.ST_RDONLY if volume.read_only else 0
        return SimpleNamespace(f_flag=flag, f_bavail=volume.free() // BLOCK, f_frsize=BLOCK)

    def access(self, path: Path, mode: int) -> bool:
        return True

    def _opened(self, volume: Volume, file: File | None) -> int:
        self._next += 1
        self._open[self._next] = Opened(volume, file)
        return self._next

    def _volume(self, path: Path) -> Volume:
        volume = self.mounted.get(str(path))
        if volume is None:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        return volume

    def _change(self, what: str) -> None:
        self.changes += 1
        self.log.append(what)
        if self.cut_after is not None:
            if self.cut_after <= 0:
                raise PowerCut
            self.cut_after -= 1


class Reading:
    """What `fdopen` gives."""

    def __init__(self, system: FaultyOs, descriptor: int) -> None:
        self._system = system
        self._descriptor = descriptor

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._system.close(self._descriptor)

    def read(self, limit: int) -> bytes:
        return self._system.read(self._descriptor, limit)


class Listing:
    """What `scandir` gives."""

    def __init__(self, names: list[str]) -> None:
        self._names = names

    def __enter__(self) -> Iterator[Any]:
        return iter([SimpleNamespace(name=name) for name in self._names])

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        pass
