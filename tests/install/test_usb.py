"""The way back to a working USB, on a made-up /sys; that udev and the kernel do their part is proven in the rig."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.install import usb
from bridge.install.usb import RULES, System, main, restore, trouble


class Bench(System):
    """A board with two root hubs, a hub of its own, and rules that work; udev's part is made up."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.root = root
        self.known: dict[str, dict[str, str]] = {}
        self.marked = True
        self.asked = 0
        self.settled: Callable[[], None] = lambda: None
        self.rules.parent.mkdir(parents=True)
        self.rules.touch()
        for hub in ("usb1", "usb2"):
            self.plug(hub, "1")
            self.attribute(hub, "authorized_default").write_text("0\n")
        self.plug("1-1", "1")

    def attribute(self, name: str, which: str) -> Path:
        return self.sysfs / "bus/usb/devices" / name / which

    def plug(self, name: str, authorized: str, **known: str) -> None:
        self.attribute(name, "").mkdir(parents=True)
        self.attribute(name, "authorized").write_text(f"{authorized}\n")
        self.known[name] = known

    def ask(self) -> None:
        self.asked += 1
        for name in self.known:
            if self.marked and name.startswith("usb"):
                self.known[name]["CONSOLEWRIGHT_RULES"] = "1"
        self.settle()

    def settle(self) -> None:
        self.settled()

    def properties(self, device: Path) -> dict[str, str]:
        return self.known[device.name]

    def authorized(self) -> dict[str, str]:
        """Return what every device and every root hub says."""
        files = sorted((self.sysfs / "bus/usb/devices").glob("*/authorized*"))
        return {f"{file.parent.name} {file.name}": file.read_text().strip() for file in files}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = Bench(tmp_path)
    bench.plug("1-1.2", "0", CONSOLEWRIGHT_VERDICT="refused")
    bench.plug("1-1.3", "1")
    return bench


def test_where_all_is_well_nothing_is_done(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    before = bench.authorized()
    assert main(bench, []) == 0
    assert bench.authorized() == before
    assert capsys.readouterr().out == ""


def test_without_rules_everything_works_again(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.rules.unlink()

    def settled() -> None:
        assert bench.authorized()["1-1.2 authorized"] == "0", "udev is to forget the rules first"

    bench.settled = settled
    assert main(bench, []) == 1
    assert bench.asked == 1
    assert set(bench.authorized().values()) == {"1"}
    said = capsys.readouterr().out
    assert f"{bench.rules} is missing. So all of USB is put back to work" in said
    for line in ("usb1: what is put in works", "usb2: what is put in works", "1-1.2: works"):
        assert line in said.splitlines()


def test_rules_that_udev_has_not_heeded_count_as_none(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.marked = False
    assert main(bench, []) == 1
    assert set(bench.authorized().values()) == {"1"}
    assert "udev has not heeded" in capsys.readouterr().out


def test_one_root_hub_without_the_mark_is_enough(bench: Bench) -> None:
    bench.marked = False
    bench.known["usb1"]["CONSOLEWRIGHT_RULES"] = "1"
    assert "udev has not heeded" in trouble(bench)


def test_rules_that_leave_out_the_board_s_own_hub_are_broken(bench: Bench) -> None:
    bench.attribute("1-1", "authorized").write_text("0\n")
    assert "left out what is in 1-1" in trouble(bench)


def test_what_was_plugged_in_a_moment_ago_is_waited_for(bench: Bench) -> None:
    bench.plug("1-1.4", "0")
    waits: list[str] = []

    def settled() -> None:
        waits.append("")
        if len(waits) == 2:  # the first is for what was there before
            bench.attribute("1-1.4", "authorized").write_text("1\n")

    bench.settled = settled
    assert trouble(bench) == ""
    assert len(waits) == 2


def test_restore_always_restores(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(bench, ["restore"]) == 0
    assert set(bench.authorized().values()) == {"1"}
    assert "1-1.2: works" in capsys.readouterr().out
    assert main(bench, ["restore"]) == 0
    assert capsys.readouterr().out == "All of it worked already.\n"


def test_hubs_come_before_what_is_on_them(bench: Bench) -> None:
    # source: arithmetic: the name of what is on a hub is the hub's with more at its end
    bench.attribute("1-1", "authorized").write_text("0\n")
    bench.plug("1-1.2.4", "0")
    said = restore(bench.sysfs)
    assert [line.partition(":")[0] for line in said] == ["usb1", "usb2", "1-1", "1-1.2", "1-1.2.4"]


def test_a_device_that_fails_or_goes_does_not_stop_it(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.plug("1-1.1", "0")
    bench.plug("1-1.4", "0")
    write = Path.write_text

    def writing(path: Path, text: str) -> int:
        if path.parent.name == "1-1.1":
            raise OSError(5, "Input/output error")
        if path.parent.name == "1-1.2":
            raise FileNotFoundError
        return write(path, text)

    monkeypatch.setattr(Path, "write_text", writing)
    said = restore(bench.sysfs)
    assert "1-1.1: stays dead (Input/output error)" in said
    assert "1-1.4: works" in said
    assert not [line for line in said if line.startswith("1-1.2")]


def test_interfaces_are_no_devices(bench: Bench) -> None:
    # source: the kernel's Documentation/ABI/testing/sysfs-bus-usb: interfaces have an attribute "authorized", too
    bench.plug("1-1.3:1.0", "0")
    bench.plug("1-0:1.0", "0")
    assert trouble(bench) == ""
    restore(bench.sysfs)
    assert bench.authorized()["1-1.3:1.0 authorized"] == "0"


def test_a_device_that_goes_meanwhile_is_none(bench: Bench) -> None:
    bench.attribute("1-1.3", "authorized").unlink()
    assert trouble(bench) == ""


def test_without_udev_the_rules_do_not_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(command: list[str], **more: object) -> None:
        raise FileNotFoundError(command[0])

    monkeypatch.setattr(subprocess, "run", absent)
    made = Bench(tmp_path)
    system = System(tmp_path)
    assert made.rules == system.rules == tmp_path / RULES
    assert "udev has not heeded" in trouble(system)


def test_it_runs_alone() -> None:
    # source: the unit's command line; a word it does not know must not be taken for another
    command = [sys.executable, "-I", "-S", usb.__file__, "nonsense"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert ran.returncode == 2
    assert "restore" in ran.stderr
