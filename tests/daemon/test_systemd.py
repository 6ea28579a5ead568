"""What the service manager is told.

source: sd_notify(3), sd_watchdog_enabled(3): one datagram of NAME=VALUE lines; @ begins an abstract name; the
watchdog's time is in microseconds, and another process's watchdog is none of ours.
"""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.daemon.systemd import Systemd
from bridge.files import examples
from tests.daemon.panels import SMALL


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as here:
        here.bind(str(tmp_path / "notify"))
        here.settimeout(20)
        yield here


def test_variables_go_in_one_datagram_a_line_each(manager: socket.socket) -> None:
    systemd = Systemd({"NOTIFY_SOCKET": manager.getsockname()})
    systemd.tell(READY="1", STATUS="two\nlines")
    assert manager.recv(1000) == b"READY=1\nSTATUS=two lines"
    systemd.close()
    systemd.tell(STATUS="said too late")


def test_a_name_that_begins_with_an_at_sign_is_abstract() -> None:
    name = f"consolewright-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as here:
        here.bind(f"\0{name}")
        here.settimeout(20)
        systemd = Systemd({"NOTIFY_SOCKET": f"@{name}"})
        systemd.tell(READY="1")
        assert here.recv(1000) == b"READY=1"
        systemd.close()


def test_nobody_who_listens_and_a_manager_that_is_gone_do_no_harm(tmp_path: Path) -> None:
    Systemd({"WATCHDOG_USEC": "3000000"}).tell(READY="1")
    gone = Systemd({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    gone.tell(READY="1")
    gone.close()


@pytest.mark.parametrize(
    ("environment", "every"),
    [
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}, 1_000_000_000),
        ({"WATCHDOG_USEC": "3000000"}, 1_000_000_000),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, 0),
        ({}, 0),
        ({"WATCHDOG_USEC": "soon"}, 0),
    ],
)
def test_the_watchdog_is_fed_three_times_in_its_time_if_it_is_ours(environment: dict[str, str], every: int) -> None:
    systemd = Systemd({"NOTIFY_SOCKET": "/nowhere", **environment})
    assert systemd.feed_every == every
    systemd.close()


def test_without_a_manager_nothing_is_fed() -> None:
    assert Systemd({"WATCHDOG_USEC": "3000000"}).feed_every == 0


def test_a_service_says_that_it_is_ready_well_and_stopping(manager: socket.socket, tmp_path: Path) -> None:
    words = ["run", str(examples() / "first-panel.toml"), "--rehearse", "--state", str(tmp_path / "state")]
    environment = {**os.environ, "NOTIFY_SOCKET": manager.getsockname(), "WATCHDOG_USEC": "150000"}
    told: list[str] = []

    def until(word: str) -> None:
        while word not in told:
            told.extend(manager.recv(1000).decode().split("\n"))

    command = [sys.executable, "-m", "bridge", *words]
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL) as daemon:
        until("READY=1")
        assert "WATCHDOG=1" not in told
        until("WATCHDOG=1")
        told.clear()
        until("WATCHDOG=1")
        daemon.send_signal(signal.SIGTERM)
        until("STOPPING=1")
    assert daemon.returncode == 0


def test_the_status_names_the_console_and_what_is_not_well(manager: socket.socket, tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_text(SMALL.format(cards_per_minute=300))
    state = tmp_path / "state"
    (state / "reader").mkdir(parents=True)
    (state / "reader" / "bad.deck").write_text("X" * 81 + "\n")
    words = ["run", str(file), "--rehearse", "--unattended", "--state", str(state)]
    environment = {**os.environ, "NOTIFY_SOCKET": manager.getsockname()}
    told: list[str] = []
    command = [sys.executable, "-m", "bridge", *words]
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL) as daemon:
        while "STATUS=Small: reader check" not in told:
            told.extend(manager.recv(1000).decode().split("\n"))
        (state / "reader" / "bad.deck").unlink()
        while told[-1] != "STATUS=Small: all is well":
            told.extend(manager.recv(1000).decode().split("\n"))
        daemon.send_signal(signal.SIGTERM)
    assert "WATCHDOG=1" not in told
