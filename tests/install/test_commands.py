"""Installing a console and taking it away, on a system in a temporary folder."""

import asyncio
import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar, TypeVarTuple

import pytest

from bridge import cli
from bridge.cards.deck import BLANK_CARD
from bridge.cards.ledger import Taken
from bridge.cards.spool import Spool, load
from bridge.errors import ConsoleError
from bridge.install import commands
from tests.install.scene import BEFORE, CMDLINE, OTHER_PORT, PORT, Scene, description, origin

CORE = ["/bin/sh", "-c", "exec it's"]
Said = list[str]
A = TypeVarTuple("A")
T = TypeVar("T")


@pytest.fixture
def system(tmp_path: Path) -> Scene:
    return Scene(tmp_path / "root")


class Put(Protocol):
    """Installs a description, and returns what was said."""

    def __call__(self, *core: str, sticks: bool = True) -> Said: ...


@pytest.fixture
def put(tmp_path: Path, system: Scene) -> Put:
    python = origin(tmp_path)

    def install(*core: str, sticks: bool = True) -> Said:
        said: Said = []
        commands.install(description(tmp_path, sticks=sticks), core, said.append, system, python)
        return said

    return install


def removed(system: Scene) -> str:
    said: Said = []
    commands.remove(said.append, system)
    return "\n".join(said)


def test_it_says_what_it_does_and_does_it(system: Scene, put: Put, tmp_path: Path) -> None:
    said = "\n".join(put(*CORE))
    there = system.listed()
    written = [path for path in there if not path.startswith(("opt/", "sys/", "etc/passwd")) and ".wants/" not in path]
    assert [path for path in written if f"/{path}" not in said] == []
    assert "consolewright 1, with lamp-oil 1 and spidev 1, to /opt/consolewright" in said
    assert there["etc/consolewright/console.toml"] == (tmp_path / "panel.toml").read_text()
    # source: POSIX shell quoting.
    socket = "/run/consolewright/core.sock"
    assert there["etc/consolewright/core"] == f"#!/bin/sh\nexec /bin/sh -c 'exec it'\"'\"'s' {socket}\n"
    assert system.at("/etc/consolewright/core").stat().st_mode & 0o777 == 0o755
    assert there["boot/firmware/cmdline.txt"] == BEFORE.rstrip("\n") + " usbcore.authorized_default=0\n"
    assert there["boot/firmware/cmdline.txt.before-consolewright"] == BEFORE
    assert {"consolewright.service", "consolewright-core.service", "consolewright-usb.path"} <= system.active
    enabled = {"/".join(path.split("/")[-2:]) for path in there if ".wants/" in path}
    assert enabled == {
        "multi-user.target.wants/consolewright.service",
        "consolewright.service.wants/consolewright-core.service",
        "paths.target.wants/consolewright-usb.path",
        "sysinit.target.wants/consolewright-usb.service",
    }


def test_the_copy_is_whole(system: Scene, put: Put) -> None:
    put()
    place = system.at("/opt/consolewright")
    site = place / "lib/python3.11/site-packages"
    assert (site / "oil/__init__.py").read_text() == "oil = 1\n"
    assert (site / "bridge/cli.py").read_text() == "clone's own\n"
    assert (site / "bridge/examples/skerry.toml").is_file()
    assert (site / "bridge/units/consolewright.service").is_file()
    assert (place / "libexec/usb").read_text() == "usb's own\n"
    for program in ("libexec/usb", "libexec/stick", "bin/consolewright"):
        assert (place / program).stat().st_mode & 0o777 == 0o755
    assert not system.at("/opt/consolewright.new").exists()


def test_twice_is_once(system: Scene, put: Put) -> None:
    put(*CORE)
    before = system.listed()
    system.ran.clear()
    assert put(*CORE)[-1].endswith("there is nothing to do.")
    # Without a core's command, the core that is there stays.
    assert put()[-1].endswith("there is nothing to do.")
    assert system.ran == []
    assert system.listed() == before


