"""The guide for authors of cores: its commands run as they stand, in a home of their own."""

import re
from pathlib import Path

import pytest

from bridge.errors import ConsoleError
from bridge.files import pages
from bridge.kit.files import kit
from tests.kit.commands import marked, run
from tests.links.compiled import needed

GUIDE = next(page for page in pages() if page.name == "link-your-core.md")


@pytest.mark.timeout(180)
def test_from_nothing_to_lamps(short_folder: Path) -> None:
    # The last command is the whole check of a real process in real time, some twenty seconds.
    needed("cc")
    said = {}
    for name in ("kit", "c", "python", "state", "check"):
        said[name] = run(marked(GUIDE, name), short_folder, short_folder)
    assert {Path(line).name for line in said["kit"].splitlines()} == {
        *("consolewright.c", "consolewright.h", "first_core.c", "first_core.py", "first-panel.toml"),
        *(page.name for page in pages()),
    }
    # source: arithmetic: 128 a cycle of 10 us carry into A.0 every 5.12 ms: it is lit half of the time.
    lit = {name: int(code) for name, code in re.findall(r"(A\.\d)=(\d+)", said["c"])}
    assert 1000 < lit["A.0"] < 3000
    assert "A  ··█·····  accumulator" in said["python"]
    assert "core task: done\n" in said["state"]
    # source: arithmetic: 1 a cycle of 10 us for at least 0.1 s, and nothing while the key is open.
    assert int((short_folder / "my-core" / "evening.state").read_text()) >= 5_000
    assert said["check"].endswith("11 passed, 0 failed, 3 not exercised\n")


def test_every_command_of_the_guide_is_run() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    assert text.count("```sh") == len(re.findall(r"<!-- command: \w+ -->\n```sh", text)) == 5


def test_files_that_are_there_are_kept(tmp_path: Path) -> None:
    (tmp_path / "first_core.c").write_text("mine")
    with pytest.raises(ConsoleError, match=r"first_core\.c there already"):
        list(kit(tmp_path, replace=False))
    assert [path.name for path in tmp_path.iterdir()] == ["first_core.c"]
    list(kit(tmp_path, replace=True))
    assert (tmp_path / "first_core.c").read_text() != "mine"


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ConsoleError, match="cannot be written"):
        list(kit(tmp_path / "file" / "kit", replace=False))
