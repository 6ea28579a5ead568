import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from bridge.lamps.curves import curves, strikes
from bridge.lamps.filament import resolve
from bridge.lamps.models import NeonType
from tests.console.sample import TEXT, changed
from tests.test_cli import command


def test_curves_are_those_of_the_model() -> None:
    # source: the definition of the rise (10 to 90 % in 60 ms); steady light at half duty 0.237 of rated for 2100 K, as
    # references compute it from the dense emissivity list, from memory.
    drawn = curves(resolve(28.0, 0.04, 2100, rise_ms=60))
    assert np.count_nonzero((drawn.rise > 0.1) & (drawn.rise < 0.9)) == pytest.approx(60, abs=1)
    assert np.all(np.diff(drawn.fade) <= 0)
    assert drawn.fade[0] == pytest.approx(1, abs=1e-3)
    assert drawn.steady[50] == pytest.approx(0.237, rel=0.01)
    assert (drawn.steady[0], drawn.steady[100]) == (pytest.approx(0, abs=1e-6), pytest.approx(1, abs=1e-3))


def drawn(*words: str) -> str:
    """Run the command in a process of its own, since matplotlib keeps its fonts open, and return what it says."""
    process = subprocess.run(
        [sys.executable, "-m", "bridge", "lamps", "plot", *words], capture_output=True, text=True, check=False
    )
    assert process.returncode == 0, process.stderr
    return process.stdout


@pytest.mark.parametrize(("suffix", "start"), [(".svg", b"<?xml"), (".png", b"\x89PNG")])
def test_a_built_in_kind_is_drawn(tmp_path: Path, suffix: str, start: bytes) -> None:
    out = tmp_path / f"pilot{suffix}"
    said = drawn("pilot", "--out", str(out))
    assert said.startswith("light rises in 60 ms and falls in")
    assert out.read_bytes().startswith(start)


def test_a_neon_is_drawn(tmp_path: Path) -> None:
    out = tmp_path / "neon.svg"
    assert drawn("neon", "--out", str(out)).startswith("strikes at 5% of its duty and stays lit down to 3%")
    assert b"#ff6a2e" in out.read_bytes()


def test_a_neon_that_is_driven_down_stays_lit_for_longer() -> None:
    up, down = strikes(NeonType(0.5, 0.2))
    lit = [min(duty for duty, light in zip(one.duty, one.light, strict=True) if light > 0) for one in (up, down)]
    assert lit == [pytest.approx(0.5, abs=1e-3), pytest.approx(0.2, abs=2e-3)]


@pytest.mark.parametrize(("fall", "told"), [("33", False), ("90", True)])
def test_times_that_disagree_are_told(tmp_path: Path, fall: str, told: bool) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(changed(("fall_ms = 33", f"fall_ms = {fall}"), text=TEXT))
    said = drawn("glow", "--file", str(file), "--out", str(tmp_path / "glow.svg"))
    assert ("rise_ms and fall_ms disagree" in said) is told


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nothing",), 'There is no kind of lamp "nothing". There are: instant'),
        (("instant",), "there is no curve to draw"),
        (("pilot", "--out", "x.gif"), "ends in .svg or .png"),
    ],
)
def test_what_cannot_be_drawn_is_said_with_status_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    assert command(monkeypatch, "lamps", "plot", *words) == 2
    assert says in capsys.readouterr().err


def test_without_matplotlib_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert command(monkeypatch, "lamps", "plot", "pilot") == 2
    assert "consolewright[plot]" in capsys.readouterr().err


def test_a_picture_that_cannot_be_written_is_said() -> None:
    words = ["lamps", "plot", "pilot", "--out", "/proc/x.svg"]
    process = subprocess.run([sys.executable, "-m", "bridge", *words], capture_output=True, text=True, check=False)
    assert process.returncode == 2
    assert "cannot be written" in process.stderr