@pytest.mark.parametrize(
    ("path", "restarted"),
    [
        ("etc/consolewright/console.toml", "consolewright.service"),
        ("etc/systemd/system/consolewright.service", "consolewright.service"),
        ("opt/consolewright/lib/python3.11/site-packages/oil/__init__.py", "consolewright.service"),
        ("etc/consolewright/core", "consolewright-core.service"),
    ],
)
def test_what_was_changed_is_put_back_and_started_anew(system: Scene, put: Put, path: str, restarted: str) -> None:
    put(*CORE)
    before = system.listed()
    (system.root / path).write_text("older\n")
    system.ran.clear()
    said = put(*CORE)
    assert system.listed() == before
    restarts = [command[2:] for command in system.ran if command[:2] == ("systemctl", "restart")]
    assert len(restarts) == 1
    assert restarted in restarts[0]
    # The daemon takes the core with it.
    assert ("consolewright-core.service" in restarts[0]) == (restarted == "consolewright-core.service")
    assert not any("cmdline" in line for line in said)


def test_a_newer_version_takes_the_place_of_all_of_the_older_one(system: Scene, put: Put, tmp_path: Path) -> None:
    put()
    system.write("/etc/systemd/system/consolewright-bell.service", b"of an older version\n")
    system.write("/etc/udev/rules.d/70-consolewright-bell.rules.new", b"of an interrupted one\n")
    system.write("/etc/systemd/system/consolewright.service.d/museum.conf", b"[Service]\n")
    (tmp_path / "clone/bridge/cli.py").write_text("newer\n")
    system.ran.clear()
    said = "\n".join(put())
    assert "remove /etc/systemd/system/consolewright-bell.service" in said
    there = system.listed()
    assert not [path for path in there if "bell" in path]
    assert there["opt/consolewright/lib/python3.11/site-packages/bridge/cli.py"] == "newer\n"
    assert "etc/systemd/system/consolewright.service.d/museum.conf" in there
    assert ("systemctl", "daemon-reload") in system.ran


def test_from_the_copy_itself_the_copy_stays(system: Scene, put: Put, tmp_path: Path) -> None:
    put(*CORE)
    python = origin(tmp_path)._replace(prefix=Path("/opt/consolewright"), path=())
    said: Said = []
    commands.install(description(tmp_path, sticks=False), (), said.append, system, python)
    assert "  write /etc/consolewright/console.toml, the description" in said
    assert not any("copy" in line for line in said)


def test_without_ports_nothing_of_usb_is_touched(system: Scene, put: Put) -> None:
    before = system.listed()
    said = put(sticks=False)
    there = system.listed()
    assert not [
        path for path in there if path.startswith("etc/") and ("udev" in path or "usb" in path or "stick" in path)
    ]
    assert {path: text for path, text in there.items() if path.startswith(("sys", "boot"))} == {
        path: text for path, text in before.items() if path.startswith(("sys", "boot"))
    }
    assert not [command for command in system.ran if "udevadm" in command]
    assert not any("fsck" in line for line in said)


def test_a_console_that_has_no_ports_any_more_gives_usb_back(system: Scene, put: Put) -> None:
    put(sticks=False)
    without = system.listed()
    put()
    put(sticks=False)
    there = system.listed()
    usb = {path for path in there if path.startswith("sys/")}
    assert {there.pop(path) for path in usb} == {"1"}
    assert there == {path: text for path, text in without.items() if path not in usb}
    assert put(sticks=False)[-1].endswith("there is nothing to do.")


def test_the_way_back_is_there_before_usb_needs_it(system: Scene, put: Put, monkeypatch: pytest.MonkeyPatch) -> None:
    # Whenever it is interrupted, there is no word on the kernel's command line without rules and their guard.
    written: list[str] = []
    write = system.write

    def noting(path: str, data: bytes, mode: int = 0o644) -> None:
        written.append(path)
        if path == CMDLINE:
            assert ("systemctl", "start", "consolewright-usb.service") in system.ran
        write(path, data, mode)

    with monkeypatch.context() as patch:
        patch.setattr(system, "write", noting)
        put()
    assert written[-1] == CMDLINE
    system.ran.clear()
    monkeypatch.setattr(system, "run", lambda *command: pytest.fail(f"{command} came first"))
    with pytest.raises(pytest.fail.Exception, match="disable"):
        removed(system)
    assert system.at(CMDLINE).read_text() == BEFORE


