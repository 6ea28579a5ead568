"""The whole demo as a newcomer runs it: real processes, real sockets, a real pseudo-terminal, as fast as it goes."""

import json
import math
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.console import load
from bridge.files import examples
from tests.demo.interpreter import CODE

DEGREE = math.pi / 180


def punched_text(deck: Path) -> list[str]:
    """Return each card of a deck file as text, decoded from its holes by the published table."""
    cards = []
    for line in deck.read_text(encoding="utf-8").split("\n")[:-1]:
        holes = [ord(c) - 0xE000 if ord(c) >= 0xE000 else None for c in line]
        cards.append("".join(chr(CODE[h]) if h is not None else c for h, c in zip(holes, line, strict=True)))
    return cards


def heights_by_formula(constants: Path) -> list[float]:
    """Return 72 hourly heights in metres. source: NOAA CO-OPS: h = H0 + sum f H cos(a t + (V0+u) - kappa)."""
    first, *cards = constants.read_text().splitlines()
    waves = [[float(number) for number in card[4:].split()] for card in cards if not card.startswith("END")]
    return [
        float(first[20:]) + sum(f * h * math.cos((a * t + phase - kappa) * DEGREE) for a, f, h, phase, kappa in waves)
        for t in range(72)
    ]


def demo(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "bridge", "demo", "--headless", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=50, check=False)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("demo") / "out"
    said = demo("--pace", "max", "--out", str(out))
    assert said.returncode == 0, said.stderr
    assert said.stderr == ""
    return out, said.stdout


def test_the_punched_heights_are_those_of_the_formula(results: tuple[Path, str]) -> None:
    cards = punched_text(results[0] / "punched.deck")
    heights = [float(number) for card in cards for number in card[25:].split()]
    assert heights == pytest.approx(heights_by_formula(examples() / "decks" / "gannet-bay.deck"), abs=0.01)
    assert len(cards) == 12
    assert all(card.startswith("GANNET BAY") for card in cards)


def test_the_typed_page_says_what_was_punched(results: tuple[Path, str]) -> None:
    out, said = results
    lines = (out / "typed.txt").read_text().splitlines()
    table = {line[:3].strip(): line[3:].split() for line in lines if line[:3].strip().isdigit()}
    typed = [float(table[f"{hour:02d}"][day]) for day in range(3) for hour in range(24)]
    punched = [float(number) for card in punched_text(out / "punched.deck") for number in card[25:].split()]
    assert typed == punched
    assert "GANNET BAY" in lines[1]
    assert all(f"  | {line}" in said for line in lines[:5])


def test_the_lamps_are_those_of_a_halted_machine(results: tuple[Path, str]) -> None:
    lamps = json.loads((results[0] / "lamps.json").read_text())
    assert list(lamps) == [lamp.name for lamp in load(examples() / "skerry.toml").lamps]
    assert set(lamps.values()) == {0, 4095}
    assert (lamps["STOPPED"], lamps["RUN"], lamps["ERROR"], lamps["POWER"]) == (4095, 0, 0, 4095)


def test_it_says_where_the_results_are(results: tuple[Path, str]) -> None:
    out, said = results
    assert "Three days of tides at Gannet Bay are computed, typed and punched.\n" in said
    for line, name in zip(said.splitlines()[-3:], ("typed.txt", "punched.deck", "lamps.json"), strict=True):
        what, _, path = line.partition(":")
        assert what.startswith("the ")
        assert path.strip() == str(out / name)
        assert (out / name).stat().st_size


def test_a_folder_that_cannot_be_made_is_said_with_status_2(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    said = demo("--out", str(tmp_path / "file" / "out"))
    assert said.returncode == 2
    assert "Name another folder with --out" in said.stderr


def test_results_that_cannot_be_written_are_said_before_the_job(tmp_path: Path) -> None:
    (tmp_path / "typed.txt").mkdir()
    said = demo("--out", str(tmp_path))
    assert said.returncode == 2
    assert f"{tmp_path / 'typed.txt'}: cannot be written" in said.stderr


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_ended_in_the_middle_it_takes_everything_with_it(
    tmp_path: Path, short_folder: Path, number: signal.Signals
) -> None:
    command = [sys.executable, "-m", "bridge", "demo", "--headless", "--out", str(tmp_path / "out")]
    environment = os.environ | {"TMPDIR": str(short_folder)}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert "LOAD" in process.stdout.readline()
        process.send_signal(number)
        # The pipes close when the last of its processes is gone.
        process.stdout.read()
        assert process.stderr.read() == ""
    assert process.returncode == 128 + signal.SIGTERM
    assert list(short_folder.iterdir()) == []
