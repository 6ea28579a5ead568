"""Parts on I2C, parts without a bus, lines that may be left out: what breaks their rules, and the page they make."""

import re
from pathlib import Path

import pytest

from tests.console.sample import OTHER, TEXT, changed, findings, line_of, loaded, told
from tests.console.test_rules import Rule

TWO_CHAINS = """
[[part]]
name = "more inputs"
type = "74HC165"
chips = 1
bus = "spare"
select = 0
load = 22
"""

RULES = {
    "the port the board keeps": Rule(
        (("port = 1", "port = 0 # kept"),),
        "port = 0 # kept",
        ('bus "cabinet" is on I2C 0, which the board keeps for itself; use port = 1',),
    ),
    "I2C too fast": Rule(
        (("rate_hz = 400_000", "rate_hz = 1_000_001"),),
        "rate_hz = 1_000_001",
        ('bus "cabinet" runs at 1,000,001 Hz, but I2C at most at 1,000,000 Hz; lower it',),
        (("rate_hz = 400_000", "rate_hz = 1_000_000"),),
    ),
    # 3 × 616 bits at 100 Hz are 184,800 a second: 80 % of 231,000.
    "I2C too slow for its parts": Rule(
        (("rate_hz = 400_000", "rate_hz = 230_999"),),
        "rate_hz = 230_999",
        ('bus "cabinet" is too slow: "dimmed" takes 2 × 616 bits in 5.333 ms, 100 times a second',),
        (("rate_hz = 400_000", "rate_hz = 231_000"),),
    ),
    "GPIO of I2C 1": Rule(
        (("load = 23", "load = 3"),),
        "load = 3",
        ("GPIO 3 is used twice", 'by bus "cabinet" on line <port = 1>'),
        (("load = 23", "load = 4"),),
    ),
    "kind of bus": Rule(
        (('kind = "i2c"', 'kind = "i2s"'),),
        'kind = "i2s"',
        ('bus "cabinet" cannot be "i2s"; did you mean "i2c"?',),
    ),
    "I2C part on SPI": Rule(
        (('bus = "cabinet"\naddress = 0x42', 'bus = "panel"\naddress = 0x42'),),
        'bus = "panel"\naddress',
        (
            'part "more" is on bus "panel", which is SPI (line <[[bus]]\nname = "panel">), but a PCA9685 needs I2C',
            "name a bus of kind i2c",
        ),
    ),
    "SPI part on I2C": Rule(
        (('bus = "panel"\nselect = 0', 'bus = "cabinet"\nselect = 0'),),
        'bus = "cabinet"\nselect',
        ("which is I2C", "but a 74HC595 needs SPI; name a bus of kind spi"),
    ),
    "no such bus": Rule(
        (('bus = "cabinet"\naddress = 0x42', 'bus = "cabin"\naddress = 0x42'),), '"cabin"', ('did you mean "cabinet"?',)
    ),
    "address no chip has": Rule(
        (("address = 0x42", "address = 0x3f"),),
        "address = 0x3f",
        ('"address" of part "more" is 0x3F, where no PCA9685 answers; use 0x40-0x6F, 0x71-0x7F',),
        (("address = 0x42", "address = 0x7f"),),
    ),
    "address all chips have": Rule((("address = 0x42", "address = 0x70"),), "address = 0x70", ("is 0x70, where no",)),
    "address in text": Rule(
        (("address = 0x42", 'address = "0x42"'),), 'address = "0x42"', ("whole number", "address = 0x40")
    ),
    "address missing": Rule(
        (("address = 0x42\n", ""),), '[[part]]\nname = "more"', ('lacks the key "address"', "address = 0x40")
    ),
    "chips beyond the addresses": Rule(
        (("address = 0x40", "address = 0x6F"),),
        "address = 0x6F",
        ('part "dimmed" has a chip at 0x70, where no PCA9685 answers; use 0x40-0x6F, 0x71-0x7F',),
        (("address = 0x40", "address = 0x6E"),),
    ),
    "address twice": Rule(
        (("address = 0x42", "address = 0x41"),),
        "address = 0x41",
        (
            'address 0x41 of bus "cabinet" is used twice, by part "dimmed" on line <address = 0x40>',
            'by part "more" on line <address = 0x41>; give one of them another address',
        ),
        (("address = 0x42", "address = 0x43"),),
    ),
    "PWM too slow": Rule(
        (("pwm_hz = 1000", "pwm_hz = 23"),),
        "pwm_hz = 23",
        ('"pwm_hz" of part "dimmed" is 23, which is too low; use at least 24',),
        (("pwm_hz = 1000", "pwm_hz = 24"),),
    ),
    "PWM too fast": Rule(
        (("pwm_hz = 1000", "pwm_hz = 1527"),),
        "pwm_hz = 1527",
        ("too high; use at most 1526",),
        (("pwm_hz = 1000", "pwm_hz = 1526"),),
    ),
    "a key of another bus": Rule(
        (("address = 0x42", "address = 0x42\nselect = 0"),),
        'select = 0\n\n[[part]]\nname = "shifted"',
        ('part "more" has no key "select"',),
    ),
    "plain lines on a bus": Rule(
        (('gpios = "5-6, 26"', 'gpios = "5-6, 26"\nbus = "panel" # none'),), 'bus = "panel" # none', ('no key "bus"',)
    ),
    "plain line that is a header pin": Rule(
        (('"5-6, 26"', '"5-6, 38"'),),
        'gpios = "5-6, 38"',
        ('one of the "gpios" of part "plain" is 38', "header pin 38 is GPIO 20"),
        (('"5-6, 26"', '"5-6, 20"'),),
    ),
    "plain line used twice": Rule(
        (('"5-6, 26"', '"5-6, 24"'),),
        'gpios = "5-6, 24"',
        ("GPIO 24 is used twice", 'by "latch" of part "shifted" on line <latch = 24>', 'by part "plain"'),
        (('"5-6, 26"', '"5-6, 22"'),),
    ),
    "plain line twice in a part": Rule(
        (('"5-6, 26"', '"5-6, 5"'),), 'gpios = "5-6, 5"', ("GPIO 5", 'both times by part "plain"')
    ),
    "channel beyond the lines": Rule(
        (("channel = 2", "channel = 3"),),
        "channel = 3",
        ('channel 3 of part "plain"', "3 × GPIO is channels 0-2"),
        (("channel = 2", "channel = 1"),),
    ),
    "a neon that holds above where it strikes": Rule(
        (("holds = 0.2", "holds = 0.31"),),
        "holds = 0.31",
        ('neon_kind "amber" holds at 0.31, above where it strikes, 0.3', "lower holds"),
        (("holds = 0.2", "holds = 0.3"),),
    ),
    "a neon with a built-in name": Rule(
        (('name = "amber"', 'name = "neon"'), ('kind = "amber"', 'kind = "neon"')),
        'name = "neon"',
        ('neon_kind "neon"', "name of a built-in kind"),
    ),
    "a colour that is none": Rule(
        (('colour = "#ffa040"', 'colour = "orange"'),), 'colour = "orange"', ('"colour" of neon_kind "amber"',)
    ),
    "optional line that is taken": Rule(
        (("address = 0x42", "address = 0x42\nblank = 25 # too"),), "blank = 25 # too", ('"blank" of part "dimmed"',)
    ),
}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_breaks_it_is_told_and_nothing_else(tmp_path: Path, rule: Rule) -> None:
    text = changed(*rule.wrong, text=OTHER)
    ((line, told),) = findings(tmp_path, text)
    assert line == line_of(rule.at, text)
    for part in rule.says:
        wanted = re.sub(r"<([^<>]+)>", lambda mark: str(line_of(mark[1], text)), part)
        assert wanted in told


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_is_just_right_is_taken(tmp_path: Path, rule: Rule) -> None:
    loaded(tmp_path, changed(*rule.right, text=OTHER))


