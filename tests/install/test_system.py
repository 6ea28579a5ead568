"""The seam to the system, where it is not stood in for."""

import os
from pathlib import Path

import pytest

from bridge.errors import ConsoleError
from bridge.install.system import System


@pytest.fixture
def system(tmp_path: Path) -> System:
    return System(tmp_path)


def test_a_command_that_fails_says_its_own_words(system: System) -> None:
    system.run("sh", "-c", "echo out; echo err >&2")
    with pytest.raises(ConsoleError, match=r"^sh -c echo out; echo err >&2; exit 3: err$"):
        system.run("sh", "-c", "echo out; echo err >&2; exit 3")
    with pytest.raises(ConsoleError, match=r"^sh -c exit 3: status 3$"):
        system.run("sh", "-c", "exit 3")
    with pytest.raises(ConsoleError, match=r"^no-such-command cannot be run here \(No such file or directory\)"):
        system.run("no-such-command")
    assert system.succeeds("true")
    assert not system.succeeds("false")


def test_a_file_is_replaced_at_once_and_synced_under_both_names(
    system: System, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # source: tests/references/fat-rename.tsv: on FAT the file must be synced again after it was renamed.
    system.write("/boot/cmdline.txt", b"old", 0o600)
    seen: list[tuple[str, bytes]] = []
    fsync = os.fsync

    def noting(fd: int) -> None:
        fsync(fd)
        seen.append((Path(f"/proc/self/fd/{fd}").readlink().name, (tmp_path / "boot/cmdline.txt").read_bytes()))

    monkeypatch.setattr(os, "fsync", noting)
    system.write("/boot/cmdline.txt", b"new", 0o640)
    assert seen == [("cmdline.txt.new", b"old"), ("cmdline.txt", b"new")]
    assert system.at("/boot/cmdline.txt").stat().st_mode & 0o777 == 0o640
    assert [path.name for path in (tmp_path / "boot").iterdir()] == ["cmdline.txt"]
    assert system.read("/boot/cmdline.txt") == b"new"
    assert system.read("/boot/cmdline.txt/below") is None
    assert system.read("/boot/other") is None


def test_users_and_groups_are_known(system: System) -> None:
    # source: passwd(5), group(5).
    system.write("/etc/passwd", b"root:x:0:0::/:/bin/sh\nconsolewright-core:x:9:9::/:/bin/false\n")
    assert not system.has_account("consolewright")
    assert system.has_account("consolewright-core")
    assert system.has_account("root")
    assert system.group("/etc/passwd") == ""
    system.write("/etc/group", b"odd\nspi:x:%d:\nother:x:99999:\n" % os.getgid())
    assert system.group("/etc/passwd") == "spi"


def test_what_is_no_gpio_chip_has_no_label(system: System) -> None:
    system.write("/dev/gpiochip0", b"")
    assert system.gpio_chips() == {}


@pytest.mark.parametrize(
    ("said", "version"),
    [("systemd 252 (252.39-1~deb12u1)\n+PAM +AUDIT\n", 252), ("systemd 257 (257.9)\n", 257), ("what\n", 0)],
)
def test_the_version_of_systemd_is_known(
    system: System, monkeypatch: pytest.MonkeyPatch, said: str, version: int
) -> None:
    # source: systemctl --version on Debian 12 and 13.
    monkeypatch.setattr(System, "answer", lambda *_: said)
    assert system.systemd() == version


def test_a_system_without_systemd_has_no_version_of_it(system: System, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    assert system.systemd() == 0
