"""What was read last must never be taken for what would be read now. Source: the promise itself."""

import os
import shutil
from pathlib import Path

import pytest

from bridge.console import load
from bridge.daemon import kept
from bridge.daemon.description import Description
from bridge.daemon.kept import NAME, Kept
from bridge.errors import ConsoleError
from bridge.files import examples


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A description that was read once, with what was read beside it."""
    file = tmp_path / "console.toml"
    shutil.copy(examples() / "skerry.toml", file)
    with Description(file, tmp_path) as description:
        description.console()
        assert description._process is not None
    return file


def is_read_anew(file: Path) -> bool:
    """Tell whether the description is read anew; what comes of it must be the same either way."""
    with Description(file, file.parent) as description:
        assert description.console() == load(file)
        return description._process is not None


def test_what_was_read_is_not_read_again(file: Path) -> None:
    assert not is_read_anew(file)


def test_another_description_is_read_and_kept(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("Skerry Mk 2", "Skerry Mk 3"), encoding="utf-8")
    assert is_read_anew(file)
    assert not is_read_anew(file)


def test_what_is_wrong_with_a_description_is_said_each_time(file: Path) -> None:
    file.write_text("format = 1\n", encoding="utf-8")
    for _ in range(2):
        with Description(file, file.parent) as description, pytest.raises(ConsoleError, match=r"console\.toml"):
            description.console()


def test_another_program_reads_it_again(file: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    program = tmp_path / "program"
    (program / "console").mkdir(parents=True)
    (program / "console" / "shape.py").touch()
    monkeypatch.setattr(kept, "_PROGRAM", program)
    assert is_read_anew(file)
    assert not is_read_anew(file)
    (program / "console" / "shape.py").write_text("\n", encoding="utf-8")
    assert is_read_anew(file)


def test_the_same_words_in_another_file_are_another_description(file: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    shutil.copy(file, other)
    assert is_read_anew(other)


def test_what_is_torn_or_damaged_is_not_believed(file: Path) -> None:
    whole = (file.parent / NAME).read_bytes()
    reader = Kept(file.parent, file)
    assert reader.load() is not None
    for cut in (*range(0, len(whole), 997), len(whole) - 1):
        (file.parent / NAME).write_bytes(whole[:cut])
        assert reader.load() is None, cut
    for place in range(0, len(whole), 997):
        (file.parent / NAME).write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        assert reader.load() is None, place


@pytest.mark.parametrize("mode", [0o620, 0o602])
def test_what_somebody_else_may_have_written_is_not_believed(file: Path, mode: int) -> None:
    reader = Kept(file.parent, file)
    (file.parent / NAME).chmod(mode)
    assert reader.load() is None


def test_what_somebody_else_owns_is_not_believed(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reader = Kept(file.parent, file)
    monkeypatch.setattr(os, "geteuid", lambda: 12345)
    assert reader.load() is None


def test_without_a_folder_nothing_is_kept_and_all_is_read(file: Path, tmp_path: Path) -> None:
    nowhere = tmp_path / "none"
    for _ in range(2):
        with Description(file, nowhere) as description:
            assert description.console() == load(file)
            assert description._process is not None
    assert not nowhere.exists()
