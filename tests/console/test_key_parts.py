"""Keys on I2C chips and on lines of the board: what breaks their rules, and the page they make."""

import re
from pathlib import Path

import pytest

from tests.console.sample import changed, findings, line_of, loaded, told
from tests.console.test_rules import Rule

KEYS = """\
format = 1
name = "Keys"

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[part]]
name = "cabinet keys"
type = "MCP23017"
chips = 2
bus = "cabinet"
address = 0x20

[[part]]
name = "door keys"
type = "GPIO inputs"
gpios = "16, 20-21"
wires = "real"
always_low = [2]

[[key]]
name = "CABINET KEY"
kind = "momentary"
part = "cabinet keys"
channel = 0

[[key_row]]
name = "W"
kind = "toggle"
numbers = "13-0"
part = "cabinet keys"
channels = "8-14, 16-22"

[[key]]
name = "DOOR KEY"
kind = "toggle"
part = "door keys"
channel = 0
"""

RULES = {
    "an output as an input": Rule(
        (("channel = 0\n\n[[key_row]]", "channel = 7\n\n[[key_row]]"),),
        "channel = 7",
        (
            'key "CABINET KEY" goes to channel 7 of part "cabinet keys" (line <[[part]]\nname = "cabinet keys">)',
            "which is GPA7: an output, and no input (Microchip MCP23017 data sheet, revision D of 2022); move it",
        ),
        (("channel = 0\n\n[[key_row]]", "channel = 6\n\n[[key_row]]"),),
    ),
    "an output of the second chip in a row": Rule(
        (('"8-14, 16-22"', '"8-14, 31, 17-22"'),),
        '"8-14, 31, 17-22"',
        ('key_row "W" goes to channel 31', "which is GPB7"),
        (('"8-14, 16-22"', '"8-14, 30, 17-22"'),),
    ),
    "an output as a sentinel": Rule(
        (("address = 0x20", "address = 0x20\nalways_low = [15]"),),
        "always_low = [15]",
        ('"always_low" of part "cabinet keys" goes to channel 15', "which is GPB7"),
        (("address = 0x20", "address = 0x20\nalways_low = [5]"),),
    ),
    "a sentinel that is a key": Rule(
        (("address = 0x20", "address = 0x20\nalways_high = [8]"),),
        "channels =",
        ("channel 8", '"always_high" of part "cabinet keys"', 'key_row "W"'),
        (("address = 0x20", "address = 0x20\nalways_high = [5]"),),
    ),
    "addresses": Rule(
        (("address = 0x20", "address = 0x27"),),
        "address = 0x27",
        ('part "cabinet keys" has a chip at 0x28, where no MCP23017 answers; use 0x20-0x27',),
        (("address = 0x20", "address = 0x26"),),
    ),
    # 2 × 48 bits 250 times a second are 24,000: 80 % of 30,000.
    "I2C too slow for the scan": Rule(
        (("rate_hz = 400_000", "rate_hz = 29_999"),),
        "rate_hz = 29_999",
        ('bus "cabinet" is too slow: "cabinet keys" takes 2 × 48 bits in 3.200 ms, 250 times a second',),
        (("rate_hz = 400_000", "rate_hz = 30_000"),),
    ),
    "a pull there is none of": Rule(
        (('gpios = "16, 20-21"', 'gpios = "16, 20-21"\npull = "left"'),),
        'pull = "left"',
        ('"pull" of part "door keys" cannot be "left"; known here: up, down, none',),
        (('gpios = "16, 20-21"', 'gpios = "16, 20-21"\npull = "down"'),),
    ),
    "a pull of chips that have one": Rule(
        (("address = 0x20", 'address = 0x20\npull = "up"'),), 'pull = "up"', ('part "cabinet keys" has no key "pull"',)
    ),
    "a line that is a bus's": Rule(
        (('gpios = "16, 20-21"', 'gpios = "16, 20-21, 3"'),),
        'gpios = "16, 20-21, 3"',
        ("GPIO 3 is used twice", 'by bus "cabinet"'),
        (('gpios = "16, 20-21"', 'gpios = "16, 20-21, 4"'),),
    ),
    "a settling time shorter than a scan": Rule(
        (('part = "door keys"\nchannel = 0', 'part = "door keys"\nchannel = 0\nsettle_ms = 3'),),
        "settle_ms = 3",
        ('key "DOOR KEY" is to rest for 3 ms, which cannot be seen by reading the keys every 4 ms',),
        (('part = "door keys"\nchannel = 0', 'part = "door keys"\nchannel = 0\nsettle_ms = 4'),),
    ),
    "a way to report there is none of": Rule(
        (('part = "door keys"\nchannel = 0', 'part = "door keys"\nchannel = 0\nreport = "at once"'),),
        'report = "at once"',
        ('"report" of key "DOOR KEY" cannot be "at once"', "settled, first contact"),
        (('part = "door keys"\nchannel = 0', 'part = "door keys"\nchannel = 0\nreport = "first contact"'),),
    ),
    "keys on lamps' lines": Rule(
        (('type = "GPIO inputs"', 'type = "GPIO"'), ("always_low = [2]\n", "")),
        'part = "door keys"',
        ('key "DOOR KEY" is on part "door keys", but a GPIO serves lamps; name a part that serves keys',),
    ),
}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_breaks_it_is_told_and_nothing_else(tmp_path: Path, rule: Rule) -> None:
    text = changed(*rule.wrong, text=KEYS)
    ((line, told),) = findings(tmp_path, text)
    assert line == line_of(rule.at, text)
    for part in rule.says:
        wanted = re.sub(r"<([^<>]+)>", lambda mark: str(line_of(mark[1], text)), part)
        assert wanted in told


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_is_just_right_is_taken(tmp_path: Path, rule: Rule) -> None:
    loaded(tmp_path, changed(*rule.right, text=KEYS))


