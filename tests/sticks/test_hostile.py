"""Sticks that mean harm, or look as if they did: read in a process of its own, and said in one line.

source: common practice, none: what people have put on sticks, and what FAT and Linux let them.
"""

import asyncio
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.cards.hopper import Sight, look
from bridge.sticks.worker import Worker

MEGABYTE = 1 << 20


def many_files(stick: Path) -> None:
    descriptor = os.open(stick, os.O_RDONLY)
    for n in range(100_000):
        os.close(os.open(f"{n}.deck", os.O_CREAT | os.O_WRONLY, dir_fd=descriptor))
    os.close(descriptor)


def many_decks(stick: Path) -> None:
    for n in range(9_999):
        (stick / f"{n} {'x' * 200}.deck").touch()


def huge(stick: Path) -> None:
    with (stick / "huge.deck").open("wb") as file:
        file.truncate(4 << 30)


def deep(stick: Path) -> None:
    (stick / "/".join("d" * 100 for _ in range(20)) / "/".join("e" for _ in range(80))).mkdir(parents=True)


def bytes_of(data: bytes, name: str = "a.deck") -> Callable[[Path], None]:
    def make(stick: Path) -> None:
        (stick / name).write_bytes(data)

    return make


def named(name: str) -> Callable[[Path], None]:
    return bytes_of(b"A" * 81, name)


LONG = "x" * 250 + ".deck"
HOSTILE: dict[str, tuple[Callable[[Path], None], str, tuple[str, ...]]] = {
    "100,000 files": (many_files, "not-ready", ("more than 10,000 files and folders",)),
    "9,999 decks": (many_decks, "check", ("9,999 decks on the stick, 100 at most",)),
    "4 GiB": (huge, "check", ("huge.deck has more than 25,000,000 bytes",)),
    "a line of 64 KiB": (bytes_of(b"A" * 65536), "check", ("a.deck, line 1, column 81", "32,768 bytes")),
    "NULs": (bytes_of(b"A\n" + b"\0" * 5000 + b"B\n"), "check", ("a.deck, line 1",)),
    "UTF-16": (bytes_of("HIGH WATER\n".encode("utf-16")), "check", ("a.deck", "UTF-16")),
    "a name of 255 bytes": (named(LONG), "check", ("x…", "line 1, column 81")),
    "control characters in a name": (named("a\x1b[2J\n\r.deck"), "check", ("\\x1b[2J\\x0a\\x0d", "column 81")),
    "a name that climbs": (named("a..%2f..\\..\\etc.deck"), "check", ("column 81",)),
    "folders 100 deep": (deep, "empty", ("no deck on the stick",)),
    "a link": (
        lambda stick: (stick / "a.deck").symlink_to("/etc/passwd"),
        "not-ready",
        ("a link, a folder or a",),
    ),
    "a link to itself": (lambda stick: (stick / "a.deck").symlink_to("a.deck"), "not-ready", ("a link",)),
    "a pipe": (lambda stick: os.mkfifo(stick / "a.deck"), "not-ready", ("a link, a folder or a",)),
    "a folder": (lambda stick: (stick / "a.deck").mkdir(), "not-ready", ("a link, a folder or a",)),
}


@pytest.fixture(scope="module")
def read() -> Iterator[Callable[[Path], Sight]]:
    """Return a reader's look at a stick, through one and the same worker, so that each finds it as the last left it."""
    with asyncio.Runner() as runner:
        worker: list[Worker] = []

        async def through(stick: Path) -> Sight:
            if not worker:
                worker.append(Worker(patience=30.0))
            sight = await worker[0](look, stick)
            assert sight is not None
            return sight

        def at_once(stick: Path) -> Sight:
            return runner.run(through(stick))

        yield at_once
        runner.run(worker[0].close())


@pytest.fixture(autouse=True, scope="module")
def _worker_outlives_tests(read: Callable[[Path], Sight], tmp_path_factory: pytest.TempPathFactory) -> None:
    # The check that tests leave nothing behind sees the worker from the first test on.
    read(tmp_path_factory.mktemp("first"))


def resident() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


@pytest.mark.parametrize("case", HOSTILE.values(), ids=HOSTILE)
def test_it_is_said_in_a_line_and_the_next_stick_is_read(
    read: Callable[[Path], Sight], tmp_path: Path, case: tuple[Callable[[Path], None], str, tuple[str, ...]]
) -> None:
    make, state, words = case
    hostile, good = tmp_path / "hostile", tmp_path / "good"
    hostile.mkdir()
    good.mkdir()
    (good / "tide.deck").write_text("HIGH\n")
    make(hostile)
    before = resident()
    sight = read(hostile)
    assert resident() - before < 50 * MEGABYTE
    assert sight.state == state
    assert all(word in sight.words for word in words), sight.words
    assert sight.words.isprintable() or all(line.isprintable() for line in sight.words.splitlines())
    assert len(sight.words.splitlines()[0]) < 400
    assert read(good).state == "deck"


def test_fifty_thousand_cards_are_no_matter(read: Callable[[Path], Sight], tmp_path: Path) -> None:
    (tmp_path / "long.deck").write_text("".join(f"CARD {n} {'X' * 70}"[:80] + "\n" for n in range(50_000)))
    before = resident()
    sight = read(tmp_path)
    assert (sight.state, len(sight.images)) == ("deck", 50_000)
    assert resident() - before < 50 * MEGABYTE
