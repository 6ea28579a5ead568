"""The house's own rules: what tests are held to, what lies where, and the unit that starts the daemon."""

import configparser
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from bridge import cli
from bridge.daemon import bus

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

in_checkout = pytest.mark.skipif(not (ROOT / ".git").exists(), reason="there is no git checkout here")

SAMPLE = """
import asyncio, os, pty, socket, subprocess, threading
import pytest

kept = []
go_on = threading.Event()

def test_innocent(tmp_path):
    async def main():
        await asyncio.create_task(asyncio.sleep(0))
        await asyncio.to_thread(os.getpid)
    asyncio.run(main())
    with (tmp_path / "file").open("w") as file, socket.socket():
        subprocess.run(["true"], stdout=file, check=True)
    thread = threading.Thread(target=os.getpid)
    thread.start()
    thread.join()

def test_thread():
    threading.Thread(target=go_on.wait, name="a forgotten thread", daemon=True).start()

def test_child():
    kept.append(subprocess.Popen(["sleep", "9"]))

def test_zombie():
    kept.append(subprocess.Popen(["true"]))
    os.waitid(os.P_PID, kept[-1].pid, os.WEXITED | os.WNOWAIT)

def test_file(tmp_path):
    kept.append((tmp_path / "a forgotten file").open("w"))

def test_socket():
    kept.append(socket.socket())

def test_pipe():
    kept.append(os.pipe())

def test_pty():
    kept.append(pty.openpty())

def test_task():
    async def main():
        kept.append(asyncio.create_task(asyncio.sleep(9), name="a forgotten task"))
        await asyncio.sleep(0)
    asyncio.run(main())

def test_task_on_a_bare_loop():
    loop = asyncio.new_event_loop()
    kept.append(loop.create_task(asyncio.sleep(9), name="a task on a bare loop"))
    loop.call_soon(loop.stop)
    loop.run_forever()
    loop.close()
    kept.pop()._log_destroy_pending = False  # that log line is asyncio's own, not what is tried here

def test_unclosed_file(tmp_path):
    (tmp_path / "file").open("w")

def test_exception_in_a_thread():
    thread = threading.Thread(target=lambda: 1 / 0)
    thread.start()
    thread.join()

@pytest.fixture(scope="module", autouse=True)
def tidy():
    yield
    go_on.set()
    for process in (thing for thing in kept if isinstance(thing, subprocess.Popen)):
        process.kill()
        process.wait()
"""

LEAKS = {
    "thread": "left behind: thread a forgotten thread",
    "child": "left behind: child process",
    "zombie": "left behind: child process",
    "file": "a forgotten file",
    "socket": "socket:[",
    "pipe": "pipe:[",
    "pty": "ptmx",
    "task": "left behind: task a forgotten task",
    "task_on_a_bare_loop": "left behind: task a task on a bare loop",
    "unclosed_file": "PytestUnraisableExceptionWarning",
    "exception_in_a_thread": "PytestUnhandledThreadExceptionWarning",
}


def test_a_test_that_leaves_something_behind_fails_and_says_what(tmp_path: Path) -> None:
    # source: arithmetic: each leaking sample fails for its own reason, and the innocent one passes.
    for name in ("pyproject.toml", "tests/conftest.py"):
        shutil.copy(ROOT / name, tmp_path)
    (tmp_path / "test_sample.py").write_text(SAMPLE, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-vv", "--tb=no", "-rfE", "test_sample.py"]
    out = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False).stdout
    failed = dict(re.findall(r"^(?:FAILED|ERROR) test_sample.py::test_(\w+) - (.*)$", out, re.MULTILINE))
    assert failed.keys() == LEAKS.keys(), out
    assert [failed[name] for name, reason in LEAKS.items() if reason not in failed[name]] == []


@in_checkout
@pytest.mark.skipif(not shutil.which("git"), reason="git is not installed")
def test_the_top_level_holds_only_what_was_agreed() -> None:
    # source: DEVELOPERS.md: a new top-level name needs a reason everybody has heard.
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    top = {name.partition("/")[0] for name in listed.split("\0")[:-1]}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "bridge", "config", "tests", "systemd"}
    assert {name for name in top if not name.startswith(".")} - agreed == set()


@in_checkout
def test_every_pure_part_that_must_be_covered_exists() -> None:
    # A renamed file would otherwise leave the gate without a word.
    patterns = PROJECT["tool"]["coverage"]["report"]["include"]
    assert [pattern for pattern in patterns if not list(ROOT.glob(pattern))] == []


@in_checkout
def test_the_unit_starts_the_daemon_as_it_wants_to_be_started() -> None:
    # source: systemd.service(5): ExecStart is split as by a shell, the first word an absolute path.
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.read(ROOT / "systemd" / "consolewright.service", encoding="utf-8")
    shell, _, script = shlex.split(unit["Service"]["ExecStopPost"])
    assert shell == "/bin/sh"
    condition, darkens = script.split(" || exec ")
    files = set()
    for command, line in (("run", unit["Service"]["ExecStart"]), ("dark", darkens)):
        program, *arguments = shlex.split(line)
        assert Path(program).is_absolute()
        assert Path(program).name in PROJECT["project"]["scripts"]
        options = cli.parser().parse_args(arguments)
        assert options.command == command
        files.add(options.file)
    # source: systemd.exec(5), "$SERVICE_RESULT": "success", or why not; two dollar signs stand for one.
    for result in ("success", "exit-code", "signal", "core-dump", "watchdog", "timeout", "oom-kill", "resources"):
        done = subprocess.run([shell, "-c", condition.replace("$$", "$")], env={"SERVICE_RESULT": result}, check=False)
        assert (done.returncode == 0) == (result == "success")
    assert len(files) == 1
    assert int(unit["Service"]["LimitRTPRIO"]) >= bus.PRIORITY
