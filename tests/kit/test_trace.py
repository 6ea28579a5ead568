"""Recordings: kept, read, put into words, played on another panel, and read back from a value change dump."""

import asyncio
import json
import struct
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.console import load
from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.kit.trace import follow
from bridge.kit.trace.follow import Recorder, told, watch
from bridge.kit.trace.play import Manner, Player, schedule
from bridge.kit.trace.record import KINDS, Record, Recording, line_of, read, record_of, text_of, write
from bridge.kit.trace.ring import Ring
from bridge.kit.trace.vcd import dump
from bridge.kit.trace.words import Teller, rows
from bridge.links.client import CoreClient
from bridge.links.messages import (
    TASK_SAVE,
    CardRead,
    Cause,
    Credit,
    Device,
    Done,
    Have,
    Hello,
    Key,
    Keyboard,
    Knows,
    Lamps,
    LastCard,
    Message,
    OwnTime,
    Punch,
    Punched,
    Read,
    Refused,
    Task,
    Type,
    Welcome,
    encode,
)
from tests.daemon.harness import Rig
from tests.kit.expected import expected
from tests.kit.toys import Toy
from tests.kit.wave import Wave
from tests.virtual import run_virtually

SECOND = 1_000_000_000
LAMPS = ("A.3", "A.2", "A.1", "A.0", "RUN", "STEP ORDER")
KEYS = ("W.1", "W.0", "GO")
HELLO = Hello(1, 1, 7, 1e4, "toy", LAMPS, KEYS)
WELCOME = Welcome(1, 1.0, b"\x04", (), ())


def at(seconds: float, message: Message | None, sender: Any = "core") -> Record:
    return Record(round(seconds * SECOND), sender, message)


def frame(bits: int, elapsed: int = 0, on: tuple[int, ...] = ()) -> Lamps:
    return Lamps(elapsed, bytes([bits]), struct.pack(f"<{len(on)}I", *on))


RECORDS = [
    at(10, HELLO),
    at(10.1, WELCOME, "daemon"),
    at(10.2, frame(0b010001)),
    at(10.3, Key(round(10.29 * SECOND), 0, 1), "daemon"),
    at(10.4, frame(0b010010, 100, (0, 100, 50, 0, 100, 3))),
    at(10.5, Read()),
    at(10.6, CardRead(5, 1, 2, struct.pack("<80H", 0xFFF, 0x801, *range(78))), "daemon"),
    at(10.7, Punch(1, struct.pack("<80H", *range(80)))),
    at(10.8, Punched(1, 9), "daemon"),
    at(10.9, Credit(9), "daemon"),
    at(11.0, Type(b"TIDE $1\r\n")),
    at(11.1, Type(b"TIDE $1\r\n")),
    at(11.2, Keyboard(b"\0Z"), "daemon"),
    at(11.3, LastCard(5, 1), "daemon"),
    at(11.4, None),
    # Another core, with its lamps in another order, and one of its own.
    at(12.0, replace(HELLO, lamps=("RUN", "A.0", "NEW"), keys=("GO",))),
    at(12.1, Welcome(1, 1.0, b"\x00", (), ()), "daemon"),
    at(12.2, frame(0b111, 8, (8, 4, 2))),
]


