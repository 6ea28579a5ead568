from pathlib import Path

import pytest

from bridge.console import load
from bridge.console.facts import Console
from bridge.files import examples
from bridge.workshop.check import page
from tests.console.sample import OTHER, changed, loaded
from tests.console.test_electrical import HEAD, LAMPS, read, text


def said(console: Console) -> str:
    return " ".join(" ".join(page(console)).split())


@pytest.mark.parametrize("file", sorted(examples().glob("*.toml")), ids=lambda file: file.name)
def test_the_examples_fit_80_columns(file: Path) -> None:
    console = load(file)
    assert max(len(line) for line in page(console) if str(file) not in line) <= 80


# source: arithmetic: 41 × 1.20 V / 5100 Ω = 9.65 mA, times 8; times (5 V - 2 V).
def test_a_first_panel() -> None:
    told = said(load(examples() / "first-panel.toml"))
    assert "5.1 kΩ at IREF gives 9.65 mA a lamp" in told
    assert "8 lamps at 9.65 mA each: 77.2 mA, 386 mW" in told
    assert "8 × (5 - 2 V) × 9.65 mA = 232 mW into heat" in told
    assert "lamps take 77.2 mA, 386 mW, chips a little more; gives 1 A; fuse 0.25 A" in " ".join(told.split())
    assert "Not judged" not in told
    assert "qualified person" in told
    assert "local electrical codes" in told


# source: arithmetic, as in the data sheets.
@pytest.mark.parametrize(
    ("kind", "keys", "lamps", "tells"),
    [
        ("GPIO", "lamp_volts = 2.0\nlamp_ma = 8", 2, "162 Ω in series; next in E24 180 Ω: 7.22 mA, 9.39 mW in"),
        ("GPIO", "lamp_volts = 2.0\nlamp_ma = 8", 2, "8 mA through one line (16 mA at most), 16 mA through all"),
        ("74HC595", LAMPS + "resistor_ohms = 600", 1, "600 Ω in series: 5 mA, 15 mW in the resistor, 25 mW with"),
        ("TLC5947", "lamp_ma = 2", 1, "for 2 mA: 24.6 kΩ from IREF to ground; next in E24 27 kΩ, which gives 1.82 mA"),
        ("TLC5947", "lamp_ma = 2", 3, "3 lamps at 2 mA each: 6 mA Not judged"),
        (
            "TLC5947",
            'lamp_supply = "five"\nlamp_volts = 2\nlamp_ma = 15',
            24,
            "24 × (5 - 2 V) × 15 mA = 1.08 W into heat; give it air",
        ),
        ("PCA9685", 'lamp_supply = "five"\nlamp_volts = 5\nlamp_ma = 10', 2, "2 lamps at 10 mA each: 20 mA, 100 mW"),
    ],
)
def test_figures(tmp_path: Path, kind: str, keys: str, lamps: int, tells: str) -> None:
    head = HEAD.replace("fuse = 0.5\n", "fuse = 0.9\n")
    assert tells in said(read(tmp_path, text(kind, keys, lamps, head)))


def test_a_supply_of_which_only_the_volts_are_known(tmp_path: Path) -> None:
    told = said(read(tmp_path, text("TLC5947", 'lamp_supply = "twelve"\nlamp_ma = 10', 10)))
    assert "twelve lamps take 100 mA, 1.2 W, chips a little more Not judged" in told


def test_a_board_of_which_nothing_is_known(tmp_path: Path) -> None:
    described = text("GPIO", "lamp_volts = 2.0\nlamp_ma = 8", 2).replace("3B+", "5")
    told = said(read(tmp_path, described))
    assert "8 mA through one line (no figure known)" in told
    # source: arithmetic on estimates: 15 × 5 % × 0.2 = 15 %, 20 × 10 % × 0.2 = 40 %, and next to nothing for two lamps.
    assert "15 to 40 % of one core of a Raspberry Pi 5 with all lamps changing all the time" in told
    assert "lower the rates" not in told
    assert "lower the rates" in said(load(examples() / "skerry.toml"))


def test_no_board_no_load(tmp_path: Path) -> None:
    assert "Load" in said(loaded(tmp_path))
    assert "Load" not in said(loaded(tmp_path, changed(('[board]\nmodel = "Raspberry Pi 3B+"\n', ""))))
    assert "Lamp kind" not in said(loaded(tmp_path))
    assert "Lamp kind" not in said(loaded(tmp_path, OTHER))


def test_a_rise_and_a_fall_that_disagree(tmp_path: Path) -> None:
    assert 'Lamp kind "glow": ' in said(loaded(tmp_path, changed(("fall_ms = 33", "fall_ms = 300"))))
