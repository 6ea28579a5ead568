"""source: sd-daemon(3), systemd.exec(5): <N> in front of each line, and $JOURNAL_STREAM names the journal's socket."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.daemon.journal import FAULT, WARNING, leveled
from tests.daemon.panels import SMALL


def journal(descriptor: int) -> dict[str, str]:
    there = os.fstat(descriptor)
    return {"JOURNAL_STREAM": f"{there.st_dev}:{there.st_ino}"}


def test_every_line_has_its_level_in_the_journal_and_none_elsewhere(tmp_path: Path) -> None:
    with (tmp_path / "a").open("w") as one, (tmp_path / "b").open("w") as other:
        assert leveled("a\nb", FAULT, one, journal(one.fileno())) == "<3>a\n<3>b"
        assert leveled("a", WARNING, one, journal(other.fileno())) == "a"
        assert leveled("a", WARNING, one, {}) == "a"
    assert leveled("a", WARNING, one, {"JOURNAL_STREAM": "1:1"}) == "a"  # it is closed


@pytest.mark.parametrize("in_journal", [True, False])
def test_what_is_wrong_is_marked_and_nothing_else(tmp_path: Path, in_journal: bool) -> None:
    file = tmp_path / "small.toml"
    file.write_text(SMALL.format(cards_per_minute=300))
    (tmp_path / "state" / "reader").mkdir(parents=True)
    (tmp_path / "state" / "reader" / "bad.deck").write_text("X" * 81 + "\n")
    words = ["run", str(file), "--rehearse", "--unattended", "--state", str(tmp_path / "state")]
    read, write = os.pipe()
    environment = {**os.environ, **(journal(write) if in_journal else {})}
    command = [sys.executable, "-m", "bridge", *words]
    with subprocess.Popen(command, env=environment, stdout=write) as daemon, open(read) as said:  # noqa: PTH123
        os.close(write)
        lines = []
        for line in said:
            lines.append(line)
            # Told in either order.
            if all(any(word in one for one in lines) for word in ("reader: check", "ready: ")):
                daemon.send_signal(signal.SIGTERM)
    marked = [line for line in lines if line.startswith("<")]
    assert [line[: len("<4>reader: check")] for line in marked] == ["<4>reader: check"] * in_journal
    assert len(lines) > 5


def test_why_it_cannot_start_is_marked_line_by_line(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("format = 1\nname = 1\nboard = 2\n")
    read, write = os.pipe()
    command = [sys.executable, "-m", "bridge", "run", str(tmp_path / "bad.toml")]
    environment = {**os.environ, **journal(write)}
    with subprocess.Popen(command, env=environment, stderr=write) as daemon, open(read) as said:  # noqa: PTH123
        os.close(write)
        lines = said.read().splitlines()
    assert daemon.returncode == 2
    assert len(lines) >= 2
    assert all(line.startswith("<3>") for line in lines)
