"""Each electrical rule: a description that breaks it, and the nearest one that does not."""

from pathlib import Path
from typing import NamedTuple

import pytest

from bridge.console import Console, DescriptionError, load
from bridge.console.electrical import Judged, lamp_amps, unjudged

HEAD = """\
format = 1
name = "Bench"

[board]
model = "Raspberry Pi 3B+"

[[supply]]
name = "logic"
volts = 3.3
on = "with the board"

[[supply]]
name = "five"
volts = 5.0
amps = 1.0
fuse = 0.5

[[supply]]
name = "apart"
volts = 3.3
on = "by itself"

[[supply]]
name = "twelve"
volts = 12

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 1_000_000
wires = "real"

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"
"""

PARTS = {
    "TLC5947": 'chips = 1\nbus = "panel"\nselect = 0\nlatch = 24\nblank = 25\n',
    "74HC595": 'chips = 1\nbus = "panel"\nselect = 0\nlatch = 24\n',
    "74HC165": 'chips = 1\nbus = "panel"\nselect = 1\nload = 23\n',
    "PCA9685": 'chips = 1\nbus = "cabinet"\naddress = 0x40\nblank = 25\n',
    "MCP23017": 'chips = 1\nbus = "cabinet"\naddress = 0x20\n',
    "GPIO": 'gpios = "5-6, 12-13, 16, 20-22"\nwires = "real"\n',
    "GPIO inputs": 'gpios = "5-6"\nwires = "real"\n',
}


def text(kind: str, keys: str, lamps: int = 0, head: str = HEAD) -> str:
    row = f'\n[[lamp_row]]\nname = "A"\nnumbers = "0-{lamps - 1}"\npart = "it"\nchannels = "0-{lamps - 1}"\n'
    return f'{head}\n[[part]]\nname = "it"\ntype = "{kind}"\n{PARTS[kind]}{keys}\n{row if lamps else ""}'


def read(folder: Path, described: str) -> Console:
    path = folder / "bench.toml"
    path.write_text(described, encoding="utf-8")
    return load(path)


class Rule(NamedTuple):
    kind: str
    wrong: str
    right: str
    says: str
    lamps: int = 0


LAMPS = 'lamp_supply = "five"\nlamp_volts = 2.0\n'

