"""The demonstration's jobs on sticks in real USB ports, with a typewriter on a real serial line.

What must come of them is what comes of them on this machine with everything rehearsed, which other tests hold to
published heights and to an independent interpreter.
"""

import asyncio
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from bridge.demo.jobs import CONDENSED, DOUBLE_PASS, PUNCHED, RESIDUALS, TIDES, TYPED, Done, Job
from bridge.demo.screen import Plain
from tests.rig.console import DECKS, Console
from tests.rig.operator import Hands


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The jobs' results with everything rehearsed."""
    folder = tmp_path_factory.mktemp("rehearsed")
    for job in ([], ["--double-pass"]):
        demo = [sys.executable, "-m", "bridge", "demo", "--headless", "--pace", "max", *job]
        subprocess.run([*demo, "--out", folder / ("double" if job else "tides")], check=True, stdout=subprocess.DEVNULL)
    return folder


def done(hands: Hands, job: Job) -> Done:
    """Have hands do a job."""

    async def work() -> Any:
        await hands.put_in("punch", hands.stick())
        return await job.do(hands, Plain(), DECKS)

    result: Done = asyncio.run(hands.work(work))
    return result


def expected(folder: Path, name: str) -> str:
    """Return what came of a job when everything was rehearsed."""
    return (folder / name).read_text()


@pytest.fixture
def untouched(console: Console) -> Console:
    """A console with all its keys at rest, whatever a job before has left thrown, and the demonstration's machine."""
    console.machine.do("systemctl restart consolewright")
    console.core("skerry")
    return console


@pytest.mark.parametrize("kind", ["FAT", "exFAT"])
def test_tides_are_computed_from_sticks_and_punched_on_one(untouched: Console, rehearsed: Path, kind: str) -> None:
    hands = Hands(untouched) if kind == "FAT" else Hands(untouched, untouched.make_exfat, untouched.files)
    results = done(hands, TIDES).results
    assert results[TYPED] == expected(rehearsed / "tides", TYPED)
    assert results[PUNCHED] == expected(rehearsed / "tides", PUNCHED)


def test_a_deck_is_read_twice_and_a_condensed_program_does_the_same_again(untouched: Console, rehearsed: Path) -> None:
    results = done(Hands(untouched), DOUBLE_PASS).results
    for name in (TYPED, RESIDUALS, CONDENSED):
        assert results[name] == expected(rehearsed / "double", name), name
