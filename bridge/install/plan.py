"""What is to be done so that a console is installed, or is no more: steps, each in words, none of them done yet."""

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from bridge.cards import spool
from bridge.errors import ConsoleError
from bridge.install import cmdline, copy, usb
from bridge.install.system import System
from bridge.install.wanted import (
    CORE,
    CORE_UNIT,
    DAEMON_UNIT,
    DESCRIPTION,
    FOLDER,
    FOLDERS,
    RULES,
    STICK_UNITS,
    UNITS,
    USB_UNITS,
    USERS,
    Wanted,
    by_hand,
    installed,
    units_to_enable,
)

STATE = "/var/lib/consolewright"
SOCKETS = "/run/consolewright"
STICKS = "/run/consolewright-sticks"
MOUNT_POINTS = (f"{STICKS}/reader", f"{STICKS}/punch")
ACCOUNTS = ("consolewright", "consolewright-core")
UNFINISHED = f"{FOLDER}/unfinished"
"""There while an installation is under way: if it was interrupted, the next one takes nothing for done."""


class Step(NamedTuple):
    """One thing to be done, in words that follow "to" ("" for what need not be said), and how."""

    words: str
    do: Callable[[], object]


def to_install(system: System, tree: copy.Tree | None, contents: str, made: Wanted) -> list[Step]:
    """Return the steps after which a system has these files and the copy `tree`, of these `contents`, and runs it.

    No tree leaves the copy as it is, and no core's command among the files leaves that.
    """
    again = system.at(UNFINISHED).exists()
    copied = tree is not None and (again or not copy.is_there(system, tree))
    changed = [path for path, one in made.items() if again or not _is(system, path, one.data, one.mode)]
    stale = [path for path in installed(system) if path not in made and path != CORE]
    steps = []
    if tree is not None and copied:
        steps.append(Step(f"copy {contents} to {copy.PLACE}", lambda: copy.put(system, tree)))
    if any(Path(path).name in USB_UNITS for path in stale):
        steps += _usb_given_back(system)
    steps += [Step(f"remove {path}", _bound(_unlink, system, path)) for path in stale]
    if _any_in(RULES, stale):
        steps.append(Step("have all of USB work as before", _bound(_usb_restored, system)))
    steps += [Step(_written(path, made), _bound(system.write, path, *made[path])) for path in changed]
    steps += _accounts(system, again=again or USERS in changed)
    steps += _folders(system, again=again or FOLDERS in changed)
    if _any_in(UNITS, [*changed, *stale]):
        steps.append(Step("have systemd read its units anew", _bound(system.run, "systemctl", "daemon-reload")))
    units = dict(units_to_enable(made, core=CORE in made or system.at(CORE).exists()))
    off = [unit for unit, link in units.items() if not system.at(link).is_symlink()]
    if off:
        words = f"have {named(off)} started with the system"
        steps.append(Step(words, _bound(system.run, "systemctl", "--quiet", "enable", *off)))
    if _any_in(RULES, changed):
        steps.append(Step("have udev heed its rules from now on", _bound(_heed_rules, system)))
    if _any_in(RULES, list(made)):
        steps += _word_put_in(system)
    if steps:
        finish = Step("", system.at(UNFINISHED).unlink)
        steps = [Step("", _bound(system.write, UNFINISHED, b"")), *steps, finish]
    restart = _restarts(system, list(units), afresh=copied or bool(set(changed) - {CORE}), core=CORE in changed)
    if restart:
        steps.append(Step(f"start {named(restart)}", _bound(_start, system, restart)))
    return steps


def to_remove(system: System) -> list[Step]:
    """Return the steps after which nothing of an installation is left."""
    files = installed(system)
    units = [Path(path).name for path in files if path.startswith(f"{UNITS}/")]
    steps = list(_word_taken_out(system))
    if units:
        steps.append(Step(f"stop {named(units)}", _bound(_stop, system, units)))
    steps += [Step(f"remove {path}", _bound(_unlink, system, path)) for path in files]
    steps += [
        Step(f"remove {path}", _bound(shutil.rmtree, system.at(path)))
        for path in (*by_hand(system), FOLDER)
        if system.at(path).is_dir()
    ]
    if units:
        steps.append(Step("have systemd forget them", _bound(_forget, system)))
    if _any_in(RULES, files):
        steps.append(Step("have udev forget them, and all of USB work as before", _bound(_usb_restored, system)))
    if system.at(STICKS).is_dir():
        steps.append(Step(f"remove {STICKS}", _bound(_remove_sticks, system)))
    if system.at(STATE).is_dir():
        steps.append(
            Step(f"remove {STATE}, where it kept its state{_owed(system)}", _bound(_emptied, system.at(STATE)))
        )
    steps += [
        Step(f"remove the user {name}", _bound(_remove_account, system, name))
        for name in reversed(ACCOUNTS)
        if system.has_account(name)
    ]
    if copy.places(system):
        steps.append(Step(f"remove {named(copy.places(system))}", _bound(copy.remove, system)))
    return steps


