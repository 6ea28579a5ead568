"""The copy that the service runs, /opt/consolewright: a virtual environment of its own, made without pip or network."""

import compileall
import os
import shutil
from collections.abc import Mapping
from importlib.util import cache_from_source
from pathlib import Path
from typing import NamedTuple

from bridge.errors import ConsoleError
from bridge.install.closure import Closure, Origin
from bridge.install.system import System

PLACE = "/opt/consolewright"
_BESIDE = f"{PLACE}.new"

PROGRAM_FOLDERS = ("/usr", "/opt")
"""From where the service may start programs: ExecPaths= of consolewright.service."""

_COMMAND = f"""#!{PLACE}/bin/python3
import sys

from bridge.cli import main

sys.exit(main())
"""


class Link(NamedTuple):
    """A symbolic link to `target`."""

    target: str


class File(NamedTuple):
    """A file with the content of another one, or with these bytes."""

    content: Path | bytes
    mode: int = 0o644


Tree = Mapping[str, File | Link]
"""What a folder holds, by path below it."""


def tree(origin: Origin, closure: Closure) -> Tree:
    """Return what is to be in the copy. Raises ConsoleError if no service could start its Python."""
    if not any(origin.interpreter.is_relative_to(folder) for folder in PROGRAM_FOLDERS):
        raise ConsoleError(
            f"{origin.interpreter}: the service may start programs from {' and '.join(PROGRAM_FOLDERS)} only, so "
            "not this Python. Make the virtual environment with the system's and install from that one: "
            "/usr/bin/python3 -m venv --system-site-packages .venv && .venv/bin/pip install ."
        )
    config = (
        f"home = {origin.interpreter.parent}\n"
        f"include-system-site-packages = {str(origin.system_packages).lower()}\n"
        f"version = {origin.version}\n"
        f"executable = {origin.interpreter}\n"
    )
    minor = ".".join(origin.version.split(".")[:2])
    site = f"lib/python{minor}/site-packages"
    made: dict[str, File | Link] = {
        "pyvenv.cfg": File(config.encode()),
        "bin/python3": Link(str(origin.interpreter)),
        "bin/python": Link("python3"),
        "bin/consolewright": File(_COMMAND.encode(), 0o755),
    }
    for path, source in closure.files.items():
        made[f"{site}/{path}"] = File(source)
    # What runs as root uses the system's own Python and nothing of this one.
    for name in ("stick", "usb"):
        script = closure.files.get(f"bridge/install/{name}.py")
        if script is not None:
            made[f"libexec/{name}"] = File(script, 0o755)
    return made


def is_there(system: System, wanted: Tree) -> bool:
    """Tell whether the copy is there and is just so; compiled files are not looked at."""
    place = system.at(PLACE)
    there = {
        str(Path(folder, name).relative_to(place))
        for folder, folders, names in os.walk(place)
        for name in (*names, *(one for one in folders if Path(folder, one).is_symlink()))
        if not name.endswith(".pyc")
    }
    return there == wanted.keys() and all(_is(place / path, one) for path, one in wanted.items())


def put(system: System, wanted: Tree) -> None:
    """Make the copy beside the one that is there, try it, and let them change places."""
    beside, place = system.at(_BESIDE), system.at(PLACE)
    _away(beside)
    for path, one in wanted.items():
        _make(beside / path, one)
    # In this process: the workers of newer Pythons stay behind. Most of it pip has compiled already.
    compileall.compile_dir(beside / "lib", quiet=2)
    system.run(str(beside / "bin/python3"), "-I", "-c", "import bridge.cli, bridge.daemon.service")
    system.sync()
    if place.exists():
        system.exchange(_BESIDE, PLACE)
        _away(beside)
    else:
        beside.rename(place)


def places(system: System) -> list[str]:
    """Return where there is a copy, whole or interrupted."""
    return [path for path in (PLACE, _BESIDE) if system.at(path).exists()]


def remove(system: System) -> None:
    """Take the copy away, and what an interrupted installation left."""
    for path in places(system):
        _away(system.at(path))


def _make(path: Path, one: File | Link) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(one, Link):
        path.symlink_to(one.target)
    elif isinstance(one.content, bytes):
        path.write_bytes(one.content)
        path.chmod(one.mode)
    else:
        _copy(one.content, path)
        path.chmod(one.mode)
        compiled = Path(cache_from_source(str(one.content))) if path.suffix == ".py" else None
        if compiled is not None and compiled.is_file():
            _copy(compiled, Path(cache_from_source(str(path))))


def _copy(source: Path, target: Path) -> None:
    """Copy a file with its time: by that, what pip compiled is known to be of it, and need not be compiled again."""
    target.parent.mkdir(exist_ok=True)
    shutil.copyfile(source, target)
    about = source.stat()
    os.utime(target, ns=(about.st_atime_ns, about.st_mtime_ns))


def _is(path: Path, one: File | Link) -> bool:
    if isinstance(one, Link):
        return path.is_symlink() and os.readlink(path) == one.target  # noqa: PTH115 -- as it is written
    content = one.content if isinstance(one.content, bytes) else one.content.read_bytes()
    return not path.is_symlink() and path.stat().st_mode & 0o777 == one.mode and path.read_bytes() == content


def _away(path: Path) -> None:
    if path.exists():
        shutil.rmtree(path)
