"""The example in C, linked to a whole daemon: both are processes of their own, as they will be."""

import json
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

from bridge.files import c_client, examples
from tests.links.compiled import STRICT, build

ENOUGH = 20_000
"""Looks at the lamps within which they must change; each waits for the daemon's answer."""


def test_keys_make_the_lamps_count(short_folder: Path) -> None:
    source = c_client()
    words = ["-std=c99", "-O2", *STRICT, str(source / "first_core.c"), str(source / "consolewright.c")]
    program = build("gcc", words, short_folder / "first_core")
    state = short_folder / "state"
    command = [sys.executable, "-m", "bridge", "run", str(examples() / "first-panel.toml"), "--rehearse"]
    with (
        subprocess.Popen([*command, "--state", str(state)], stdout=subprocess.PIPE, text=True) as daemon,
        subprocess.Popen([program, str(state / "core.sock")], stdout=subprocess.PIPE, text=True) as core,
    ):
        try:
            assert core.stdout is not None
            assert core.stdout.readline() == "linked to the console\n"
            with socket.socket(socket.AF_UNIX) as hands, hands.makefile("rw") as talk:
                hands.connect(str(state / "rehearsal.sock"))

                def ask(**request: Any) -> dict[str, Any]:
                    talk.write(json.dumps(request) + "\n")
                    talk.flush()
                    answer: dict[str, Any] = json.loads(talk.readline())
                    return answer

                assert max(ask(do="lamps")["lamps"].values()) == 0
                ask(do="throw", key="W.7", closed=True)
                # source: arithmetic: 128 a cycle of 10 us carry into A.0 every 5.12 ms: it is lit half of the time.
                glows = (1000 < ask(do="lamps")["lamps"]["A.0"] < 3000 for _ in range(ENOUGH))
                assert any(glows)
        finally:
            core.terminate()
            daemon.terminate()
            if daemon.stdout is not None:
                daemon.stdout.read()


def test_it_is_short() -> None:
    # source: the promise of the page: a complete toy core in C under 150 lines, in Python under 60.
    assert len((c_client() / "first_core.c").read_text().splitlines()) < 150
    python = Path(sys.modules["bridge"].__path__[0]) / "demo" / "first_core.py"
    assert len(python.read_text().splitlines()) < 60