# source: arithmetic on the data sheets' figures (bridge/parts): 0.7 × 5 V = 3.5 V is more than 3.3 V, and so on.
RULES = {
    "HC at 5 V driven from 3.3 V": Rule(
        "74HC595", 'supply = "five"', 'supply = "logic"', "takes a signal for high from 3.50 V on, but the board's"
    ),
    "the same behind a shifter": Rule(
        "74HC595", 'supply = "five"\nshifter = "to board"', 'supply = "five"\nshifter = "to part"', "from 3.50 V on"
    ),
    "an expander at 5 V": Rule("MCP23017", 'supply = "five"', 'supply = "logic"', "from 4.00 V on"),
    "a supply beyond the data sheet": Rule("MCP23017", 'supply = "twelve"', 'supply = "logic"', "takes 1.8 to 5.5 V"),
    "lines of the board on a supply": Rule("GPIO", 'supply = "five"', 'supply = "logic"', "but a GPIO takes 3.3 V"),
    "5 V into a line of the board, driven": Rule(
        "74HC165",
        'supply = "five"\nshifter = "to part"',
        'supply = "five"\nshifter = "both"',
        "is on 5 V and drives a line of the board with it",
    ),
    "5 V into a line of the board, by a contact": Rule(
        "GPIO inputs", 'contacts = "five"', 'contacts = "logic"', 'bring 5 V ("five") to a line of the board'
    ),
    "5 V into a chip at 3.3 V, by a contact": Rule(
        "74HC165",
        'supply = "logic"\ncontacts = "five"',
        'supply = "logic"\ncontacts = "logic"',
        "to a 74HC165, which here stands 3.3 V",
    ),
    "BLANK pulled to 5 V": Rule(
        "TLC5947",
        'blank_pulled_to = "five"',
        'blank_pulled_to = "logic"',
        'the blank line of part "it" is pulled up to supply "five", 5 V: that is 5 V at a line of the board',
    ),
    "BLANK pulled above its chip, behind a shifter": Rule(
        "TLC5947",
        'supply = "logic"\nshifter = "to part"\nblank_pulled_to = "five"',
        'supply = "five"\nshifter = "to part"\nblank_pulled_to = "five"',
        "pulled up to 5 V, above its own supply of 3.3 V",
    ),
    "a board that is off, fed by a data line": Rule(
        "74HC165", 'supply = "apart"', 'supply = "logic"', "the part then feeds the board through its data line"
    ),
    "the same behind a shifter that isolates": Rule(
        "74HC165", 'supply = "apart"\nshifter = "to part"', 'supply = "apart"\nshifter = "both"', "feeds the board"
    ),
    "a board that is off, fed by BLANK": Rule(
        "TLC5947", 'blank_pulled_to = "apart"', 'blank_pulled_to = "logic"', "while the board is off, and then feeds it"
    ),
    "a board that is off, fed by a contact": Rule(
        "GPIO inputs", 'contacts = "apart"', 'contacts = "logic"', "while the board is off, and then feeds it"
    ),
    "lamps on more than outputs stand": Rule(
        "PCA9685", 'lamp_supply = "twelve"', 'lamp_supply = "five"', "outputs of a PCA9685 stand 5.5 V"
    ),
    "lamps on more than lines of the board stand": Rule(
        "GPIO", 'lamp_supply = "five"', 'lamp_supply = "five"\ntransistors = true', "outputs of a GPIO stand 3.3 V"
    ),
    "more than an output carries": Rule(
        "TLC5947", "reference_ohms = 1500", "reference_ohms = 1640", "takes 32.8 mA, but an output of a TLC5947", 1
    ),
    "more than a chip carries": Rule(
        "74HC595",
        LAMPS + "resistor_ohms = 330",
        LAMPS + "resistor_ohms = 390",
        '8 lamps of one chip of part "it" take 72.7 mA, but a 74HC595 carries 70 mA',
        8,
    ),
    "more than a line of the board carries": Rule(
        "GPIO", "lamp_ma = 17", "lamp_ma = 16", "takes 17 mA, but a line of the board carries 16 mA", 2
    ),
    "more than all lines carry": Rule(
        "GPIO", "lamp_ma = 6.5", "lamp_ma = 6.25", "together take 52 mA, but its lines together carry about 50 mA", 8
    ),
    "a fuse exceeded with every lamp lit": Rule(
        "TLC5947",
        'lamp_supply = "five"\nlamp_ma = 21',
        'lamp_supply = "five"\nlamp_ma = 20.8',
        'supply "five" is to give 0.504 A, but its fuse carries 0.5 A',
        24,
    ),
    "expander pins that are outputs only": Rule(
        "MCP23017", "always_low = [7]", "always_low = [6]", "GPA7: an output, and no input (Microchip"
    ),
    "a supply that is not described": Rule(
        "MCP23017", 'supply = "logik"', 'supply = "logic"', '"supply" of part "it" is "logik", which is no supply'
    ),
}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_rule(tmp_path: Path, rule: Rule) -> None:
    described = text(rule.kind, rule.wrong, rule.lamps)
    with pytest.raises(DescriptionError) as caught:
        read(tmp_path, described)
    (finding,) = [one for one in caught.value.findings if rule.says in one.wrong]
    assert finding.line is not None
    assert finding.line > 4
    assert finding.todo
    read(tmp_path, text(rule.kind, rule.right, rule.lamps))


def test_the_line_is_that_of_the_key(tmp_path: Path) -> None:
    described = text("74HC595", 'supply = "five"')
    with pytest.raises(DescriptionError) as caught:
        read(tmp_path, described)
    (finding,) = caught.value.findings
    assert finding.line is not None
    assert described.split("\n")[finding.line - 1] == 'supply = "five"'


def test_a_supply_exceeded_with_every_lamp_lit(tmp_path: Path) -> None:
    keys = 'lamp_supply = "five"\nlamp_ma = 30'
    # source: arithmetic: 24 × 30 mA = 0.72 A.
    for fits, amps in ((False, "0.71"), (True, "0.72")):
        described = text("TLC5947", keys, 24, HEAD.replace("amps = 1.0\nfuse = 0.5", f"amps = {amps}"))
        if fits:
            read(tmp_path, described)
        else:
            with pytest.raises(DescriptionError, match=r"is to give 0.72 A, but it gives 0.71 A"):
                read(tmp_path, described)


def test_two_driven_outputs_on_one_line(tmp_path: Path) -> None:
    other = '\n[[part]]\nname = "more"\ntype = "74HC165"\nchips = 1\nbus = "panel"\nselect = 0\nload = 22\n'
    with pytest.raises(DescriptionError, match="MISO"):
        read(tmp_path, text("74HC165", "") + other)
    read(tmp_path, text("74HC165", ""))
    same = '\n[[part]]\nname = "more"\ntype = "GPIO"\ngpios = "23"\nwires = "real"\n'
    with pytest.raises(DescriptionError, match="GPIO 23 is used twice"):
        read(tmp_path, text("74HC165", "") + same)
    read(tmp_path, text("74HC165", "") + same.replace("23", "22"))


