"""Watching, saving and exporting as commands, beside a whole console and a core, each a process of its own."""

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bridge.files import examples
from bridge.kit.trace.record import read
from bridge.links.messages import Hello, Lamps, Welcome

COMMAND = [sys.executable, "-m", "bridge"]


def until(process: "subprocess.Popen[str]", words: str) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return
    raise AssertionError(f"it ended without saying {words!r}")


@contextmanager
def begun(*words: object) -> Iterator["subprocess.Popen[str]"]:
    """Run a command; it is killed if the test fails first, which would otherwise wait for its end."""
    with subprocess.Popen([str(word) for word in words], stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process
        except BaseException:
            process.kill()
            raise


def test_a_console_is_watched_saved_played_and_exported(short_folder: Path) -> None:
    where = ("--state", short_folder / "state")
    file, copy = short_folder / "evening.trace", short_folder / "watched.trace"
    with begun(*COMMAND, "run", examples() / "first-panel.toml", "--rehearse", *where) as console:
        until(console, "ready:")
        with begun(*COMMAND, "core", "watch", *where, "--to", copy) as watch:
            until(watch, "watching First panel")
            with begun(*COMMAND, "trace", "save", file, *where) as save:
                until(save, "recording")
                with begun(
                    sys.executable, "-m", "bridge.demo.first_core", short_folder / "state" / "core.sock"
                ) as core:
                    until(watch, "LAMPS at rest")
                    core.terminate()
                until(watch, "the core has gone")
                save.send_signal(signal.SIGINT)
                until(save, "messages")
            assert save.returncode == 0
            played = subprocess.run([*COMMAND, "trace", "play", file, *map(str, where)], check=False)
            assert played.returncode == 0
            until(watch, "HELLO recording of first core")
            console.terminate()
            until(watch, "the console has gone")
        assert watch.returncode == 0
    kinds = [type(record.message) for record in read(file).records]
    assert kinds[:2] == [Hello, Welcome]
    assert Lamps in kinds
    assert [type(record.message) for record in read(copy).records][:2] == [Hello, Welcome]
    subprocess.run([*COMMAND, "trace", "export", str(file), str(short_folder / "out.vcd")], check=True)
    assert "$var wire 8" in (short_folder / "out.vcd").read_text()


def test_what_cannot_be_done_is_said_with_status_2(short_folder: Path) -> None:
    for words in (
        ["core", "watch", "--state", str(short_folder)],
        ["trace", "save", "x", "--state", str(short_folder)],
        ["trace", "play", str(short_folder / "none")],
        ["trace", "export", str(short_folder / "none"), "x"],
        ["core", "watch", "--only", "smells"],
        ["trace", "play", "x", "--speed", "0"],
    ):
        done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, check=False)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
