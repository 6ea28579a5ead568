"""The file system that fails is held to what a real one did."""

import os
import random
from pathlib import Path

import pytest

from tests.cards.faultyfs import BLOCK, FaultyOs, PowerCut, Volume
from tests.tables import rows

RECORD = b"R" * 80 + b"\n"
FOLDER = Path("/port")


def system(seed: int = 0, capacity: int = 1 << 20) -> tuple[FaultyOs, Volume]:
    faulty = FaultyOs()
    faulty.mounted["/port"] = volume = Volume(random.Random(seed), capacity)
    return faulty, volume


def opened(faulty: FaultyOs, name: str) -> int:
    return faulty.open(FOLDER / name, os.O_RDWR | os.O_CREAT)


def written(faulty: FaultyOs, descriptor: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[faulty.write(descriptor, rest) :]


def synced_folder(faulty: FaultyOs) -> None:
    descriptor = faulty.open(FOLDER, os.O_DIRECTORY)
    faulty.fsync(descriptor)


@pytest.mark.parametrize(("policy", "acknowledged", "on_medium"), rows("fat-yank.tsv"))
def test_a_stick_pulled_while_records_are_appended(policy: str, acknowledged: str, on_medium: str) -> None:
    faulty, volume = system()
    file = opened(faulty, "A")
    before = 100 if "100 records" in policy else 0
    for _ in range(before + int(acknowledged)):
        written(faulty, file, RECORD)
        if policy.startswith("fsync"):
            faulty.fsync(file)
    if "folder" in policy:
        synced_folder(faulty)
    further = on_medium.isdigit() and int(on_medium) > before + int(acknowledged)
    if further:  # one more was on its way, and came through
        written(faulty, file, RECORD)
    volume.lose(1 if further else 0)
    found = volume.copy_of_cache().get("A")
    if on_medium == "no file":
        assert found is None
    elif on_medium == "empty file":
        assert found == b""
    else:
        assert found == RECORD * int(on_medium)


@pytest.mark.parametrize("seed", range(100))
def test_what_was_synced_survives_whatever_else_does_and_at_most_what_was_written_comes_back(seed: int) -> None:
    faulty, volume = system(seed)
    file = opened(faulty, "A")
    for _ in range(5):
        written(faulty, file, RECORD)
        faulty.fsync(file)
    written(faulty, file, b"B" * 200)
    volume.lose(0.5)
    found = volume.copy_of_cache()["A"]
    assert found.startswith(RECORD * 5)
    assert len(found) in {5 * 81, 5 * 81 + 200}


def test_what_was_not_synced_is_lost_whole_torn_and_out_of_order() -> None:
    seen = set()
    for seed in range(300):
        faulty, volume = system(seed)
        file = opened(faulty, "A")
        synced_folder(faulty)
        faulty.fsync(file)
        written(faulty, file, b"1" * BLOCK + b"2" * BLOCK)
        volume.lose(0.5)
        found = volume.copy_of_cache()["A"]
        one, two = b"1" * BLOCK in found, b"2" * BLOCK in found
        torn = not one and b"11111111" in found
        nul = found.endswith(b"\0" * 8)
        seen.add("lost" if not found else "whole" if one and two else "late" if two else "torn" if torn else "other")
        if nul:
            seen.add("NUL")
    assert seen >= {"lost", "whole", "late", "torn", "NUL"}


@pytest.mark.parametrize(("target", "then", "on_medium"), rows("fat-rename.tsv"))
def test_a_stick_pulled_after_a_renaming(target: str, then: str, on_medium: str) -> None:
    faulty, volume = system()
    if target == "taken":
        file = opened(faulty, "STATE")
        written(faulty, file, b"old")
        faulty.fsync(file)
    file = opened(faulty, "TMP")
    written(faulty, file, b"new")
    faulty.fsync(file)
    faulty.rename(FOLDER / "TMP", FOLDER / "STATE")
    if "file" in then:
        faulty.fsync(file)
    if "folder" in then:
        synced_folder(faulty)
    volume.lose(0)
    found = volume.copy_of_cache()
    expected = {
        "old and TMP": {"STATE": b"old", "TMP": b"new"},
        "old unreadable, no TMP": {},
        "new": {"STATE": b"new"},
        "TMP": {"TMP": b"new"},
        "empty": {"STATE": b""},
    }[on_medium]
    if then == "file":  # the old name was not looked at; it may still be there
        found.pop("TMP", None)
    assert found == expected
    assert ("STATE" in volume.files) == ("STATE" in expected or "unreadable" in on_medium)


def test_errors_are_told_once_and_what_was_to_be_written_is_forgotten() -> None:
    # source: measured on vfat in QEMU: after one EIO a later fsync and close returned without an error
    faulty, volume = system()
    file = opened(faulty, "A")
    written(faulty, file, RECORD)
    faulty.fsync(file)
    written(faulty, file, RECORD)
    volume.failing = 1
    with pytest.raises(OSError, match="Input/output error"):
        faulty.fsync(file)
    faulty.fsync(file)
    volume.lose(1)
    assert volume.copy_of_cache()["A"] == RECORD


def test_a_pulled_stick_still_answers_to_all_but_writing() -> None:
    # source: measured on vfat in QEMU: after the pull stat, open and cached reads succeed; write and fsync fail
    faulty, volume = system()
    file = opened(faulty, "A")
    written(faulty, file, RECORD)
    volume.gone = True
    faulty.lseek(file, 0, os.SEEK_SET)
    assert faulty.read(file, 100) == RECORD
    assert faulty.stat(FOLDER)
    for call in (lambda: faulty.write(file, memoryview(b"x")), lambda: faulty.fsync(file)):
        with pytest.raises(OSError, match="Input/output error"):
            call()


def test_a_stick_fills_up_with_what_fits_written() -> None:
    faulty, _ = system(capacity=2 * BLOCK)
    file = opened(faulty, "A")
    with pytest.raises(OSError, match="No space left"):
        written(faulty, file, b"x" * 3 * BLOCK)
    assert faulty.fstat(file).st_size == 2 * BLOCK
    with pytest.raises(OSError, match="No space left"):
        opened(faulty, "B")


def test_the_power_is_cut_before_the_change_that_was_named() -> None:
    faulty, volume = system()
    file = opened(faulty, "A")
    faulty.cut_after = 1
    faulty.write(file, memoryview(b"x"))
    with pytest.raises(PowerCut):
        faulty.fsync(file)
    assert volume.entries == {}
