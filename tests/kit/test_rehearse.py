"""The rehearsal as its user meets it."""

import subprocess
import sys
from pathlib import Path

import pytest

from bridge.files import examples
from tests.kit.commands import README, marked, run

FIRST = str(examples() / "first-panel.toml")


def rehearsed(*words: str, lines: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "bridge", "rehearse", *words]
    return subprocess.run(command, input=lines, capture_output=True, text=True, check=False)


@pytest.mark.skipif(not README.exists(), reason="there is no README beside these tests")
def test_the_readmes_command_lights_a_lamp_by_a_key(short_folder: Path) -> None:
    said = run(marked(README, "rehearse"), short_folder).splitlines()
    assert "A  ··█·····  accumulator" in said
    assert "on: W.5" in said
    assert said[-2:] == [
        "core task: done - The emulator says: nothing of mine has to last",
        "core: absent - The emulator is gone; the lamps rest until it comes back.",
    ]


def test_lines_from_a_pipe_end_it_and_one_not_done_is_its_status(short_folder: Path) -> None:
    good = rehearsed(FIRST, "--state", str(short_folder), lines="throw W.5\nlook\nquit\nthrow W.6\n")
    assert (good.returncode, good.stderr) == (0, "")
    assert "W.5 is on" in good.stdout
    assert "W.6 is on" not in good.stdout
    assert f"core socket: {short_folder}/core.sock" in good.stdout
    bad = rehearsed(FIRST, "--state", str(short_folder), lines="fly\n")
    assert bad.returncode == 1
    assert 'not done: there is no command "fly"' in bad.stdout


def test_a_core_that_cannot_be_started_is_said(short_folder: Path) -> None:
    done = rehearsed(FIRST, "--state", str(short_folder), "--core", "/no/such/core", lines="")
    assert done.returncode == 2
    assert done.stderr == "/no/such/core: cannot be started (No such file or directory).\n"
