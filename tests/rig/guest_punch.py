"""Sticks pulled out of the punch without a word, and the power that goes: what the core was told is safe is safe.

The rule is the project's own promise; what the kernel does to a file system whose stick goes is the kernel's.
"""

import base64
import random
from pathlib import Path

import pytest

from bridge.cards.code import X3_26
from bridge.cards.spool import load
from tests.rig import sticks
from tests.rig.console import PUNCH, STATE, Console


def cards(files: dict[str, bytes]) -> list[int]:
    """Return the numbers of the cards in punched decks, the decks in their order."""
    decks = sorted(
        (int(name[len("punched-") : -len(".deck")]), data) for name, data in files.items() if ".deck" in name
    )
    return [int(line.removeprefix("CARD ")) for _, deck in decks for line in deck.decode().splitlines()]


def spool_is_whole(console: Console, folder: Path) -> None:
    """See that nothing in the punch's spool has to be set aside."""
    folder.mkdir()
    for name in console.machine.do(f"ls {STATE}/spool").split():
        text = console.machine.do(f"base64 -w0 {STATE}/spool/{name}")
        (folder / name).write_bytes(base64.b64decode(text))
    assert load(folder, X3_26).words == ()


def settle_spool(console: Console) -> None:
    """Have what is owed from before punched on some stick."""
    console.machine.do("systemctl stop consolewright-core")
    console.machine.plug(PUNCH, sticks.fat(console.image()))
    console.until("punch", "ready")
    console.machine.pull_all()
    console.until("punch", "not-ready")


@pytest.mark.parametrize(("kind", "times", "stick"), [*(("FAT", 10, n) for n in range(3)), ("exFAT", 5, 0)])
def test_no_card_is_lost_or_punched_twice_on_a_stick_that_is_pulled(
    console: Console, tmp_path: Path, kind: str, times: int, stick: int
) -> None:
    settle_spool(console)
    first = console.punching()
    rng = random.Random(f"{kind} {stick}")
    image = (sticks.fat if kind == "FAT" else sticks.exfat)(console.image())
    read = sticks.files if kind == "FAT" else console.files
    last = first - 1
    for n in range(times):
        plugged = console.machine.plug(PUNCH, image)
        console.until_safe(last + rng.randrange(1, 12))
        for _ in range(rng.randrange(60)):
            console.machine.qmp("query-status")
        console.machine.pull(plugged)
        console.until("punch", "not-ready")
        last = console.safe
        on_it = cards(read(image))
        assert on_it in (list(range(first, last + 1)), list(range(first, last + 2)))
        spool_is_whole(console, tmp_path / str(n))
    console.machine.plug(PUNCH, image)
    console.until_safe(last + 5)
    console.machine.do("systemctl stop consolewright-core")
    console.until("punch", "ready")
    console.machine.pull_all()
    on_it = cards(read(image))
    assert on_it == list(range(first, first + len(on_it)))
    assert on_it[-1] >= console.safe


def test_no_card_is_lost_or_punched_twice_when_the_power_goes(console: Console) -> None:
    settle_spool(console)
    image = sticks.fat(console.image())
    first = console.punching()
    console.machine.plug(PUNCH, image)
    console.until_safe(first + 6)
    console.restart(cut=True)
    console.core("skerry")
    console.machine.plug(PUNCH, image)
    console.until("punch", "ready")
    console.machine.pull_all()
    on_it = cards(sticks.files(image))
    assert on_it in (list(range(first, console.last_safe + 1)), list(range(first, console.last_safe + 2)))