@pytest.mark.parametrize(
    ("to", "says"), [("five", "that is 5 V at a line of the board"), ("apart", "and then feeds it"), ("logic", "")]
)
def test_a_bus_pulled_up(tmp_path: Path, to: str, says: str) -> None:
    head = HEAD.replace("rate_hz = 400_000\n", f'rate_hz = 400_000\npulled_to = "{to}"\n')
    if says:
        with pytest.raises(DescriptionError, match=f'bus "cabinet" is pulled up to supply "{to}".*{says}'):
            read(tmp_path, text("MCP23017", "", head=head))
    else:
        read(tmp_path, text("MCP23017", "", head=head))


def facts(console: Console) -> Judged:
    return Judged(console.board, console.supplies, console.buses, console.parts, console.lamps)


@pytest.mark.parametrize(
    ("kind", "keys", "amps"),
    [
        # source: arithmetic: 41 × 1.20 V / 5100 Ω; (5 V - 2 V) / 300 Ω; (3.3 V - 2 V) / 180 Ω.
        ("TLC5947", "reference_ohms = 5100\nlamp_ma = 3", 9.647e-3),
        ("74HC595", LAMPS + "resistor_ohms = 300\nlamp_ma = 3", 10e-3),
        ("GPIO", "lamp_volts = 2.0\nresistor_ohms = 180", 7.222e-3),
        ("PCA9685", "resistor_ohms = 180\nlamp_ma = 3", 3e-3),
        ("PCA9685", "resistor_ohms = 180", None),
        ("PCA9685", 'lamp_supply = "five"\nlamp_volts = 6\nresistor_ohms = 180', 0.0),
    ],
)
def test_what_a_lamp_takes(tmp_path: Path, kind: str, keys: str, amps: float | None) -> None:
    (part,) = read(tmp_path, text(kind, keys)).parts
    taken = lamp_amps(part)
    assert taken == (None if amps is None else pytest.approx(amps, rel=1e-3))


@pytest.mark.parametrize(
    ("kind", "keys", "lamps", "lines"),
    [
        (
            "TLC5947",
            "",
            1,
            [
                'part "it": '
                + "; ".join(
                    [
                        "its supply and levels (for want of supply)",
                        "where its blank line is pulled (for want of blank_pulled_to)",
                        "its lamps' supply (for want of lamp_supply)",
                        "its lamps' current (for want of lamp_ma, or reference_ohms)",
                    ]
                )
            ],
        ),
        (
            "74HC595",
            'supply = "logic"\nlamp_supply = "twelve"\ntransistors = true',
            1,
            ['part "it": its lamps\' current (for want of lamp_ma, or resistor_ohms and lamp_volts)'],
        ),
        (
            "74HC165",
            'supply = "five"\nshifter = "both"',
            0,
            [
                'part "it": '
                + "; ".join(
                    [
                        'whether it feeds a board that is off (for want of on of supply "five")',
                        "what its contacts bring (for want of contacts)",
                    ]
                )
            ],
        ),
        (
            "74HC595",
            'supply = "logic"\nlamp_supply = "twelve"\nlamp_ma = 80\ntransistors = true',
            1,
            [
                'supply "twelve": its load (for want of amps)',
                'supply "twelve": whether its fuse carries that (for want of fuse)',
            ],
        ),
        ("GPIO", "lamp_ma = 3", 1, []),
    ],
)
def test_what_is_not_judged(tmp_path: Path, kind: str, keys: str, lamps: int, lines: list[str]) -> None:
    assert unjudged(facts(read(tmp_path, text(kind, keys, lamps)))) == lines


def test_a_board_of_which_nothing_is_known(tmp_path: Path) -> None:
    described = text("GPIO", "lamp_ma = 12", 1)
    newer = described.replace("3B+", "5")
    assert unjudged(facts(read(tmp_path, newer))) == [
        "lines of the board: their current (no figure is known for a Raspberry Pi 5)"
    ]
    unnamed = described.replace('[board]\nmodel = "Raspberry Pi 3B+"\n', "")
    assert unjudged(facts(read(tmp_path, unnamed))) == [
        "lines of the board: their current (for want of a [board] with its model)"
    ]
