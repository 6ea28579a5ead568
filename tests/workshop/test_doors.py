from pathlib import Path

import pytest

from bridge.files import examples
from tests.test_cli import command

SKERRY = str(examples() / "skerry.toml")


def test_the_wiring_list_goes_out_and_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    listed, again, labels = str(tmp_path / "a.csv"), str(tmp_path / "a.toml"), str(tmp_path / "a.html")
    assert command(monkeypatch, "wiring", "export", SKERRY, listed) == 0
    assert command(monkeypatch, "wiring", "import", listed, again) == 0
    assert command(monkeypatch, "check", again) == 0
    assert command(monkeypatch, "wiring", "print", again) == 0
    assert command(monkeypatch, "wiring", "print", again, "--labels", labels) == 0
    out = capsys.readouterr().out
    assert "a.toml: 191 lamps, 41 keys" in out
    assert "  1    brown BN   key START        key inputs 25" in out
    assert "J12 pin 1" in Path(labels).read_text(encoding="utf-8")
    assert command(monkeypatch, "wiring", "export", SKERRY, listed) == 2
    assert "--replace" in capsys.readouterr().err


def test_counters_that_are_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(monkeypatch, "counters", "--state", str(tmp_path)) == 2
    assert "no counters can be read here" in capsys.readouterr().err
