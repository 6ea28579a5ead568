"""Counters: what is counted, how it is kept, and that nothing that happens to the file stops a console."""

import errno
import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.console import load as describe
from bridge.daemon import counters
from bridge.daemon.counters import Counted, LampHours, lines, load, pack, save
from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.links.client import CoreClient
from bridge.workshop.counting import counted
from tests.daemon.harness import Rig, without_filaments
from tests.virtual import run_virtually

SOME = Counted({"A.0": 3600.0}, Counter({"GO": 3}), Counter({"reader": 1032}), Counter({"punch": 2}), 17)


def test_kept_and_read_again(tmp_path: Path) -> None:
    save(tmp_path, SOME.plain())
    assert load(tmp_path) == (SOME, "")
    assert [path.name for path in tmp_path.iterdir()] == [counters.FILE]


def test_none_yet(tmp_path: Path) -> None:
    assert load(tmp_path) == (Counted(), "")


def damaged() -> list[bytes]:
    whole = pack(SOME.plain())
    bits = [whole[:n] + bytes([whole[n] ^ 1]) + whole[n + 1 :] for n in range(0, len(whole) - 1, 7)]
    others: list[Any] = [[], {}, {"format": 2}, {"format": 1, "counted": 3}, "x"]
    impossible = [SOME.plain() | {"characters": 1, "keys": {"GO": value}} for value in (-1, 1e13, "many", None)]
    return [
        *(whole[:cut] for cut in range(0, len(whole) - 2, 5)),
        *bits,
        *(json.dumps(other).encode() for other in others),
        *map(pack, impossible),
        pack({"lamps": []}),
        bytes(500),
        b"[" * 100_000,
    ]


@pytest.mark.parametrize("content", damaged(), ids=range(len(damaged())))
def test_a_torn_or_strange_file_is_put_aside(tmp_path: Path, content: bytes) -> None:
    (tmp_path / counters.FILE).write_bytes(content)
    found, words = load(tmp_path)
    assert found == Counted()
    assert "is kept as counters.set-aside; counting begins anew" in words
    assert (tmp_path / "counters.set-aside").read_bytes() == content


def test_lamp_hours() -> None:
    # source: arithmetic.
    found = Counted({"A": 10.0, "OLD": 7.0})
    hours = LampHours(["A", "B"], found)
    for now, codes in ((0, [1, 1]), (2, [4095, 0]), (5, [0, 1]), (6, [1, 0])):
        hours.look(now * 10**9, np.array(codes, np.uint16))
    hours.settle()
    assert found.lamps == pytest.approx({"A": 13.0, "B": 3.0, "OLD": 7.0})


def test_in_words() -> None:
    assert lines(SOME.plain()) == [
        "typewriter: 17 characters",
        "reader: 1,032 cards",
        "punch: 2 sticks put in",
        "lamp A.0: 1.0 h",
        "key GO: 3 throws",
    ]


def panel(folder: Path) -> Any:
    del folder
    return without_filaments(describe(examples() / "first-panel.toml"))


async def an_hour(rig: Rig) -> None:
    client = CoreClient(str(rig.sockets.core), "trial", ["A.0"], ["W.0"], ticks_per_second=1e4, run=5)
    await rig.talk(client, 20)
    client.rest(1)
    for _ in range(2):
        rig.daemon.panel.throw("W.0", closed=True)
        await rig.talk(client, 100)
        rig.daemon.panel.throw("W.0", closed=False)
        await rig.talk(client, 100)
    await rig.wait(100)
    client.close()


def test_counted_over_restarts(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path, panel(tmp_path)) as rig:
            await an_hour(rig)

    run_virtually(main())
    first, words = load(tmp_path)
    assert (words, first.keys) == ("", {"W.0": 2})
    # source: arithmetic: lit for four tenths of a second and a little more.
    assert 0.4 <= first.lamps["A.0"] <= 0.7
    assert "A.1" not in first.lamps
    run_virtually(main())
    assert load(tmp_path)[0].keys == {"W.0": 4}
    assert "key W.0: 4 throws" in counted(tmp_path)


def test_written_every_ten_minutes_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[dict[str, Any]] = []

    def note(folder: Path, told: dict[str, Any]) -> None:
        written.append(told)
        save(folder, told)

    monkeypatch.setattr(counters, "save", note)

    async def main() -> None:
        async with Rig(tmp_path, panel(tmp_path)) as rig:
            keys: Counter[str] = rig.daemon._counted.keys  # type: ignore[union-attr]
            count = rig.daemon._keep_counters
            await count()
            assert written == []
            keys["W.0"] += 1
            await count()
            await count()
            assert len(written) == 1
            keys["W.0"] += 1

    run_virtually(main())
    assert [told["keys"] for told in written] == [{"W.0": 1}, {"W.0": 2}]
    assert counters.EVERY >= 300


def test_a_full_disk_is_told_and_stops_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(folder: Path, told: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(counters, "save", full)

    async def main() -> None:
        async with Rig(tmp_path, panel(tmp_path)) as rig:
            await an_hour(rig)
            await rig.daemon._keep_counters()
            state = rig.state_of("counters")
            assert state is not None
            assert "No space left on device" in state.words
            await an_hour(rig)

    run_virtually(main())


def test_a_bad_file_does_not_stop_the_start(tmp_path: Path) -> None:
    (tmp_path / counters.FILE).write_bytes(b"\0" * 300)

    async def main() -> None:
        async with Rig(tmp_path, panel(tmp_path)) as rig:
            state = rig.state_of("counters")
            assert state is not None
            assert state.state == "set-aside"
            assert any(line["topic"] == "counters" for line in rig.daemon.observers.snapshot())

    run_virtually(main())


def test_nobody_knows(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match=r"no counters can be read here .* with --state"):
        counted(tmp_path)
    (tmp_path / counters.FILE).write_bytes(b"x")
    with pytest.raises(ConsoleError, match="these counters are damaged"):
        counted(tmp_path)