def test_two_chains_that_both_drive_miso(tmp_path: Path) -> None:
    loaded(tmp_path, TEXT + TWO_CHAINS)
    text = TEXT + changed(('"spare"', '"panel"'), ("select = 0", "select = 2"), text=TWO_CHAINS)
    text = changed(("port = 0\n", "port = 1 # three selects\n"), ("port = 1\n", "port = 0\n"), text=text)
    ((line, told),) = findings(tmp_path, text)
    assert line == line_of('bus = "panel"\nselect = 2', text)
    place = line_of('[[part]]\nname = "inputs"', text)
    assert f'part "more inputs" is on bus "panel" with part "inputs" (line {place})' in told
    assert "both drive MISO all the time" in told
    assert 'into the chain of "inputs"' in told


def test_what_the_sample_becomes(tmp_path: Path) -> None:
    console = loaded(tmp_path, OTHER)
    dimmed, more, shifted, plain, _ = console.parts
    assert (dimmed.addresses, more.addresses) == ((0x40, 0x41), (0x42,))
    assert (dimmed.channels, dimmed.bits, dimmed.bus.kind) == (32, 1232, "i2c")
    assert (dimmed.lines, more.lines, shifted.lines) == ({"blank": 25}, {}, {"latch": 24})
    assert (plain.gpios, plain.channels, plain.bus.kind, plain.bus.rehearsed) == ((5, 6, 26), 3, "lines", True)
    # source: tests/references/pca9685-prescale.tsv, the rows of 1000 and 1526 Hz.
    assert dimmed.pwm_hz == pytest.approx(1017.2526, abs=1e-4)
    assert more.pwm_hz == pytest.approx(1525.8789, abs=1e-4)
    assert (shifted.pwm_hz, plain.pwm_hz) == (None, None)
    assert [bus.name for bus in console.buses] == ["cabinet", "panel", "rehearsed lines"]