def test_what_the_sample_becomes(tmp_path: Path) -> None:
    chips, lines = loaded(tmp_path, KEYS).parts
    assert (chips.addresses, chips.channels, chips.pull, chips.bus.kind) == ((0x20, 0x21), 32, "up", "i2c")
    assert chips.outputs_only == {7: "GPA7", 15: "GPB7", 23: "GPA7", 31: "GPB7"}
    assert (lines.gpios, lines.channels, lines.pull, lines.bus.kind) == ((16, 20, 21), 3, "up", "lines")
    assert lines.always_low == (2,)


# source: arithmetic: 2 × 48 bits at 400 kHz are 0.24 ms.
PAGE = [
    "cabinet keys  2 × MCP23017     channels 0-31  cabinet 0x20-0x21  pull up, free 1-6, 24-30",
    "door keys     3 × GPIO inputs  channels 0-2   GPIO 16, 20-21     always low 2, pull up, free 1",
    "cabinet  cabinet keys  2 × 48 bits in 0.240 ms, 250 times a second: 6.0%",
    'part "cabinet keys" has no channel that is always low: a loose cable looks like open contacts',
]


@pytest.mark.parametrize("line", PAGE)
def test_page(tmp_path: Path, line: str) -> None:
    page = told(loaded(tmp_path, KEYS))
    assert f"  {line}" in page.split("\n")
    assert "3.3 V and no more" in page
    assert 'part "door keys" has no channel' not in page
    assert "as its resistor pulls" not in page
    assert "may glow" not in page


def test_what_a_loose_cable_looks_like_depends_on_the_resistor(tmp_path: Path) -> None:
    down = ('gpios = "16, 20-21"', 'gpios = "16, 20-21"\npull = "down"')
    page = told(loaded(tmp_path, changed(down, text=KEYS)))
    assert 'part "door keys" has no channel that is always high: a loose cable looks like open contacts' in page
    assert 'key "DOOR KEY" closes low, as its resistor pulls: right for a contact that breaks' in page
    none = ('gpios = "16, 20-21"', 'gpios = "16, 20-21"\npull = "none"')
    page = told(loaded(tmp_path, changed(none, text=KEYS)))
    assert 'part "door keys" has no channel that is always high: a loose cable can look like keys' in page
    both = ('gpios = "16, 20-21"', 'gpios = "16, 20-21"\npull = "none"\nalways_high = [1]')
    page = told(loaded(tmp_path, changed(both, text=KEYS)))
    assert 'part "door keys" has no channel' not in page
    high = ('part = "door keys"\nchannel = 0', 'part = "door keys"\nchannel = 0\nclosed = "high"')
    page = told(loaded(tmp_path, changed(high, text=KEYS)))
    assert 'key "DOOR KEY" closes high, as its resistor pulls' in page
    page = told(loaded(tmp_path, changed(down, high, text=KEYS)))
    assert "as its resistor pulls" not in page


@pytest.mark.parametrize("pull", ["down", "none"])
def test_lines_that_the_board_pulls_up_for_good(tmp_path: Path, pull: str) -> None:
    # source: Raspberry Pi documentation: 1.8 kΩ on GPIO 2 and 3, which only I2C needs.
    alone = f'''\
format = 1
name = "Keys"

[[part]]
name = "door keys"
type = "GPIO inputs"
gpios = "16, 2-3"
pull = "{pull}"
wires = "real"
'''
    ((line, told),) = findings(tmp_path, alone)
    assert line == line_of("gpios", alone)
    assert 'part "door keys" has GPIO 2-3, which the board pulls up for good' in told
    assert 'use other lines, or pull = "up"' in told
    loaded(tmp_path, changed((pull, "up"), text=alone))
    loaded(tmp_path, changed(("2-3", "4-5"), text=alone))
    loaded(tmp_path, changed(("GPIO inputs", "GPIO"), (f'pull = "{pull}"\n', ""), text=alone))


def test_how_each_key_reports(tmp_path: Path) -> None:
    text = changed(
        ("channel = 0\n\n[[key_row]]", "channel = 0\nsettle_ms = 25\n\n[[key_row]]"),
        ('channels = "8-14, 16-22"', 'channels = "8-14, 16-22"\nreport = "first contact"'),
        text=KEYS,
    )
    console = loaded(tmp_path, text)
    how = {key.name: (key.settle_ms, key.first_contact) for key in console.keys}
    assert how == {"CABINET KEY": (25, False), "DOOR KEY": (None, False)} | {f"W.{n}": (None, True) for n in range(14)}
    page = told(console)
    assert "momentary, closed low, rests 25 ms " in page
    assert "toggle, closed low, at first contact" in page
