"""What consolewright needs to run without the place it was installed from: its files and those of what it requires."""

import json
import re
import sys
from collections.abc import Iterable, Iterator
from importlib.metadata import Distribution
from pathlib import Path, PurePosixPath
from typing import NamedTuple
from urllib.parse import unquote, urlsplit

from bridge import files
from bridge.errors import ConsoleError

NAME = "consolewright"
EXTRA = "pi"
"""The extra that is taken along, as far as it is installed."""

_REQUIREMENT = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[([^]]*)\])?[^;]*(?:;(.*))?", re.DOTALL)
_OF_EXTRA = re.compile(r"""\bextra\s*==\s*['"]([^'"]+)['"]""")
_PIPS_OWN = {"RECORD", "INSTALLER", "REQUESTED", "direct_url.json"}


class Origin(NamedTuple):
    """A running Python: the interpreter itself, its virtual environment (`prefix`), and where it finds modules."""

    interpreter: Path
    version: str
    prefix: Path
    base_prefix: Path
    system_packages: bool
    path: tuple[str, ...]


class Closure(NamedTuple):
    """The files to be copied, by their path below site-packages, and the distributions they are of, with versions."""

    files: dict[str, Path]
    distributions: tuple[str, ...]


def running() -> Origin:
    """Return the Python that runs this."""
    prefix = Path(sys.prefix)
    return Origin(
        interpreter=Path(getattr(sys, "_base_executable", sys.executable)).resolve(),
        version="{}.{}.{}".format(*sys.version_info),
        prefix=prefix,
        base_prefix=Path(sys.base_prefix),
        system_packages=sys.prefix == sys.base_prefix or _sees_system(prefix / "pyvenv.cfg"),
        path=tuple(sys.path),
    )


def closure(origin: Origin) -> Closure:
    """Return what must be copied; what comes with the system is left to it.

    Raises ConsoleError if consolewright is not installed there at all, or something in a way that cannot be copied.
    """
    found: dict[str, Path] = {}
    names = []
    for distribution in _distributions(origin):
        ours = _normal(distribution.name) == NAME
        if ours or not _systems(distribution, origin):
            names.append(f"{distribution.name} {distribution.version}")
            found.update(_files(distribution))
    return Closure(dict(sorted(found.items())), tuple(dict.fromkeys(names)))


def _distributions(origin: Origin) -> Iterator[Distribution]:
    """Find consolewright and all it requires, as far as it is installed; again with other extras."""
    wanted = [(NAME, frozenset({EXTRA}))]
    seen = set()
    for name, extras in wanted:
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        distribution = next(iter(Distribution.discover(name=name, path=list(origin.path))), None)
        if distribution is not None:
            yield distribution
            wanted += _requirements(distribution.requires or (), extras)
        elif name == NAME:
            raise ConsoleError(
                f"consolewright runs from a folder and is not installed in {origin.prefix}. In a virtual environment: "
                "pip install . (or, in a clone you work on, pip install -e .), and then install from that one."
            )


def _requirements(requirements: Iterable[str], extras: frozenset[str]) -> Iterator[tuple[str, frozenset[str]]]:
    """Take requirements apart. Which of them hold for this Python, pip knew: those that are installed."""
    for requirement in requirements:
        parts = _REQUIREMENT.match(requirement)
        assert parts is not None, requirement  # noqa: S101 -- its metadata were written by a build tool
        name, of_it, marker = parts.groups("")
        extra = _OF_EXTRA.search(marker)
        if extra is None or extra[1] in extras:
            yield _normal(name), frozenset(one.strip() for one in of_it.split(",") if one.strip())


def _normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _systems(distribution: Distribution, origin: Origin) -> bool:
    """Tell whether a distribution is there for every Python of this system."""
    place = Path(str(distribution.locate_file(""))).resolve()
    if origin.prefix != origin.base_prefix and place.is_relative_to(origin.prefix.resolve()):
        return False
    return place.is_relative_to(origin.base_prefix.resolve())


def _sees_system(config: Path) -> bool:
    """Tell whether a virtual environment sees the system's modules (PEP 405)."""
    try:
        lines = config.read_text(encoding="utf-8").lower().splitlines()
    except OSError:
        return False
    settings = dict(line.replace(" ", "").split("=", 1) for line in lines if "=" in line)
    return settings.get("include-system-site-packages") == "true"


def _files(distribution: Distribution) -> Iterator[tuple[str, Path]]:
    """Find a distribution's modules and what lies beside them; its commands and compiled files are made anew."""
    listed = distribution.files
    if listed is None:
        raise ConsoleError(
            f"{distribution.name} was installed in a way that does not tell its files. Install it anew: "
            f"pip install --force-reinstall --no-deps {distribution.name}"
        )
    clone = _clone(distribution)
    for file in listed:
        path = Path(str(distribution.locate_file(file)))
        if file.parts[0] == ".." or file.suffix in {".pyc", ".pth"} or file.name in _PIPS_OWN or not path.is_file():
            continue
        yield PurePosixPath(file).as_posix(), path
    if clone is not None:
        # What the wheel would have had: pyproject.toml, [tool.hatch.build.targets.wheel].
        for folder, place in (
            (clone / "bridge", "bridge"),
            (files.examples(), "bridge/examples"),
            (files.units(), "bridge/units"),
        ):
            for path in sorted(folder.rglob("*")):
                if path.is_file() and path.suffix != ".pyc":
                    yield f"{place}/{path.relative_to(folder).as_posix()}", path


def _clone(distribution: Distribution) -> Path | None:
    """Return the folder that an editable installation leads to, None if it is no such one (PEP 610)."""
    origin = json.loads(distribution.read_text("direct_url.json") or "{}")
    if not origin.get("dir_info", {}).get("editable"):
        return None
    return Path(unquote(urlsplit(origin["url"]).path))