def test_an_interrupted_installation_is_done_again_from_the_start(system: Scene, put: Put) -> None:
    system.failing = {"systemctl daemon-reload"}
    with pytest.raises(ConsoleError, match="it fails\nMend that and give the same command again"):
        put(*CORE)
    system.failing.clear()
    system.ran.clear()
    put(*CORE)
    assert {command[0] for command in system.ran if command[0].startswith("systemd-")} == {
        "systemd-sysusers",
        "systemd-tmpfiles",
    }
    assert ("systemctl", "daemon-reload") in system.ran
    assert put(*CORE)[-1].endswith("there is nothing to do.")


def test_a_console_that_does_not_start_is_said_and_started_again(system: Scene, put: Put) -> None:
    system.failing = {"systemctl restart"}
    with pytest.raises(
        ConsoleError, match=r"All is installed, but it does not run: .*\n.*journalctl -b -u consolewright"
    ):
        put()
    system.failing.clear()
    assert [line for line in put() if line.startswith("  ")][:1] == [
        "  start consolewright-usb.path and consolewright.service"
    ]


def test_a_disk_that_cannot_be_written_is_said(system: Scene, put: Put, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: str, *_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), path)

    monkeypatch.setattr(system, "write", refuse)
    with pytest.raises(ConsoleError, match=r"/etc/consolewright/unfinished: Read-only file system. Mend that"):
        put()


def test_files_can_be_read_by_the_daemon_whatever_the_habit_of_root(system: Scene, put: Put) -> None:
    before = os.umask(0o077)
    try:
        put(*CORE)
    finally:
        os.umask(before)
    ours = [path for path in system.root.rglob("*") if "sys" not in path.parts and not path.is_symlink()]
    assert [
        path
        for path in ours
        if "consolewright" in str(path.relative_to(system.root)) and path.stat().st_mode & 0o044 != 0o044
    ] == []


def test_removing_it_leaves_nothing(system: Scene, put: Put) -> None:
    before, folders = system.listed(), system.folders()
    put(*CORE)
    system.write("/var/lib/consolewright/spool/cards-1.spool", b"")
    system.write("/run/consolewright-sticks/status/reader.json", b"{}")
    system.write("/etc/systemd/system/consolewright.service.d/museum.conf", b"[Service]\n")
    system.write("/opt/consolewright.new/half", b"")
    said = removed(system)
    after = system.listed()
    usb = {path for path in after if path.startswith("sys/")}
    assert {after.pop(path) for path in usb} == {"1"}
    assert after == {path: text for path, text in before.items() if path not in usb}
    assert {one for one in system.folders() - folders if "consolewright" in one} == set()
    assert "  remove /var/lib/consolewright, where it kept its state\n" in said
    assert ("systemctl", "stop", "consolewright-stick@*.service") in system.ran
    assert removed(system) == "consolewright is not installed: there is nothing to remove."


def test_a_card_that_no_stick_has_is_named_before_it_goes(system: Scene, put: Put) -> None:
    put()
    spool = system.at("/var/lib/consolewright/spool")
    spool.mkdir(parents=True)

    async def punch() -> None:
        kept = Spool(spool, at_once, load(spool))
        await kept.take(Taken(1, 1, BLANK_CARD))

    async def at_once(call: Callable[[*A], T], *arguments: *A) -> T:
        return call(*arguments)

    asyncio.run(punch())
    assert "where it kept its state, and 1 punched card that no stick has yet\n" in removed(system)


def test_a_state_partition_is_emptied_and_a_mounted_stick_is_not(
    system: Scene, put: Put, monkeypatch: pytest.MonkeyPatch
) -> None:
    put()
    system.write("/var/lib/consolewright/format", b"1\n")
    system.at("/var/lib/consolewright/reader").mkdir()
    system.at("/var/lib/consolewright/link").symlink_to("/")
    monkeypatch.setattr(Path, "is_mount", lambda path: path == system.at("/var/lib/consolewright"))
    system.write("/run/consolewright-sticks/punch/visitor.deck", b"")
    with pytest.raises(ConsoleError, match="/run/consolewright-sticks/punch: Directory not empty"):
        removed(system)
    assert system.at("/run/consolewright-sticks/punch/visitor.deck").exists()
    system.at("/run/consolewright-sticks/punch/visitor.deck").unlink()
    removed(system)
    assert list(system.at("/var/lib/consolewright").iterdir()) == []


