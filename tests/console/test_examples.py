"""The descriptions that come with the program."""

import re
from pathlib import Path

import pytest

import bridge.demo.skerry as skerry_machine
from bridge.console import Console, describe, load
from bridge.files import examples

CONFIG = examples()

ROWS = {"A": 24, "B": 24, "R": 24, "W": 24, "D": 24, "C": 10, "X": 10, "L": 10, "S": 10, "RC": 7, "PC": 7, "Q": 5}
ALONE = ["FETCH", "MODIFY", "EXECUTE", "EXTRA", "READER", "PUNCH", "TYPING", "OVER", "ERROR", "RUN", "STOPPED", "POWER"]
PRESSES = {"START", "STOP", "RESET", "LOAD", "STEP ORDER", "STEP CYCLE", "SET ADDRESS", "READ WORD", "CHANGE WORD"}


@pytest.fixture(scope="module")
def skerry() -> Console:
    return load(CONFIG / "skerry.toml")


def test_skerry_has_the_lamps_of_its_machine(skerry: Console) -> None:
    # source: "Lamps, left to right" in the demonstration machine's definition.
    rows = [f"{row}.{bit}" for row, bits in ROWS.items() for bit in reversed(range(bits))]
    assert [lamp.name for lamp in skerry.lamps] == [*rows, *ALONE]
    assert [row.name for row in skerry.lamp_rows] == list(ROWS)


def test_skerry_has_the_keys_of_its_machine(skerry: Console) -> None:
    # source: "Keys" in the demonstration machine's definition.
    assert [key.name for key in skerry.keys if key.kind == "toggle"] == [f"W.{bit}" for bit in reversed(range(24))]
    assert {key.name for key in skerry.keys if key.kind == "momentary"} == PRESSES
    (select,) = skerry.rotaries
    assert [key.name for key in select.keys] == [
        f"SELECT.{show}" for show in ["A", "B", "R", "W", "C", "X", "L", "KEYS"]
    ]
    assert len(skerry.keys) == 41


def test_skerry_names_are_those_of_its_definition(skerry: Console) -> None:
    orders = (Path(skerry_machine.__file__).parent / "ORDERS.md").read_text(encoding="utf-8")
    for name in [*ALONE, *PRESSES]:
        assert re.search(rf"\b{name}\b", orders)
    assert {key.part.name for key in skerry.keys} == {"key inputs"}


def test_skerry_is_wired_as_it_says(skerry: Console) -> None:
    drivers, inputs = skerry.parts
    assert (drivers.facts.name, drivers.chips, inputs.facts.name, inputs.chips) == ("TLC5947", 8, "74HC165", 6)
    assert (inputs.always_high, inputs.always_low) == ((inputs.channels - 1,), (0,))
    assert not any(bus.rehearsed for bus in skerry.buses)
    assert skerry.typewriter
    assert not skerry.typewriter.rehearsed
    assert (skerry.typewriter.characters_per_second, skerry.typewriter.baud) == (15, 300)
    assert skerry.reader
    assert skerry.punch
    assert (skerry.reader.cards_per_minute, skerry.punch.cards_per_minute) == (300, 100)


def test_skerry_has_no_cautions(skerry: Console) -> None:
    assert "Mind" not in describe(skerry).split("\n")


def test_first_panel() -> None:
    console = load(CONFIG / "first-panel.toml")
    drivers, inputs = console.parts
    assert (drivers.chips, inputs.chips) == (1, 2)
    assert [lamp.name for lamp in console.lamps] == [f"A.{bit}" for bit in reversed(range(8))]
    assert [lamp.channel for lamp in console.lamps] == list(range(8))
    assert [key.name for key in console.keys] == [f"W.{bit}" for bit in reversed(range(8))]
    assert not {key.channel for key in console.keys} & {*inputs.always_high, *inputs.always_low}
    assert "Mind" not in describe(console).split("\n")


def test_first_panel_comments_agree_with_what_it_says() -> None:
    text = (CONFIG / "first-panel.toml").read_text(encoding="utf-8")
    console = load(CONFIG / "first-panel.toml")
    told = {word.lower(): int(number) for word, number in re.findall(r"# +(XLAT|BLANK) +GPIO (\d+)", text)}
    assert told == {"xlat": console.parts[0].lines["latch"], "blank": console.parts[0].lines["blank"]}
    assert f"GPIO {console.parts[1].lines['load']}, header pin 16" in text
    # source: arithmetic: 41 × 1.20 V / R, the sum the data sheet gives (from memory).
    assert pytest.approx(9.6e-3, abs=0.05e-3) == 41 * 1.20 / 5100


@pytest.mark.parametrize("file", sorted(CONFIG.glob("*.toml")), ids=lambda file: file.name)
def test_every_example_can_be_loaded(file: Path) -> None:
    assert load(file).parts
