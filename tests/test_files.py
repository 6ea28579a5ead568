import runpy
from pathlib import Path

import pytest

from bridge import files


@pytest.mark.parametrize(
    ("called", "beside", "in_checkout"),
    [("examples", "bridge/examples", "config"), ("units", "bridge/units", "systemd")],
)
@pytest.mark.parametrize("installed", [False, True], ids=["checkout", "installed"])
def test_files_are_beside_the_code_or_else_in_the_checkout(
    tmp_path: Path, called: str, beside: str, in_checkout: str, installed: bool
) -> None:
    # source: pyproject.toml, [tool.hatch.build.targets.wheel.force-include].
    module = tmp_path / "bridge" / "files.py"
    module.parent.mkdir()
    module.write_text(Path(files.__file__).read_text(encoding="utf-8"), encoding="utf-8")
    if installed:
        (tmp_path / beside).mkdir()
    found = runpy.run_path(str(module))[called]()
    assert found == tmp_path / (beside if installed else in_checkout)


def test_there_are_descriptions_and_decks() -> None:
    assert list(files.examples().glob("*.toml"))
    assert list(files.examples().glob("decks/*.deck"))


def test_there_are_units() -> None:
    assert (files.units() / "consolewright.service").is_file()


def test_what_authors_of_cores_need_is_there() -> None:
    assert {path.name for path in files.c_client().iterdir()} >= {"consolewright.c", "consolewright.h"}
    assert files.first_core().is_file()
    assert {page.name for page in files.pages()} >= {"core-link.md", "link-your-core.md", "observer-link.md"}
