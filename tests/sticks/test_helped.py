import asyncio
import json
import re
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.install import stick as stick_helper
from bridge.sticks.helped import PATIENCE, HelpedMounts
from bridge.sticks.mounts import MountError
from bridge.sticks.ports import Volume
from tests.sticks.sample import made, stick
from tests.virtual import run_virtually

VOLUME = Volume(1, stick(2, DISKSEQ="12")[1])


class Bench:
    """The helper's files, and the mount step that reads them."""

    def __init__(self, folder: Path) -> None:
        self.status = folder / "status"
        self.status.mkdir()
        self.mounts = HelpedMounts(folder)
        self.say(7, "mounted", hopper="punch")

    def say(self, diskseq: int, state: str, reason: str = "", hopper: str = "reader") -> None:
        # source: the helper's own words (tests/install/test_stick.py holds it to them)
        status = {"hopper": hopper, "state": state, "reason": reason, "diskseq": diskseq, "folder": f"/run/x/{hopper}"}
        (self.status / f"{hopper}.json").write_text(json.dumps(status))


def run(tmp_path: Path, scenario: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    run_virtually(scenario(Bench(tmp_path)))


def test_a_stick_is_where_the_helper_says(tmp_path: Path) -> None:
    async def scenario(bench: Bench) -> None:
        bench.say(12, "mounted")
        assert await bench.mounts.mount(VOLUME) == Path("/run/x/reader")
        await bench.mounts.unmount(VOLUME)
        assert bench.mounts.trouble([VOLUME.device]).startswith("the stick is formatted")

    run(tmp_path, scenario)


@pytest.mark.parametrize(("diskseq", "state"), [(11, "mounted"), (11, "refused"), (12, "empty")])
def test_it_waits_for_what_becomes_of_this_one(tmp_path: Path, diskseq: int, state: str) -> None:
    async def scenario(bench: Bench) -> None:
        bench.say(diskseq, state)
        mounting = asyncio.ensure_future(bench.mounts.mount(VOLUME))
        await asyncio.sleep(PATIENCE / 2)
        assert not mounting.done()
        bench.say(12, "mounted")
        assert await mounting == Path("/run/x/reader")

    run(tmp_path, scenario)


def test_a_helper_that_says_nothing_is_pointed_to(tmp_path: Path) -> None:
    async def scenario(bench: Bench) -> None:
        with pytest.raises(MountError, match="journalctl -u consolewright-stick@12"):
            await bench.mounts.mount(VOLUME)

    run(tmp_path, scenario)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("file-system:ext4", "the stick is formatted ext4: format it FAT or exFAT, or use another"),
        ("unformatted", "the stick is not formatted: format it FAT or exFAT, or use another"),
        ("corrupt", "the files on the stick are damaged"),
        ("ambiguous", "formatted in two ways at once"),
        ("several", "the stick has several places for files"),
        ("write-protected", "the stick is write-protected: free it, or put another in"),
        ("swapped", "pull it out and put it in again"),
        ("unreadable", "the stick cannot be read"),
        ("in-use", "something else has mounted the stick"),
        ("failed:ENODEV", "the stick cannot be mounted (ENODEV)"),
        ("something new", "the stick cannot be mounted (something new)"),
    ],
)
def test_why_a_stick_was_refused_is_said_to_people(tmp_path: Path, reason: str, words: str) -> None:
    async def scenario(bench: Bench) -> None:
        bench.say(12, "refused", reason)
        with pytest.raises(MountError) as caught:
            await bench.mounts.mount(VOLUME)
        assert words in str(caught.value)
        # A stick on which udev found nothing to mount is told of in the same words.
        assert bench.mounts.trouble([made(2, {"DISKSEQ": "12"})]) == str(caught.value)

    run(tmp_path, scenario)


def test_every_reason_the_helper_may_give_has_words(tmp_path: Path) -> None:
    # source: the codes that the helper's own documentation lists
    reasons = re.findall(r"`([a-z-]+)(?::[A-Z]+)?`", (stick_helper.__doc__ or "").partition("Reasons are codes")[2])
    assert {"file-system", "no-medium", "failed"} < set(reasons)

    async def scenario(bench: Bench) -> None:
        for reason in set(reasons) - {"failed"}:
            bench.say(12, "refused", reason)
            assert "cannot be mounted (" not in bench.mounts.trouble([VOLUME.device])

    run(tmp_path, scenario)


def test_what_the_helper_does_not_know_udev_does(tmp_path: Path) -> None:
    async def scenario(bench: Bench) -> None:
        assert bench.mounts.trouble([]) == "no stick is in"
        assert bench.mounts.trouble([made(2)]).startswith("the stick is not formatted")

    run(tmp_path, scenario)