def test_the_lines_of_all_plain_parts_share_one_bus(tmp_path: Path) -> None:
    second = '[[part]]\nname = "too"\ntype = "GPIO"\ngpios = "20"\nwires = "rehearsed"\n'
    console = loaded(tmp_path, OTHER + second)
    assert [bus.name for bus in console.buses] == ["cabinet", "panel", "rehearsed lines"]
    console = loaded(tmp_path, OTHER + second.replace("rehearsed", "real"))
    assert [bus.name for bus in console.buses] == ["cabinet", "panel", "rehearsed lines", "plain lines"]


# source: arithmetic: 2 × 616 bits at 400 kHz are 3.08 ms.
PAGE = [
    "cabinet  I2C 1  400,000 Hz    real wires  SDA GPIO 2, SCL GPIO 3",
    "dimmed   2 × PCA9685  channels 0-31  cabinet 0x40-0x41  PWM 1017 Hz, blank GPIO 25 (header pin 22), free none",
    "more     1 × PCA9685  channels 0-15  cabinet 0x42       PWM 1526 Hz, free 0-15",
    "shifted  2 × 74HC595  channels 0-15  panel CE0          latch GPIO 24 (header pin 18), free 0-15",
    "plain    3 × GPIO     channels 0-2   GPIO 5-6, 26       free 0-1",
    "cabinet  dimmed    2 × 616 bits in 3.080 ms, 100 times a second: 30.8%",
    'part "more" has no blank line: while its bus fails, nothing darkens its lamps',
    'part "plain": the board holds GPIO 5-6 high until the daemon runs: lamps may glow',
]


@pytest.mark.parametrize("line", PAGE)
def test_page(tmp_path: Path, line: str) -> None:
    page = told(loaded(tmp_path, OTHER))
    assert f"  {line}" in page.split("\n")
    assert "16 mA" in page
    assert "lines  " not in page


@pytest.mark.parametrize(
    ("change", "caution"),
    [
        (("rate_hz = 400_000", "rate_hz = 400_001"), 'bus "cabinet" is faster than the 400,000 Hz'),
        (
            ("channel = 2", "channel = 2\ntrim = 0.9"),
            'lamp "DOOR" is on a GPIO, lit or not: neither brightness nor trim',
        ),
    ],
)
def test_cautions(tmp_path: Path, change: tuple[str, str], caution: str) -> None:
    assert caution not in told(loaded(tmp_path, OTHER))
    assert caution in told(loaded(tmp_path, changed(change, text=OTHER)))


def test_lines_that_stay_low_or_are_wired_are_no_matter(tmp_path: Path) -> None:
    text = changed(('"5-6, 26"', '"12-13, 26"'), ("address = 0x42", "address = 0x42\nblank = 22"), text=OTHER)
    page = told(loaded(tmp_path, text))
    assert "may glow" not in page
    assert 'part "more" has no blank' not in page
