"""The command as people meet it: what they type, what they read, how it ends."""

import importlib.metadata
import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge import cli
from bridge.files import examples
from tests.console.sample import changed

FIRST = str(examples() / "first-panel.toml")


def command(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    """Run the command in this process and return its exit status."""
    monkeypatch.setattr(sys, "argv", ["consolewright", *words])
    with pytest.raises(SystemExit) as end:
        cli.main()
    return end.value.code if isinstance(end.value.code, int) else 1


def test_check_prints_what_is_wired(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(monkeypatch, "check", FIRST) == 0
    out = capsys.readouterr().out
    assert "8 lamps, 8 keys" in out
    assert "latch GPIO 24" in out
    flat = " ".join(out.split())
    assert "lamp driver: dimmed LEDs are switched at 977 Hz, depth 100 %: above the low-risk level" in flat


@pytest.mark.parametrize(("fall", "told"), [("33", False), ("90", True)])
def test_check_tells_of_a_rise_and_a_fall_that_disagree(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], fall: str, told: bool
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(changed(("fall_ms = 33", f"fall_ms = {fall}")))
    assert command(monkeypatch, "check", str(file)) == 0
    assert ('Lamp kind "glow": rise_ms and fall_ms disagree' in capsys.readouterr().out) is told


def test_version_is_that_of_the_package(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(importlib.metadata, "version", lambda name: f"1.2.3 of {name}")
    assert command(monkeypatch, "--version") == 0
    assert capsys.readouterr().out == "consolewright 1.2.3 of consolewright\n"

    def nowhere(name: str) -> str:
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.metadata, "version", nowhere)
    assert command(monkeypatch, "--version") == 0
    assert capsys.readouterr().out == "consolewright (not installed)\n"


def test_schema_is_json(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(monkeypatch, "schema") == 0
    assert "$schema" in json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("words", [(), ("fly",), ("run", FIRST, "--pace", "0"), ("run", FIRST, "--pace", "soon")])
def test_words_it_does_not_know_end_with_usage(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert command(monkeypatch, *words) == 2
    assert "usage: consolewright" in capsys.readouterr().err


@contextmanager
def busy_socket(folder: Path) -> Iterator[None]:
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(folder / "core.sock"))
        other.listen()
        yield


def test_bad_input_at_the_start_is_said_with_status_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    description = tmp_path / "panel.toml"
    hopper = tmp_path / "state" / "reader"
    hopper.mkdir(parents=True)
    good = (examples() / "first-panel.toml").read_text() + '\n[reader]\nfolder = "reader"\ncards_per_minute = 300\n'
    description.write_text(good)
    state = str(tmp_path / "state")

    def said(*words: str) -> str:
        assert command(monkeypatch, "run", *words, "--rehearse", "--state", state) == 2
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return err

    assert "no such file" in said(str(tmp_path / "nowhere.toml")).lower()

    description.write_text(good + "\nthis is no toml\n")
    assert f"{description}:" in said(str(description))

    description.write_text(good.replace("blank = 25", "blnk = 25"))
    assert 'did you mean "blank"' in said(str(description))

    description.write_text(good)
    (hopper / "long.deck").write_text("SHORT\n" + "X" * 81 + "\n")
    long = said(str(description))
    assert "long.deck, line 2" in long
    assert "81" in long
    assert str(hopper) in long

    (hopper / "long.deck").write_text("OK\nPREIS 5 €\n")
    assert "long.deck, line 2, column 9" in said(str(description))

    description.write_text(good + 'code = "commercial"\n')
    (hopper / "long.deck").write_text("OK\nPREIS 5 @\nA + B\n")
    assert "long.deck, line 3, column 3: + (U+002B PLUS SIGN) is not in card code commercial" in said(str(description))
    description.write_text(good)

    (hopper / "long.deck").unlink()
    with busy_socket(tmp_path / "state"):
        assert "another consolewright is running" in said(str(description))

    (tmp_path / "state" / "format").write_text("99\n")
    assert "newer version" in said(str(description))

    state = str(tmp_path / "panel.toml" / "below-a-file")
    assert "Give another folder with --state" in said(str(description))


def test_real_wires_that_are_not_there_are_said_with_status_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    assert command(monkeypatch, "run", FIRST, "--state", str(tmp_path)) == 2
    err = capsys.readouterr().err
    assert "lgpio is not installed" in err
    assert "--rehearse" in err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_run_says_where_it_listens_and_stops_at_a_signal(tmp_path: Path, number: signal.Signals) -> None:
    hopper = tmp_path / "reader"
    hopper.mkdir()
    (hopper / "bad.deck").write_text("X" * 81 + "\n")
    skerry = str(examples() / "skerry.toml")
    words = ["run", skerry, "--rehearse", "--unattended", "--state", str(tmp_path)]
    with subprocess.Popen([sys.executable, "-m", "bridge", *words], stdout=subprocess.PIPE, text=True) as daemon:
        assert daemon.stdout is not None
        before = []
        for line in daemon.stdout:
            before.append(line.rstrip("\n"))
            if {"ready", "reader"} <= {said.partition(":")[0] for said in before}:
                break
        daemon.send_signal(number)
        after = daemon.stdout.read()
    assert daemon.returncode == 0
    assert f"core socket: {tmp_path}/core.sock" in before
    assert f"observer socket: {tmp_path}/observer.sock" in before
    assert f"rehearsal socket: {tmp_path}/rehearsal.sock" in before
    assert "ready: Skerry Mk 2" in before
    assert any(line.startswith("reader: check - bad.deck, line 1") for line in before)
    assert after.splitlines()[-1] == "stopping: the lamps go dark"


def test_a_reader_of_our_output_that_goes_is_no_traceback() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "bridge", "schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as schema:
        assert schema.stdout is not None
        assert schema.stderr is not None
        schema.stdout.close()
        assert b"Traceback" not in schema.stderr.read()


def test_every_door_imports_only_what_it_needs() -> None:
    # A Pi takes seconds to import what the demo needs; printing usage must not.
    program = "import sys, bridge.cli; bridge.cli.parser(); print(*sys.modules)"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert {"numpy", "pydantic", "rich", "gpiozero", "asyncio"} & set(said.stdout.split()) == {"asyncio"}


def test_pace_is_a_number_or_max() -> None:
    options = cli.parser().parse_args(["run", FIRST, "--pace", "max"])
    assert options.pace == float("inf")
    assert cli.parser().parse_args(["run", FIRST, "--pace", "2.5"]).pace == 2.5
