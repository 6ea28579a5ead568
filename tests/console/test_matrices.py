"""Keys in rows and columns: what breaks their rules, and the page they make."""

import re
from pathlib import Path

import pytest

from tests.console.sample import changed, findings, line_of, loaded, told
from tests.console.test_rules import Rule

MATRICES = """\
format = 1
name = "Matrices"

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[part]]
name = "order keys"
type = "MCP23017 matrix"
bus = "cabinet"
address = 0x27
rows = "0-6"
columns = "8-14"
diodes = true
always_low = [48]

[[part]]
name = "number keys"
type = "GPIO matrix"
rows = "5-6, 12"
columns = "16, 20-21"
diodes = false
wires = "rehearsed"

[[key_row]]
name = "N"
kind = "momentary"
numbers = "0-8"
part = "number keys"
channels = "0-8"

[[key]]
name = "STOP"
kind = "momentary"
part = "order keys"
channel = 47
"""

RULES = {
    "a channel beyond rows and columns": Rule(
        (("channel = 47", "channel = 49"),),
        "channel = 49",
        ('key "STOP" goes to channel 49 of part "order keys"', "7 rows by 7 columns is channels 0-48"),
        (("channel = 47", "channel = 46"),),
    ),
    "a sentinel that is a key": Rule(
        (("channel = 47", "channel = 48"),), "channel = 48", ("channel 48", '"always_low" of part "order keys"')
    ),
    "an output as a row": Rule(
        (('rows = "0-6"', 'rows = "0-5, 7"'),),
        'rows = "0-5, 7"',
        ('"rows" of part "order keys" has pin 7, which is GPA7: an output, and no input', "use pins 0-6 and 8-14"),
        (('rows = "0-6"', 'rows = "0-5, 6"'),),
    ),
    "a pin there is none of": Rule(
        (('columns = "8-14"', 'columns = "8-13, 16"'),),
        'columns = "8-13, 16"',
        ('"columns" of part "order keys" has pin 16, but the chip has 0-15',),
        (('columns = "8-14"', 'columns = "8-13, 14"'),),
    ),
    "a pin that is row and column": Rule(
        (('columns = "8-14"', 'columns = "8-13, 6"'),),
        'columns = "8-13, 6"',
        ("pin 6 is used twice", '"rows" of part "order keys" on line <rows = "0-6">', "give one of them another pin"),
    ),
    "a line that is row and column": Rule(
        (('columns = "16, 20-21"', 'columns = "16, 20, 5"'),),
        'columns = "16, 20, 5"',
        ("GPIO 5 is used twice", 'part "number keys"'),
        (('columns = "16, 20-21"', 'columns = "16, 20, 4"'),),
    ),
    "a row that is no line": Rule(
        (('rows = "5-6, 12"', 'rows = "5-6, 38"'),),
        'rows = "5-6, 38"',
        ('one of the "rows" of part "number keys" is 38', "header pin 38 is GPIO 20"),
    ),
    "two chips": Rule(
        (("address = 0x27", "address = 0x26\nchips = 2"),), "chips = 2", ('"chips" of part "order keys"',)
    ),
    "diodes or not": Rule(
        (("diodes = false\n", ""),), '[[part]]\nname = "number keys"', ('lacks the key "diodes"', "diodes = true")
    ),
    # 7 × 86 bits 250 times a second are 150,500: 80 % of 188,125.
    "I2C too slow": Rule(
        (("rate_hz = 400_000", "rate_hz = 188_124"),),
        "rate_hz = 188_124",
        ('"order keys" takes 7 × 86 bits in 3.200 ms, 250 times a second',),
        (("rate_hz = 400_000", "rate_hz = 188_125"),),
    ),
}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_breaks_it_is_told_and_nothing_else(tmp_path: Path, rule: Rule) -> None:
    text = changed(*rule.wrong, text=MATRICES)
    ((line, told),) = findings(tmp_path, text)
    assert line == line_of(rule.at, text)
    for part in rule.says:
        wanted = re.sub(r"<([^<>]+)>", lambda mark: str(line_of(mark[1], text)), part)
        assert wanted in told


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_is_just_right_is_taken(tmp_path: Path, rule: Rule) -> None:
    loaded(tmp_path, changed(*rule.right, text=MATRICES))


@pytest.mark.parametrize(("rows", "columns", "right"), [(16, 2, True), (17, 1, False), (1, 17, False), (2, 16, True)])
def test_sixteen_rows_and_columns_are_the_most(tmp_path: Path, rows: int, columns: int, right: bool) -> None:
    lines = [*range(4, 28)]
    # source: 24 lines of the header that I2C leaves; channels 9 and up stay free.
    text = changed(
        ('rows = "5-6, 12"', f'rows = "{lines[0]}-{lines[rows - 1]}"'),
        ('columns = "16, 20-21"', f'columns = "{lines[rows]}-{lines[rows + columns - 1]}"'),
        ('"0-8"\npart', '"0-1"\npart'),
        ('channels = "0-8"', 'channels = "0-1"'),
        text=MATRICES,
    )
    if right:
        loaded(tmp_path, text)
    else:
        ((line, told),) = findings(tmp_path, text)
        assert line == line_of(f'rows = "{lines[0]}', text)
        assert f'part "number keys" is {rows} rows by {columns} columns, but 16 by 16 are the most' in told


def test_what_the_sample_becomes(tmp_path: Path) -> None:
    chip, lines = loaded(tmp_path, MATRICES).parts
    assert (chip.channels, chip.addresses, chip.rows, chip.columns) == (49, (0x27,), (*range(7),), (*range(8, 15),))
    assert (chip.diodes, chip.pull, chip.outputs_only, chip.bits) == (True, "up", {}, 7 * 86)
    assert (lines.channels, lines.rows, lines.columns, lines.diodes) == (9, (5, 6, 12), (16, 20, 21), False)
    assert lines.bus.rehearsed


def test_page(tmp_path: Path) -> None:
    page = told(loaded(tmp_path, MATRICES))
    flat = " ".join(page.split())
    assert "rows 0-6, columns 8-14, a diode at each contact, always low 48, pull up, free 0-46" in flat
    assert "rows 5-6, 12, columns 16, 20-21, no diodes, pull up, free none" in flat
    # source: arithmetic: 7 × 86 bits at 400 kHz are 1.505 ms.
    assert "7 × 86 bits in 1.505 ms, 250 times a second: 37.6%" in flat
    assert "GPIO 5-6, 12, 16, 20-21" in flat
    assert 'part "number keys" has no diodes: keys that hide others are held as they were' in flat