def test_a_word_that_was_put_by_hand_must_be_taken_away_by_hand(system: Scene, put: Put) -> None:
    system.at(CMDLINE).unlink()
    assert "there is no cmdline.txt in /boot: put usbcore.authorized_default=0 on" in "\n".join(put())
    system.write("/proc/cmdline", b"quiet usbcore.authorized_default=0\n")
    assert "cmdline" not in "\n".join(put())
    assert "Take usbcore.authorized_default=0 off the kernel's command line" in removed(system)


def test_nothing_is_touched_if_a_hopper_s_port_leads_to_a_hub(system: Scene, put: Callable[..., Said]) -> None:
    before = system.listed()
    system.hubs_in = {OTHER_PORT}
    with pytest.raises(ConsoleError, match="leads to a hub, and hubs are refused there"):
        put()
    assert system.listed() == before
    put(sticks=False)


def test_nothing_is_touched_if_the_description_is_wrong(system: Scene, tmp_path: Path) -> None:
    file = description(tmp_path)
    file.write_text(file.read_text() + "\nthis is no toml\n")
    before = system.listed()
    with pytest.raises(ConsoleError, match=r"panel\.toml:"):
        commands.install(file, (), print, system, origin(tmp_path))
    assert system.listed() == before
    assert system.ran == []
    assert system.at(CMDLINE).read_text() == BEFORE


def test_ports_that_cannot_be_used_are_said_before_anything_is_touched(system: Scene, tmp_path: Path) -> None:
    file = description(tmp_path)
    file.write_text(file.read_text().replace(PORT, f"{OTHER_PORT}.4"))
    before = system.listed()
    with pytest.raises(ConsoleError, match="is on a hub in"):
        commands.install(file, (), print, system, origin(tmp_path))
    assert system.listed() == before


@pytest.mark.parametrize(
    ("core", "words"),
    [
        ("no-such-program", "there is no such program"),
        ("./core", "Give its path from the root"),
        ("/nowhere/core", "no such"),
    ],
)
def test_a_core_that_cannot_be_started_is_said_before_anything_is_touched(
    system: Scene, put: Put, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, core: str, words: str
) -> None:
    (tmp_path / "core").touch(mode=0o755)
    monkeypatch.chdir(tmp_path)
    before = system.listed()
    with pytest.raises(ConsoleError, match=words):
        put(core)
    assert system.listed() == before


@pytest.mark.parametrize("words", [("install", "panel.toml", "--core", "my core"), ("install", "--remove")])
@pytest.mark.parametrize("called", ["venv/bin/consolewright", "/clone/bridge/__main__.py"])
def test_who_is_not_root_is_told_what_to_type(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    called: str,
) -> None:
    description(tmp_path)
    (tmp_path / "my core").touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(commands, "geteuid", lambda: 1000)
    monkeypatch.setattr(sys, "argv", [called, *words])
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 2
    program = f"{sys.executable} -m bridge" if called.endswith(".py") else f"{tmp_path}/{called}"
    typed = " ".join(words).replace("my core", "'my core'")
    assert capsys.readouterr().err == f"Only root can do that. Type:\n  sudo {program} {typed}\n"


@pytest.mark.parametrize(
    "words", [("install",), ("install", "x.toml", "--remove"), ("install", "--remove", "--core", "x")]
)
def test_a_command_that_says_too_little_or_too_much_is_usage(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    monkeypatch.setattr(sys, "argv", ["consolewright", *words])
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 2
    assert "usage: consolewright install" in capsys.readouterr().err


@pytest.mark.parametrize(("version", "grows"), [(252, False), (253, False), (254, True), (257, True)])
def test_pauses_between_tries_grow_where_systemd_knows_how(system: Scene, put: Put, version: int, grows: bool) -> None:
    # source: systemd.service(5): RestartSteps= and RestartMaxDelaySec= were added in version 254.
    system.version = version
    put(*CORE)
    for unit in ("consolewright.service", "consolewright-core.service"):
        directives = system.listed()[f"etc/systemd/system/{unit}"].splitlines()
        assert [line for line in directives if line.startswith("Restart")] == [
            "Restart=always",
            "RestartSec=2",
            *(["RestartSteps=5", "RestartMaxDelaySec=60"] if grows else []),
        ]


def test_after_systemd_is_newer_its_units_are_written_anew(system: Scene, put: Put) -> None:
    put(*CORE)
    system.version = 257
    assert "  write /etc/systemd/system/consolewright.service" in put(*CORE)
    assert put(*CORE)[-1].endswith("there is nothing to do.")