def named(names: Sequence[str]) -> str:
    """Return names in a row, as a sentence has them."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def _written(path: str, made: Wanted) -> str:
    if path == CORE:
        *_, command = made[path].data.decode().splitlines()
        return f"write {path}, which starts the core: {command.removeprefix('exec ')}"
    return f"write {path}, the description" if path == DESCRIPTION else f"write {path}"


def _accounts(system: System, *, again: bool) -> Iterator[Step]:
    if again or not all(system.has_account(name) for name in ACCOUNTS):
        words = f"make the users {named(ACCOUNTS)}, and {STATE} the place of their state"
        yield Step(words, _bound(system.run, "systemd-sysusers", str(system.at(USERS))))


def _folders(system: System, *, again: bool) -> Iterator[Step]:
    if again or not system.at(STICKS).is_dir():
        yield Step(f"make {STICKS}", _bound(system.run, "systemd-tmpfiles", "--create", str(system.at(FOLDERS))))


def _restarts(system: System, units: Sequence[str], *, afresh: bool, core: bool) -> list[str]:
    """Name the units to be started: what is new or does not run. The daemon starts the core, or lets it go on."""
    lasting = [unit for unit in units if unit != USB_UNITS[1]]
    down = [unit for unit in lasting if not system.succeeds("systemctl", "--quiet", "is-active", unit)]
    if afresh or DAEMON_UNIT in down:
        return [unit for unit in lasting if core or unit != CORE_UNIT]
    return [unit for unit in lasting if unit in down or (core and unit == CORE_UNIT)]


def _start(system: System, units: Sequence[str]) -> None:
    try:
        system.run("systemctl", "restart", *units)
    except ConsoleError as error:
        raise ConsoleError(
            f"All is installed, but it does not run: {error}\nWhat it says itself: journalctl -b -u {DAEMON_UNIT}"
        ) from None


def _stop(system: System, units: Sequence[str]) -> None:
    system.run("systemctl", "--quiet", "disable", "--now", *[unit for unit in units if "@" not in unit])
    system.run("systemctl", "stop", STICK_UNITS)


def _forget(system: System) -> None:
    system.run("systemctl", "daemon-reload")
    system.succeeds("systemctl", "reset-failed", "consolewright*")


def _heed_rules(system: System) -> None:
    system.run("udevadm", "control", "--reload")
    # What is plugged in passes the new rules as if it just had been.
    system.run("udevadm", "trigger", "--action=add", "--subsystem-match=usb")
    system.run("udevadm", "trigger", "--action=add", "--subsystem-match=block", "--property-match=ID_BUS=usb")
    # It sees for itself whether they work.
    system.run("systemctl", "start", USB_UNITS[1])


def _usb_restored(system: System) -> None:
    system.run("udevadm", "control", "--reload")
    usb.restore(system.at("/sys"))


def _usb_given_back(system: System) -> Iterator[Step]:
    """Undo what a console with USB ports needed, for one without."""
    yield from _word_taken_out(system)
    yield Step("stop watching over USB", _bound(_stop, system, USB_UNITS))


def _word_put_in(system: System) -> Iterator[Step]:
    path, text = cmdline.find(system)
    if path and not cmdline.has(text) and not system.is_on_usb():
        kept = f"{path}{cmdline.KEPT}"

        def put_in() -> None:
            system.write(kept, text.encode(errors="surrogateescape"))
            system.write(path, cmdline.added(text).encode(errors="surrogateescape"))

        words = (
            f"put {cmdline.WORD} into {path}, and keep the old one as {kept}; it works when the board is started again"
        )
        yield Step(words, put_in)


def _word_taken_out(system: System) -> Iterator[Step]:
    path, text = cmdline.find(system)
    if path and cmdline.has(text):
        yield Step(
            f"take {cmdline.WORD} out of {path}",
            _bound(system.write, path, cmdline.removed(text).encode(errors="surrogateescape")),
        )
    for one in cmdline.FILES:
        kept = f"{one}{cmdline.KEPT}"
        if system.at(kept).exists():
            yield Step(f"remove {kept}", _bound(_unlink, system, kept))


def _remove_account(system: System, name: str) -> None:
    system.run("userdel", name)
    system.succeeds("groupdel", name)


def _owed(system: System) -> str:
    owed = spool.read(system.at(f"{STATE}/spool")).owed
    return "" if owed is None else ", and 1 punched card that no stick has yet"


def _remove_sticks(system: System) -> None:
    """Remove the folders of the sticks, and never what is on one that is still mounted."""
    for path in MOUNT_POINTS:
        point = system.at(path)
        if point.is_dir():
            point.rmdir()
    shutil.rmtree(system.at(STICKS))


def _emptied(folder: Path) -> None:
    """Remove a folder; one that is a partition of its own is only emptied."""
    for one in folder.iterdir():
        if one.is_dir() and not one.is_symlink():
            shutil.rmtree(one)
        else:
            one.unlink()
    if not folder.is_mount():
        folder.rmdir()


def _any_in(folder: str, paths: Iterable[str]) -> bool:
    return any(path.startswith(f"{folder}/") for path in paths)


def _is(system: System, path: str, data: bytes, mode: int) -> bool:
    return system.read(path) == data and system.at(path).stat().st_mode & 0o777 == mode


def _unlink(system: System, path: str) -> None:
    system.at(path).unlink()


def _bound(do: Callable[..., object], *arguments: object) -> Callable[[], object]:
    return lambda: do(*arguments)
