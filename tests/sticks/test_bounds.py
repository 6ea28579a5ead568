"""What sticks that mean harm may cost, counted and measured; what is said of them is in test_hostile.py.

source: common practice, none; the limits are those of bridge/cards/folder.py and deck.py.
"""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any, Self

import pytest

from bridge.cards import folder
from bridge.cards.deck import MAX_BYTES
from bridge.cards.folder import MAX_ENTRIES
from bridge.cards.hopper import look
from tests.sticks.test_hostile import MEGABYTE, bytes_of, huge, many_decks, many_files

DAEMON = """
import asyncio, sys
from pathlib import Path
from bridge.cards.hopper import look
from bridge.sticks.worker import Worker

def memory(what):
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(what)) * 1024

async def main():
    worker = Worker(patience=30.0)
    await worker(look, Path("/nowhere"))
    before = memory("VmRSS")
    for stick in sys.argv[1:]:
        print((await worker(look, Path(stick))).state)
    await worker.close()
    print(memory("VmHWM") - before)

asyncio.run(main())
"""


def test_a_daemon_takes_little_memory_for_them_even_for_a_moment(tmp_path: Path) -> None:
    makers = (many_files, many_decks, huge, bytes_of(b"X" * 20_000_000), bytes_of(b"CARD\n" * 50_000))
    sticks = [tmp_path / str(n) for n in range(len(makers))]
    for stick, make in zip(sticks, makers, strict=True):
        stick.mkdir()
        make(stick)
    done = subprocess.run([sys.executable, "-c", DAEMON, *sticks], stdout=subprocess.PIPE, text=True, check=True)
    *states, more = done.stdout.split()
    assert states == ["not-ready", "check", "check", "check", "deck"]
    assert int(more) < 50 * MEGABYTE


def test_no_more_is_looked_at_than_a_good_stick_may_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work is counted, not timed: entries that are listed, and bytes that are asked for."""
    listed, asked = 0, 0
    scandir, read = os.scandir, folder.read

    class Counted:
        def __init__(self, path: Path) -> None:
            self._listing = scandir(path)

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            self._listing.close()

        def __iter__(self) -> Self:
            return self

        def __next__(self) -> Any:
            nonlocal listed
            listed += 1
            return next(self._listing)

    def count(path: Path, name: str, limit: int) -> bytes:
        nonlocal asked
        asked += limit
        return read(path, name, limit)

    monkeypatch.setattr(os, "scandir", Counted)
    monkeypatch.setattr(folder, "read", count)
    crowd, sparse = tmp_path / "crowd", tmp_path / "sparse"
    for stick in (crowd, sparse):
        stick.mkdir()
    for n in range(MAX_ENTRIES + 100):
        (crowd / str(n)).touch()
    huge(sparse)
    seen = [look(stick) for stick in (crowd, sparse)]
    assert [sight.state for sight in seen if sight] == ["not-ready", "check"]
    assert listed == MAX_ENTRIES + 1 + 2  # the deck on the other, and its end
    assert asked == MAX_BYTES + 1
