"""The files that an installation puts into the system's own folders."""

import re
import shlex
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from bridge.console import Console
from bridge.errors import ConsoleError
from bridge.install.rules import expand
from bridge.install.system import System

FOLDER = "/etc/consolewright"
DESCRIPTION = f"{FOLDER}/console.toml"
CORE = f"{FOLDER}/core"
UNITS = "/etc/systemd/system"
RULES = "/etc/udev/rules.d"
USERS, FOLDERS = "/etc/sysusers.d/consolewright.conf", "/etc/tmpfiles.d/consolewright.conf"

DAEMON_UNIT, CORE_UNIT = "consolewright.service", "consolewright-core.service"
USB_UNITS = ("consolewright-usb.path", "consolewright-usb.service")
STICK_UNITS = "consolewright-stick@*.service"
_STICK_UNIT = "consolewright-stick@.service"

_NEWER = re.compile(r"^#(\d+): ", re.MULTILINE)
"""Before a directive of a unit that only systemd of this version and later knows."""
_WANTED_BY = re.compile(r"^WantedBy=(\S+)$", re.MULTILINE)


class Content(NamedTuple):
    """What a file is to hold."""

    data: bytes
    mode: int = 0o644


Wanted = Mapping[str, Content]
"""Files by path."""


def ports(console: Console) -> dict[str, tuple[str, ...]]:
    """Return the USB ports of each hopper that has any."""
    hoppers = {"reader": console.reader, "punch": console.punch}
    return {name: hopper.ports for name, hopper in hoppers.items() if hopper is not None and hopper.ports}


def wanted(console: Console, core: Sequence[str], units: Path, systemd: int) -> Wanted:
    """Return the files for a console, made of those in `units`; an empty `core` command is none.

    What only later versions of systemd know than the one that is there is left a comment in its units.
    A console without USB ports gets nothing that has to do with USB. Raises ConsoleError for ports that cannot be used.
    """
    made = {DESCRIPTION: Content(console.path.read_bytes())}
    if core:
        made[CORE] = Content(f"#!/bin/sh\nexec {shlex.join(core)}\n".encode(), 0o755)
    hoppers = ports(console)
    for source in sorted(units.iterdir()):
        if hoppers or not (source.suffix == ".rules" or source.name in {*USB_UNITS, _STICK_UNIT}):
            text = _NEWER.sub(
                lambda mark: "" if int(mark[1]) <= systemd else mark[0], source.read_text(encoding="utf-8")
            )
            if source.suffix == ".rules":
                try:
                    text = expand(text, hoppers)
                except ValueError as error:
                    raise ConsoleError(f"{console.path}: {error}") from None
            made[_place(source)] = Content(text.encode())
    return made


def installed(system: System) -> list[str]:
    """Return those of all files of ours, of this version or another, that are there."""
    found = [path for path in (DESCRIPTION, CORE) if system.at(path).exists()]
    found += [path for path in (USERS, FOLDERS) if system.at(path).exists()]
    for folder, pattern in ((UNITS, "consolewright*"), (RULES, "[0-9][0-9]-consolewright-*")):
        found += [f"{folder}/{one.name}" for one in sorted(system.at(folder).glob(pattern)) if one.is_file()]
    return found


def by_hand(system: System) -> list[str]:
    """Return the folders in which somebody has put amendments to our units."""
    return [f"{UNITS}/{one.name}" for one in sorted(system.at(UNITS).glob("consolewright*.d"))]


def units_to_enable(made: Wanted, *, core: bool) -> Iterator[tuple[str, str]]:
    """Find the units to be enabled, each with the link that does it; that of the core only if there is one."""
    for path, content in made.items():
        by = _WANTED_BY.search(content.data.decode()) if path.startswith(f"{UNITS}/") else None
        name = Path(path).name
        if by and (core or name != CORE_UNIT):
            yield name, f"{UNITS}/{by[1]}.wants/{name}"


def _place(source: Path) -> str:
    if source.suffix == ".sysusers":
        return USERS
    if source.suffix == ".tmpfiles":
        return FOLDERS
    return f"{RULES if source.suffix == '.rules' else UNITS}/{source.name}"