def test_a_file_gives_back_what_was_written(tmp_path: Path) -> None:
    file = tmp_path / "evening.trace"
    write(file, "First panel", RECORDS)
    assert read(file) == Recording("First panel", RECORDS)
    # A last line that was cut off is no reason to lose the rest.
    file.write_text(file.read_text()[:-9])
    assert list(read(file).records) == RECORDS[:-1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "this is no recording"),
        ('{"topic":"hello"}\n', "this is no recording"),
        ('{"topic":"trace","format":2}\n', "format 2"),
        ('{"topic":"trace","format":1}\n[]\n', "line 2: this is no record"),
        ('{"topic":"trace","format":1}\n{"topic":"core","from":"core","at":1}\n', "line 2"),
        ('{"topic":"trace","format":1}\n{"topic":"core","from":"core","at":1,"bytes":"AQ"}\n', "line 2"),
        ('{"topic":"trace","format":1}\n{"topic":"core","from":"me","at":1,"bytes":""}\n', "line 2"),
        (
            '{"topic":"trace","format":1}\n{"topic":"core","from":"core","at":1,"bytes":"AQAAAHA="}\n',
            "0 known messages",
        ),
    ],
)
def test_what_is_no_recording_is_said_with_its_line(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "bad.trace"
    file.write_text(text)
    with pytest.raises(ConsoleError, match=words):
        read(file)


def test_files_that_cannot_be_used_are_said(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match="cannot be read"):
        read(tmp_path / "none")
    with pytest.raises(ConsoleError, match="cannot be written"):
        write(tmp_path / "none" / "file", "x", [])
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    with pytest.raises(ConsoleError, match="this is no recording"):
        read(tmp_path / "bytes")


def test_the_ring_is_bounded_and_begins_with_how_things_stood() -> None:
    ring = Ring(1.0, 10_000)
    for record in RECORDS[:9]:
        ring.add(record)
    assert list(ring.records()) == RECORDS[:9]
    ring.add(at(11.35, Read()))
    begun = list(ring.records())
    assert [record.message for record in begun[:3]] == [HELLO, replace(WELCOME, closed=b"\x05"), frame(0b010001)]
    assert begun[3:] == [*RECORDS[4:9], at(11.35, Read())]
    small = Ring(1e6, 400)
    for record in RECORDS[:14]:
        small.add(record)
    kept = list(small.records())[3:]
    assert kept == RECORDS[14 - len(kept) : 14]
    assert sum(len(encode(record.message)) for record in kept if record.message) <= 400
    small.add(RECORDS[14])
    for n in range(100):
        small.add(at(12 + n, Read()))
    assert {type(record.message) for record in small.records()} == {Read}


def test_records_are_told_in_words() -> None:
    teller = Teller()
    told = [teller.tell(record) for record in (*RECORDS[:6], *RECORDS[8:15])]
    assert [line and line[24:] for line in told] == [
        "HELLO toy, run 7, 6 lamps, 3 keys, 10,000 ticks a second",
        "WELCOME version 1, pace 1",
        "LAMPS at rest: A 1000, RUN",
        "KEY W.1 closed, first seen 10.0 ms ago",
        "LAMPS running: A 0100, RUN",
        "READ",
        "PUNCHED 1",
        "CREDIT 9",
        "TYPE 'TIDE $1\\r\\n'",
        "TYPE 'TIDE $1\\r\\n'",
        "KEYBOARD '\\x00Z'",
        "LAST CARD 5",
        "the core has gone",
    ]
    assert told[0] is not None
    assert told[0].startswith("    0.000000  core >  ")
    card = teller.tell(at(12, CardRead(5, 1, 2, struct.pack("<80H", 0x901, *[0] * 79)), "daemon"))
    # source: ANSI X3.26: rows 12 and 9 are I, row 12 counts 2048, row 1 256, row 9 1.
    assert card == "    2.000000  < daemon  CARD 5 |\ue901|"


def test_tasks_and_ends_are_told_in_words() -> None:
    teller = Teller()
    messages: list[Message] = [
        *(Knows(0), Knows(2), Knows(3), Task(1, TASK_SAVE, 5000, "evening"), Task(2, 9, 1, "x"), Done(1, 0, "at 7")),
        *(Done(2, 1, "no such task"), Cause(4), Refused("the console is shutting down"), OwnTime(), Have(7, 1)),
    ]
    assert [str(teller.tell(at(0, message)))[24:] for message in messages] == [
        "KNOWS nothing",
        "KNOWS save and restore",
        "KNOWS power and save and restore",
        "TASK 1, save: evening, within 5000 ms",
        "TASK 2, task 9: x, within 1 ms",
        "DONE 1: at 7",
        "DONE 2, FAILED: no such task",
        "CAUSE 4",
        "REFUSED the console is shutting down",
        "OWN TIME",
        "HAVE 7",
    ]


def test_what_a_record_is_about_is_told_by_its_message() -> None:
    messages: list[Message | None] = [frame(1), Key(0, 0, 1), Credit(1), OwnTime(), Knows(1), None]
    kinds = [at(0, message).kind for message in messages]
    assert kinds == ["lamps", "keys", "typing", "cards", "link", "link"]


def test_a_dump_lasts_as_long_as_its_recording() -> None:
    assert list(dump(Recording("x", [at(1, HELLO), at(3, Credit(5))])))[-1] == f"#{2 * SECOND}"


def test_the_same_lamps_are_told_once_and_the_pace_each_second() -> None:
    # source: arithmetic: 9,900 ticks in a second of a machine of 10,000 are 99 % of its rate.
    teller = Teller()
    lines = [teller.tell(at(0, HELLO)), teller.tell(at(0, frame(0)))]
    lines += [teller.tell(at((n + 1) / 100, frame(1, 99, (9,) * 6))) for n in range(101)]
    words = [line[24:] for line in lines[2:] if line]
    assert words == ["LAMPS running: A 1000", "LAMPS running: A 1000 (99% of its ticks_per_second)"]


def test_names_with_numbers_are_rows() -> None:
    names = ["A.0", "A.10", "A.9", "RUN", "S.A", "S.B", "X.1"]
    assert rows(names) == [("A", [1, 2, 0]), ("RUN", [3]), ("S.A", [4]), ("S.B", [5]), ("X.1", [6])]


def test_an_independent_reader_of_the_dump_sees_every_value_of_the_recording() -> None:
    # source: pyvcd, a reader nobody here wrote, and IEEE 1364-2005, clause 18, for what a dump is.
    wave = Wave(dump(Recording("First $end panel", RECORDS)))
    assert wave.timescale == "1 ns"
    seen = set()
    for moment, name, value in expected(RECORDS, [*LAMPS, "NEW"], KEYS):
        assert wave.at(name, moment) == value, (moment, name)
        seen.add(f"console.{name}")
    assert seen == wave.names.keys()
    # The same line typed twice is there twice.
    assert wave.told("typing.typed[71:0]") == 2


def test_a_whole_evenings_recording_equals_its_dump(tmp_path: Path) -> None:
    recording = Recording("toy", recorded(tmp_path))
    wave = Wave(dump(recording))
    start = recording.records[0].at
    frames = [record for record in recording.records if isinstance(record.message, Lamps)]
    assert len(frames) > 100
    for record in frames:
        lamps = record.message
        assert isinstance(lamps, Lamps)
        moment = record.at - start
        # The toy lists RUN, A.1, A.0.
        assert wave.at("lamps.A[1:0]", moment) == (lamps.bits[0] & 2) | lamps.bits[0] >> 2
        assert wave.at("lamps.RUN", moment) == lamps.bits[0] & 1
        if lamps.elapsed:
            on = tuple(wave.at(f"on_time.{name}", moment) for name in ("RUN", "A_1", "A_0"))
            assert on == struct.unpack("<3I", lamps.on_time)


def test_names_that_would_collide_are_kept_apart_and_many_have_codes_of_their_own() -> None:
    names = ("A B", "A_B", "1ST", "Ä", *(f"L{n}x" for n in range(200)))
    hello = replace(HELLO, lamps=names, keys=())
    lamps = Wave(dump(Recording("x", [at(1, hello)]))).names
    assert {f"console.lamps.{name}" for name in ("A_B", "A_B_2", "_1ST", "_", "L199x")} <= lamps.keys()
    assert Wave(dump(Recording("x", []))).end == 0


CONSOLE = examples() / "first-panel.toml"


async def core_of(rig: Rig) -> AsyncIterator[Record]:
    async for line in told(rig.sockets.observer):
        if line["topic"] == "core":
            yield record_of(line)


def recorded(folder: Path) -> list[Record]:
    """Let a toy run at a whole console for two seconds and return what was told of it."""

    async def main() -> list[Record]:
        records: list[Record] = []
        async with Rig(folder, renamed()) as rig:

            async def listen() -> None:
                async for record in core_of(rig):
                    records.append(record)  # noqa: PERF401 -- it is cancelled, and has to keep what it got

            listening = asyncio.create_task(listen())
            toy = asyncio.create_task(Toy(str(rig.sockets.core)).run())
            await rig.wait(500)
            await rig.throw("GO", closed=True)
            await rig.wait(1500)
            await rig.throw("GO", closed=False)
            await rig.wait(100)
            for task in (toy, listening):
                task.cancel()
            await asyncio.gather(toy, listening, return_exceptions=True)
        return records

    return run_virtually(main())


def renamed() -> Any:
    """Return the first panel with the toy's names."""
    console = load(CONSOLE)
    lamps = tuple(
        replace(lamp, name=name) for lamp, name in zip(console.lamps, ["RUN", "A.1", "A.0", *"HIJKL"], strict=True)
    )
    keys = tuple(replace(key, name=name) for key, name in zip(console.keys, ["GO", "STOP", *"QRSTUV"], strict=True))
    return replace(console, lamps=lamps, keys=keys)


def test_what_is_recorded_adds_up(tmp_path: Path) -> None:
    records = recorded(tmp_path)
    assert [type(record.message) for record in records[:2]] == [Hello, Welcome]
    assert [record.at for record in records] == sorted({record.at for record in records})
    keys = [record.message for record in records if isinstance(record.message, Key)]
    assert [(key.key, key.closed) for key in keys] == [(0, 1), (0, 0)]
    # source: arithmetic: 10,000 ticks a second between the two changes, to a look of 10 ms.
    ran = sum(record.message.elapsed for record in records if isinstance(record.message, Lamps))
    assert abs(ran - (keys[1].at - keys[0].at) / 100_000) <= 100


def test_the_tap_costs_nothing_while_nobody_listens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def main() -> None:
        async with Rig(tmp_path, renamed()) as rig:
            made: list[Any] = []
            monkeypatch.setattr(rig.daemon._core_link.tap, "_line", lambda *words: made.append(words))
            client = CoreClient(str(rig.sockets.core), "x", ["RUN"], ["GO"], ticks_per_second=1)
            await rig.talk(client, 500)
            client.close()
            await rig.wait(10)
            assert made == []

    run_virtually(main())


def test_playing_shows_what_was_shown(tmp_path: Path) -> None:
    records = recorded(tmp_path)

    async def main(manner: Manner) -> tuple[list[Lamps], float]:
        folder = tmp_path / f"again-{manner.speed}"
        folder.mkdir()
        frames: list[Lamps] = []
        async with Rig(folder, renamed()) as rig:

            async def listen() -> None:
                async for record in core_of(rig):
                    if isinstance(record.message, Lamps):
                        frames.append(record.message)  # noqa: PERF401 -- likewise

            listening = asyncio.create_task(listen())
            start = rig.clock.now()
            await Player(rig.sockets.core, Recording("toy", records), manner).play(rig.clock)
            took = (rig.clock.now() - start) / SECOND
            await rig.wait(50)
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
        return frames, took

    original = [record.message for record in records if isinstance(record.message, Lamps)]
    sums = [np.array([np.frombuffer(f.on_time, "<u4") for f in original if f.elapsed]).sum(axis=0).tolist()]
    length = (records[-1].at - records[0].at) / SECOND
    for speed in (1.0, 4.0):
        frames, took = run_virtually(main(Manner(speed)))
        assert sum(frame.elapsed for frame in frames) == sum(frame.elapsed for frame in original)
        sums.append(np.array([np.frombuffer(f.on_time, "<u4") for f in frames if f.elapsed]).sum(axis=0).tolist())
        assert frames[-1].bits == original[-1].bits
        assert abs(took - length / speed) < 0.3
    assert sums[0] == sums[1] == sums[2]


def test_silences_are_cut_and_time_of_a_running_machine_is_not() -> None:
    running = frame(1, 5, (1,) * 6)
    records = [at(0, HELLO), at(1, frame(1)), at(100, frame(2)), at(100.5, running), at(103, running), at(200, Read())]
    plan = schedule(records, Manner(2.0, skip=1.0))
    assert [when / SECOND for when, _ in plan] == [0, 0.5, 1.0, 1.25, 2.5]
    plan = schedule(records, Manner())
    assert [when / SECOND for when, _ in plan] == [0, 1, 100, 100.5, 103]


def test_hoppers_and_hands_are_told_and_no_card_is_moved(tmp_path: Path) -> None:
    reader, lamps = Device("reader", "empty", "no deck"), Device("lamp drivers", "ready", "")
    records = [*RECORDS[:15], at(11.5, reader, "daemon"), at(11.6, lamps, "daemon")]
    said: list[str] = []

    async def main(file: str, folder: Path, *, typewriter: bool) -> None:
        folder.mkdir()
        (folder / "reader").mkdir()
        (folder / "reader" / "mine.deck").write_text("MINE\n")
        (folder / "punch").mkdir()
        async with Rig(folder, load(examples() / file)) as rig:
            await Player(rig.sockets.core, Recording("toy", records), Manner(), said.append).play(rig.clock)
            await rig.wait(1000)
            assert bool(rig.line.sent) is typewriter
        assert [path.name for path in (folder / "punch").iterdir()] == []

    run_virtually(main("skerry.toml", tmp_path / "a", typewriter=True))
    words = [line[24:] for line in said]
    assert [word.split()[0] for word in words] == ["HELLO", "KEY", "CARD", "PUNCH", "KEYBOARD", "LAST", "DEVICE"]
    assert said[1].startswith("    0.300000  < daemon  KEY W.1 closed")
    said.clear()
    run_virtually(main("first-panel.toml", tmp_path / "b", typewriter=False))
    assert [line[24:] for line in said if "TYPE" in line] == ["TYPE 'TIDE $1\\r\\n'"] * 2


def test_what_was_typed_is_typed_as_credit_allows(tmp_path: Path) -> None:
    async def main() -> bytes:
        async with Rig(tmp_path) as rig:
            records = [at(0, HELLO), at(0.1, Type(b"TIDE TABLE " * 9 + b"\r\n")), at(0.2, frame(1))]
            await Player(rig.sockets.core, Recording("toy", records), Manner(1.0)).play(rig.clock)
            await rig.wait(20_000)
            return bytes(rig.line.sent)

    assert run_virtually(main()) == b"TIDE TABLE " * 9 + b"\r\n"


def test_a_recording_without_a_core_and_a_console_that_is_not_there_are_said(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match="no core in this recording"):
        Player(tmp_path / "core.sock", Recording("x", []), Manner())

    async def main() -> None:
        from bridge.clock import LoopClock  # noqa: PLC0415

        with pytest.raises(ConsoleError, match="does not let the recording in: is it running"):
            await Player(tmp_path / "core.sock", Recording("x", RECORDS), Manner()).play(LoopClock())

    run_virtually(main())


async def lines(*more: dict[str, Any]) -> AsyncIterator[dict[str, Any]]:
    yield {"topic": "hello", "console": "First panel"}
    for line in more:
        yield line


def test_watching_filters_and_saves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = [line_of(record) for record in RECORDS[:9]]
    monkeypatch.setattr(follow, "told", lambda _: lines(*stream, {"topic": "missed", "lines": 3}))
    said: list[str] = []
    run_virtually(watch(tmp_path, ["keys"], tmp_path / "keys.trace", said.append))
    assert said.pop(0) == "watching First panel"
    assert [line[24:] for line in said[:3]] == [
        "HELLO toy, run 7, 6 lamps, 3 keys, 10,000 ticks a second",
        "WELCOME version 1, pace 1",
        "KEY W.1 closed, first seen 10.0 ms ago",
    ]
    assert said[3:] == ["3 lines were missed: this reader is too slow", "the console has gone"]
    assert list(read(tmp_path / "keys.trace").records) == [RECORDS[0], RECORDS[1], RECORDS[3]]
    said.clear()
    run_virtually(watch(tmp_path, KINDS, None, said.append))
    assert len(said) == 12
    with pytest.raises(ConsoleError, match="cannot be written"):
        run_virtually(watch(tmp_path, KINDS, tmp_path / "no" / "file", said.append))


def test_a_console_that_is_not_there_is_said(tmp_path: Path) -> None:
    async def main() -> None:
        async for _ in told(tmp_path / "observer.sock"):
            pass

    with pytest.raises(ConsoleError, match="no console answers here"):
        run_virtually(main())


def test_the_recorder_writes_at_a_fault_and_on_demand(tmp_path: Path) -> None:
    said: list[str] = []
    recorder = Recorder(tmp_path / "evening.trace", Ring(600, 10**6), said.append)
    recorder.take({"topic": "hello", "console": "First panel"})
    recorder.take({"topic": "device", "name": "key inputs", "state": "ready"})
    for record in RECORDS[:5]:
        recorder.take(line_of(record))
    for state in ("cable", "cable", "ready", "cable"):
        recorder.take({"topic": "device", "name": "key inputs", "state": state})
    # How a newcomer finds things is no fault of now.
    recorder.take({"topic": "device", "name": "reader", "state": "check"})
    recorder.take({"topic": "missed", "lines": 4})
    recorder.save()
    assert {path.name for path in tmp_path.iterdir()} == {
        "evening.trace",
        "evening-fault-1.trace",
        "evening-fault-2.trace",
    }
    assert read(tmp_path / "evening-fault-1.trace") == Recording("First panel", RECORDS[:5])
    assert said[:2] == [
        f"recording First panel; Ctrl-C ends it and writes {tmp_path}/evening.trace",
        "key inputs: cable",
    ]
    assert said[-2:] == ["4 lines were missed: this recorder is too slow", f"{tmp_path}/evening.trace: 5 messages"]


def test_a_file_line_is_a_line_of_the_observer_link() -> None:
    assert json.loads(text_of(line_of(RECORDS[5]))) == {
        "topic": "core",
        "from": "core",
        "at": 10_500_000_000,
        "bytes": "AQAAAAM=",
    }
