"""The end: within three seconds of SIGTERM, whatever hangs. Each daemon is a process, in which something is broken."""

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.daemon import assembly, ending
from tests.daemon.panels import SMALL

BEGIN = """
import asyncio, os, sys, threading, time
import bridge.cli
from bridge.daemon import assembly, chains, daemon, ending, service
from bridge.parts import tlc5947

def hang(*_):
    print("hanging", flush=True)
    threading.Event().wait()
"""
RUN = """
sys.argv = ["consolewright", "run", FILE, "--rehearse", "--unattended", "--state", STATE]
bridge.cli.main()
"""
BUS = """
scan = chains.KeyJob.run
def run(job, now):
    scan(job, now)
    if job._scan.known:
        hang()
chains.KeyJob.run = run
"""
LOOP = """
async def show(_):
    await asyncio.sleep(0.1)
    hang()
daemon.Daemon._show = show
"""
TASK = """
async def show(_):
    while True:
        try:
            await asyncio.sleep(3600)
        except asyncio.CancelledError:
            print("staying", flush=True)
daemon.Daemon._show = show
"""
STORAGE = """
def load_spool(*_):
    hang()
daemon.load_spool = load_spool
"""
LAMPS = """
def dark(_):
    hang()
tlc5947.Driver.dark = dark
"""
FAILING = """
def dark(_):
    raise OSError(5, "Input/output error")
tlc5947.Driver.dark = dark
"""
SOON = """
ending.LIMIT, daemon.STOP = 1.0, 0.01
"""
HURRY = """
ending.LIMIT = 0.2
"""


@contextlib.contextmanager
def broken(folder: Path, how: str) -> Iterator["subprocess.Popen[str]"]:
    file = folder / "small.toml"
    file.write_text(SMALL.format(cards_per_minute=300))
    program = BEGIN + how + RUN.replace("FILE", repr(str(file))).replace("STATE", repr(str(folder / "state")))
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def until(process: "subprocess.Popen[str]", *words: str) -> None:
    """Read what it prints until each of these has begun a line."""
    assert process.stdout is not None
    missing = set(words)
    for line in process.stdout:
        missing -= {word for word in missing if line.startswith(word)}
        if not missing:
            return
    pytest.fail(f"it ended without {missing}")


def end(process: "subprocess.Popen[str]") -> list[str]:
    process.send_signal(signal.SIGTERM)
    said, _ = process.communicate(timeout=30)
    return said.splitlines()


def test_the_limits_add_up_to_less_than_three_seconds() -> None:
    assert ending.LIMIT + ending.DARKEN < 3
    assert assembly.DARKEN < ending.DARKEN


def test_a_bus_that_hangs_is_named_and_left(tmp_path: Path) -> None:
    with broken(tmp_path, BUS) as process:
        until(process, "ready:", "hanging")
        said = end(process)
    assert said == ["stopping: the lamps go dark", "stopping: left hanging: bus panel"]
    # Else nobody would darken its lamps.
    assert process.returncode == 1


def test_an_event_loop_that_is_blocked_does_not_keep_the_process_alive(tmp_path: Path) -> None:
    with broken(tmp_path, HURRY + LOOP) as process:
        until(process, "hanging")
        (line,) = end(process)
    assert line.startswith("stopping: not ended within 0.2 s, at threading.py:")
    assert line.endswith("; left hanging: the event loop")
    assert process.returncode == 1


def test_a_bus_that_hangs_during_the_start_is_no_reason_to_wait(tmp_path: Path) -> None:
    with broken(tmp_path, BUS.replace("if job._scan.known", "if True").replace("    scan(job, now)\n", "")) as process:
        until(process, "hanging")
        said = end(process)
    assert said[-2:] == ["stopping: the lamps go dark", "stopping: left hanging: bus panel"]


def test_a_task_that_does_not_let_itself_be_ended_is_named(tmp_path: Path) -> None:
    with broken(tmp_path, SOON + TASK) as process:
        until(process, "ready:")
        said = end(process)
    assert said[-1].startswith("stopping: not ended within 1 s, at selectors.py:")
    assert "stopping: left hanging: the observer link" in said
    assert said[-1].endswith("; left hanging: the observer link")
    assert process.returncode == 1


def test_a_call_on_the_state_folder_that_hangs_is_named(tmp_path: Path) -> None:
    with broken(tmp_path, HURRY + STORAGE) as process:
        until(process, "hanging")
        said = end(process)
    assert said[-1].endswith("; left hanging: a call on the state folder")
    assert process.returncode == 1


@pytest.mark.parametrize("how", [LAMPS, FAILING], ids=["hanging", "failing"])
def test_lamps_that_cannot_be_darkened_are_named_and_left(tmp_path: Path, how: str) -> None:
    with broken(tmp_path, how) as process:
        until(process, "ready:")
        said = end(process)
    assert said[-1] == "stopping: left hanging: lamp drivers"
    assert process.returncode == 1


def test_a_process_of_a_hopper_that_is_stuck_is_killed(tmp_path: Path) -> None:
    with broken(tmp_path, "") as process:
        until(process, "ready:", "reader:", "punch:")
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        assert len(children) == 2
        for child in children:
            os.kill(int(child), signal.SIGSTOP)
        end(process)
    assert process.returncode == 0
    assert not [child for child in children if Path(f"/proc/{child}/exe").exists()]


def test_a_second_signal_does_not_break_the_first(tmp_path: Path) -> None:
    with broken(tmp_path, "") as process:
        until(process, "ready:")
        for number in (signal.SIGTERM, signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            process.send_signal(number)
        assert end(process)[-1] == "stopping: the lamps go dark"
    assert process.returncode == 0
