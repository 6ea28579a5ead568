import runpy
from pathlib import Path

import pytest

from bridge import files


@pytest.mark.parametrize("installed", [False, True], ids=["checkout", "installed"])
def test_examples_are_beside_the_code_or_else_in_config(tmp_path: Path, installed: bool) -> None:
    # source: pyproject.toml puts config/ into the wheel as bridge/examples/.
    module = tmp_path / "bridge" / "files.py"
    module.parent.mkdir()
    module.write_text(Path(files.__file__).read_text(encoding="utf-8"), encoding="utf-8")
    if installed:
        (tmp_path / "bridge" / "examples").mkdir()
    found = runpy.run_path(str(module))["examples"]()
    assert found == tmp_path / ("bridge/examples" if installed else "config")


def test_there_are_descriptions_and_decks() -> None:
    assert list(files.examples().glob("*.toml"))
    assert list(files.examples().glob("decks/*.deck"))
