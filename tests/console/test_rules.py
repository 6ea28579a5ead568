"""Each rule: a change to the sample that breaks it, and the nearest one that does not."""

import re
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.console.sample import changed, findings, line_of, loaded

Changes = tuple[tuple[str, str], ...]


PART_TWICE = """\
[[part]]
name = "drivers" # too
type = "TLC5947"
chips = 1
bus = "spare"
select = 0
latch = 26
blank = 27

"""


class Rule(NamedTuple):
    wrong: Changes
    at: str
    """A piece of the changed text: the line it begins on is the line told."""
    says: tuple[str, ...]
    """What must be told; <a piece of the text> stands for the number of its line."""
    right: Changes = ()


PORT = "platform-3f980000.usb-usb-0:1.2"

RULES = {
    # Keys, kinds and bounds.
    "no format": Rule((("format = 1\n", ""),), 'name = "Bench"', ('lacks the key "format"', "format = 1")),
    "no name": Rule((('name = "Bench"\n', ""),), "format", ("the description lacks", 'name = "Skerry Mk 2"')),
    "unknown table": Rule(
        (("[pace]", "[pase]"),), "[pase]", ('the description has no key "pase"', 'did you mean "pace"?')
    ),
    "unknown key, one like it": Rule(
        (("blank_cards", "blank_card"),), "blank_card", ('[punch] has no key "blank_card"', '"blank_cards"?')
    ),
    "unknown key, none like it": Rule(
        (("settle_ms", "whistle"),), "whistle", ('[scan] has no key "whistle"', "known here: rate_hz, settle_ms")
    ),
    # Card codes.
    "two characters on one pattern": Rule(
        (('"½" = "4-0-8"', '"½" = "8-4-12"'),),
        '"½" = "8-4-12"',
        ('"£" and "½" of card_code "harbour" are both 12-8-4', "give each character holes of its own"),
    ),
    "unknown row": Rule(
        (('"½" = "4-0-8"', '"½" = "10-4-8"'),),
        '"½"',
        ('"½" of "holes" of card_code "harbour" has "10", which is no row of a card', "12, 11 and 0 to 9"),
    ),
    "no holes": Rule((('"½" = "4-0-8"', '"½" = ""'),), '"½"', ('has "", which is no row',)),
    "row twice": Rule(
        (('"½" = "4-0-8"', '"½" = "8-0-8"'),), '"½"', ('is "8-0-8", which has a row twice', "name each row once")
    ),
    "holes as a number": Rule((('"½" = "4-0-8"', '"½" = 8'),), '"½"', ('"½" of "holes"', "text in quotes, but is 8")),
    "two characters for one": Rule(
        (('"½" = ', '"1/2" = '),),
        '"1/2"',
        ('"1/2" of "holes" of card_code "harbour" is no single printing character', 'for example "£" = "12-8-4"'),
        right=(('"½" = ', '"Ж" = '),),
    ),
    "a mark that goes on another": Rule((('"½" = ', '"\u0301" = '),), '"\u0301"', ("no single printing character",)),
    "a character beyond the first plane": Rule((('"½" = ', '"🂡" = '),), '"🂡"', ("no single printing character",)),
    "a space with holes": Rule((('"½" = ', '" " = '),), '" " = ', ("is a blank column in every code",)),
    "code with a built-in name": Rule(
        (('name = "harbour"', 'name = "scientific"'), ('code = "harbour"', 'code = "scientific"')),
        'name = "scientific"',
        ('card_code "scientific"', "name of a built-in code"),
    ),
    "code like an unknown one": Rule(
        (('like = "commercial"', 'like = "comercial"'),),
        'like = "comercial"',
        ('"like" of card_code "harbour" cannot be "comercial"', 'did you mean "commercial"?'),
        right=(('like = "commercial"\n', ""),),
    ),
    "unknown code": Rule(
        (('code = "harbour"', 'code = "habour"'),),
        'code = "habour"',
        ('[punch] has cards in code "habour", which is not described', 'did you mean "harbour"?'),
        right=(('code = "harbour"', 'code = "x3.26"'),),
    ),
    "a broken code is not blamed on who names it": Rule((('"½" = "4-0-8"', '"½" = "13"'),), '"½"', ('has "13"',)),
    # What lamps look like.
    "unknown kind of lamp": Rule(
        (('kind = "glow"', 'kind = "glo"'),), 'kind = "glo"', ('lamp_row "A"', 'kind "glo"', 'did you mean "glow"?')
    ),
    "unknown kind for all lamps": Rule(
        (('kind = "pilot"', 'kind = "pilots"'),), 'kind = "pilots"', ("[lamps]", 'did you mean "pilot"?')
    ),
    "too quick to be calm": Rule(
        (("calm_fade_ms = 900", "calm_fade_ms = 99"), ('kind = "pilot"', 'kind = "pilots"')),
        "calm_fade_ms = 99",
        ('"calm_fade_ms" of [lamps] is 99, which is too low', "at least 100"),
        right=(("calm_fade_ms = 900", "calm_fade_ms = 100"),),
    ),
    "kind without a time": Rule(
        (("rise_ms = 60\nfall_ms = 33\n", ""),),
        'name = "glow"',
        ('lamp_kind "glow"', "neither how fast its light rises nor how fast it falls", "add rise_ms or fall_ms"),
        right=(("rise_ms = 60\n", ""),),
    ),
    "kind with a built-in name": Rule(
        (('name = "glow"', 'name = "quick"'), ('kind = "glow"', 'kind = "quick"')),
        'name = "quick"',
        ('lamp_kind "quick"', "name of a built-in kind"),
    ),
    "unknown group": Rule(
        (('group = "registers"', 'group = "register"'),), 'group = "register"', ('did you mean "registers"?',)
    ),
    "too few trims": Rule(
        (("trims = [1, 0.9, 0.95, 1]", "trims = [1, 0.9, 0.95]"),),
        "trims = [1, 0.9, 0.95]",
        ('"trims" of lamp_row "A" lists 3, but it has 4 lamps',),
    ),
    "trim and trims": Rule(
        (("trims = [1, 0.9, 0.95, 1]", "trims = [1, 0.9, 0.95, 1]\ntrim = 0.9"),),
        "trim = 0.9",
        ('lamp_row "A" has both trim and trims', "give one of them"),
    ),
    "a trim above one": Rule(
        (("trim = 0.7", "trim = 1.7"),),
        "trim = 1.7",
        ('"trim" of lamp "RUN" is 1.7, which is too high', "at most 1"),
        right=(("trim = 0.7", "trim = 1"),),
    ),
    "a lamp that rises too fast": Rule(
        (("rise_ms = 60", "rise_ms = 4.9"),),
        "rise_ms = 4.9",
        ("too low", "at least 5"),
        right=(("rise_ms = 60", "rise_ms = 5"),),
    ),
    "a kind too cold to glow": Rule(
        (("kelvin = 2350", "kelvin = 1799"),),
        "kelvin = 1799",
        ("too low", "at least 1800"),
        right=(("kelvin = 2350", "kelvin = 1800"),),
    ),
    "key of another type of part": Rule(
        (("blank = 25\n", "blank = 25\nalways_high = [0]\n"),),
        "always_high = [0]\n\n",
        ('part "drivers" has no key "always_high"', "latch", "blank"),
    ),
    "line missing": Rule((("blank = 25\n", ""),), '[[part]]\nname = "drivers"', ('lacks the key "blank"', "blank = ")),
    "table without a name": Rule(
        (('name = "RUN"\n', ""),), "[[lamp]]", ('lamp number 1 lacks the key "name"', 'name = "RUN"')
    ),
    "number as text": Rule(
        (("chips = 2", 'chips = "2"'),),
        'chips = "2"',
        ('"chips" of part "drivers" must be a whole number, but is "2"', "chips = 1"),
    ),
    "fraction for a whole number": Rule((("chips = 2", "chips = 2.0"),), "chips = 2.0", ("whole number", "is 2.0")),
    "truth for a number": Rule((("chips = 2", "chips = true"),), "chips = true", ("whole number", "is true")),
    "text for a number": Rule((("factor = 2.0", 'factor = "2"'),), "factor", ("must be a number",), (("2.0", "2"),)),
    "number as a name": Rule((('name = "RUN"', "name = 7"),), "name = 7", ("lamp number 1", "text in quotes", "is 7")),
    "channels as a list": Rule(
        (('channels = "0-3"', "channels = [0, 1, 2, 3]"),),
        "channels = [0",
        ("text in quotes, but is [0, 1, 2, 3]", 'channels = "0-23"'),
    ),
    "text for a list": Rule((('["A", "W"]', '"A, W"'),), 'positions = "A', ("list in square brackets", '["A", "B"]')),
    "entry of a list": Rule(
        (('"green", "pink"]', '"green",\n  4]'),), "  4]", ('entry 4 of "wires" of lamp_row "A"', "text in quotes")
    ),
    "too low": Rule(
        (("rate_hz = 250", "rate_hz = 99"),),
        "rate_hz = 99",
        ('"rate_hz" of [frames] is 99, which is too low; use at least 100',),
        (("rate_hz = 250", "rate_hz = 100"),),
    ),
    "too high": Rule(
        (("rate_hz = 250", "rate_hz = 401"),),
        "rate_hz = 401",
        ("which is too high; use at most 400",),
        (("rate_hz = 250", "rate_hz = 400"),),
    ),
    "no pace": Rule(
        (("factor = 2.0", "factor = 0"),), "factor", ("too low; use more than 0",), (("factor = 2.0", "factor = inf"),)
    ),
    "pace that is no number": Rule((("factor = 2.0", "factor = nan"),), "factor", ("use more than 0",)),
    "choice of words": Rule(
        (('"momentary"', '"momentry"'),), '"momentry"', ('key "START" cannot be "momentry"', 'mean "momentary"?')
    ),
    "choice of numbers": Rule((("data_bits = 7", "data_bits = 9"),), "data_bits", ("cannot be 9; use 7 or 8",)),
    "choice of numbers as text": Rule((("stop_bits = 2", 'stop_bits = "2"'),), "stop_bits", ('"2"; use 1 or 2',)),
    "board": Rule(
        (("Raspberry Pi 3B+", "raspberry-pi 3b+"),),
        "model",
        ('"model" of [board]', 'did you mean "Raspberry Pi 3B+"?'),
        (("Raspberry Pi 3B+", "Raspberry Pi 5"),),
    ),
    "blank before a name": Rule(
        (('"RUN"', '" RUN"'),), '" RUN"', ("1 to 40 printing characters",), (('"RUN"', '"R N"'),)
    ),
    "empty name": Rule((('"RUN"', '""'),), 'name = ""', ("lamp number 1", "1 to 40 printing characters")),
    "long name": Rule(
        (('name = "RUN"', f'name = "{"R" * 41}"'),),
        'name = "RRR',
        ("1 to 40 printing characters",),
        (('name = "RUN"', f'name = "{"R" * 40}"'),),
    ),
    "one position": Rule(
        (('["A", "W"]', '["A"]'), ('"6, 8"', '"6"')), 'positions = ["A"]', ("lists too few; list at least 2",)
    ),
    "no list of numbers": Rule(
        (('"0-3"', '"0 to 3"'),), '"0 to 3"', ('"channels" of lamp_row "A" has "0 to 3" where', 'channels = "0-23"')
    ),
    "type of part, one like it": Rule(
        (('"TLC5947"', '"TLC5974"'),), '[[part]]\nname = "drivers"', ('of type "TLC5974"', 'did you mean "TLC5947"?')
    ),
    "type of part in small letters": Rule(
        (('"TLC5947"', '"tlc5947"'),), '[[part]]\nname = "drivers"', ('of type "tlc5947"', 'did you mean "TLC5947"?')
    ),
    "type of part, none like it": Rule(
        (('"74HC165"', '"relay"'),),
        '[[part]]\nname = "inputs"',
        ("not in the catalogue", "TLC5947, 74HC595, PCA9685, GPIO, 74HC165"),
    ),
    "part without a type": Rule(
        (('type = "TLC5947"\n', ""),), '[[part]]\nname = "drivers"', ('lacks the key "type"', 'type = "TLC5947"')
    ),
    "one bracket for several": Rule(
        (("[[rotary]]", "[rotary]"),), "[rotary]", ("write [[rotary]], here and at each other",)
    ),
    "two brackets for one": Rule((("[scan]", "[[scan]]"),), "[[scan]]", ("write [scan] on a line",)),
    "value for a table": Rule(
        (('[board]\nmodel = "Raspberry Pi 3B+"', "board = 3"),), "board = 3", ("write [board] on a line",)
    ),
}

RULES |= {
    # The header and the buses.
    "GPIO that is a header pin": Rule(
        (("latch = 24", "latch = 38"),), "latch", ("carries GPIO 2 to 27; header pin 38 is GPIO 20",)
    ),
    "GPIO that is nothing": Rule((("latch = 24", "latch = 41"),), "latch", ("GPIO 2 to 27; use one of those",)),
    "GPIO the board keeps": Rule(
        (("latch = 24", "latch = 1"),), "latch", ("which the board keeps for itself",), (("latch = 24", "latch = 2"),)
    ),
    "GPIO twice": Rule(
        (("load = 23", "load = 25"),),
        "load = 25",
        ('GPIO 25 is used twice, by "blank" of part "drivers" on line <blank = 25>', 'by "load" of part "inputs"'),
        (("load = 23", "load = 22"),),
    ),
    "GPIO of SPI 0": Rule(
        (("load = 23", "load = 7"),),
        "load = 7",
        ('by bus "panel" on line <port = 0>', "on line <load = 7>", "another GPIO"),
        (("load = 23", "load = 6"),),
    ),
    "GPIO of SPI 1": Rule((("load = 23", "load = 21"),), "load = 21", ('bus "spare" on line <port = 1>',)),
    "GPIO of the serial port": Rule(
        (("load = 23", "load = 14"), ("serial/by-id/usb-x", "serial0")),
        "device =",
        ("GPIO 14 is used twice", "<load = 14>", "[typewriter]"),
        (("load = 23", "load = 14"),),
    ),
    "port twice": Rule(
        (("port = 1", "port = 0 # too"),),
        "port = 0 # too",
        ("SPI port 0 is used twice", 'by bus "panel"', 'bus "spare"'),
    ),
    "chip select twice": Rule(
        (("select = 1", "select = 0 # too"),),
        "select = 0 # too",
        ('chip select 0 of bus "panel"', 'part "drivers" on line <select = 0\n>', 'part "inputs" on'),
        (('bus = "panel"\nselect = 1', 'bus = "spare"\nselect = 0'),),
    ),
    "chip select the port has not": Rule(
        (("select = 1", "select = 2"),),
        "select = 2",
        ("chip select 2, but SPI 0 has 0 to 1",),
        (('bus = "panel"\nselect = 1', 'bus = "spare"\nselect = 2'),),
    ),
    "no such bus": Rule(
        (('bus = "panel"\nselect = 1', 'bus = "panle"\nselect = 1'),), '"panle"', ("not described", 'mean "panel"?')
    ),
    "bus too fast for a part": Rule(
        (("rate_hz = 2_000_000", "rate_hz = 10_000_001"),),
        'bus = "panel"\nselect = 1',
        ('10,000,001 Hz (line <[[bus]]\nname = "panel">)', "a 74HC165 takes at most 10,000,000 Hz"),
        (("rate_hz = 2_000_000", "rate_hz = 10_000_000"),),
    ),
    # 576 bits at 250 Hz and 24 at 200 Hz are 148,800 bits a second: 80 % of 186,000.
    "bus too slow for its parts": Rule(
        (("rate_hz = 2_000_000", "rate_hz = 185_999"),),
        "rate_hz = 185_999",
        ('"drivers" takes 2 × 288 bits in 3.097 ms, 250 times a second: 77.4%', "80.0% of its time (at most 80%)"),
        (("rate_hz = 2_000_000", "rate_hz = 186_000"),),
    ),
    # 576 + 24 bits between two scans 5 ms apart need 120,000 bits a second; the lamps alone leave room at 100 Hz.
    "lamps keep the keys waiting": Rule(
        (("rate_hz = 2_000_000", "rate_hz = 119_000"), ("rate_hz = 250", "rate_hz = 100")),
        "rate_hz = 119_000",
        ("4.840 ms for a lamp transfer and 0.202 ms for the keys, in the 5.000 ms",),
        (("rate_hz = 2_000_000", "rate_hz = 120_000"), ("rate_hz = 250", "rate_hz = 100")),
    ),
    "rest shorter than a scan": Rule(
        (("settle_ms = 20", "settle_ms = 4"),),
        "settle_ms = 4",
        ("a rest of 4 ms cannot be seen by reading the keys every 5 ms",),
        (("settle_ms = 20", "settle_ms = 5"),),
    ),
    # Names.
    "bus name twice": Rule(
        (('name = "spare"', 'name = "panel" # too'),), "# too", ('bus name "panel"', '<name = "panel"\n>', "<# too>")
    ),
    "part name twice": Rule(
        (("[[lamp_row]]", PART_TWICE + "[[lamp_row]]"),), "# too", ('part name "drivers"', '<name = "drivers"\n>')
    ),
    "lamp name twice": Rule(
        (('name = "RUN"', 'name = "A.2"'),),
        'name = "A.2"',
        ('lamp name "A.2" is used twice, by lamp_row "A" on line <name = "A"\n>', 'by lamp "A.2" on'),
        (('name = "RUN"', 'name = "W.2"'),),
    ),
    "key name twice": Rule(
        (('name = "START"', 'name = "SELECT.W"'),),
        'name = "SELECT.W"',
        ('key name "SELECT.W"', 'by rotary "SELECT"'),
        (('name = "START"', 'name = "RUN"'),),
    ),
    "number twice in a row": Rule(
        (('numbers = "3-0"', 'numbers = "3-1, 1"'),), 'name = "A"\n', ('lamp name "A.1"', 'both times by lamp_row "A"')
    ),
    # Channels.
    "no such part": Rule(
        (('part = "drivers"\nchannel = 5', 'part = "driver"\nchannel = 5'),),
        'part = "driver"\n',
        ('lamp "RUN" is on part "driver", which is not described; did you mean "drivers"?',),
    ),
    "lamps on a part for keys": Rule(
        (('part = "drivers"\nchannel = 5', 'part = "inputs"\nchannel = 5'),),
        'part = "inputs"\nchannel = 5',
        ('lamp "RUN" is on part "inputs", but a 74HC165 serves keys; name a part that serves lamps',),
    ),
    "keys on a part for lamps": Rule(
        (('part = "inputs"\nchannel = 4', 'part = "drivers"\nchannel = 4'),),
        'part = "drivers"\nchannel = 4',
        ("but a TLC5947 serves lamps; name a part that serves keys",),
    ),
    "channel beyond the chain": Rule(
        (("channel = 5", "channel = 48"),),
        "channel = 48",
        ('channel 48 of part "drivers" (line <[[part]]\nname = "drivers">), but 2 × TLC5947 is channels 0-47',),
        (("channel = 5", "channel = 47"),),
    ),
    "row beyond the chain": Rule(
        (('channels = "0-3"', 'channels = "45-48"'),),
        '"45-48"',
        ('lamp_row "A" goes to channel 48 of',),
        (('channels = "0-3"', 'channels = "44-47"'),),
    ),
    "channel twice": Rule(
        (("channel = 5", "channel = 3"),),
        "channel = 3",
        ('channel 3 of part "drivers" is used twice', 'lamp_row "A" on line <channels = "0-3">', 'lamp "RUN" on'),
        (("channel = 5", "channel = 4"),),
    ),
    "channel twice in a row": Rule(
        (('channels = "0-3"', 'channels = "0-2, 0"'),), '"0-2, 0"', ("channel 0 of", 'both times by lamp_row "A"')
    ),
    "sentinel that is a key": Rule(
        (("always_high = [23]", "always_high = [4]"),),
        "channel = 4",
        ('"always_high" of part "inputs" on line <always_high = [4]>', 'by key "START" on'),
        (("always_high = [23]", "always_high = [5]"),),
    ),
    "sentinel high and low": Rule(
        (("always_low = [0]", "always_low = [23]"),), "always_low", ("channel 23", "always_high")
    ),
    "sentinel beyond the chain": Rule(
        (("always_low = [0]", "always_low = [24]"),),
        "always_low",
        ('"always_low" of part "inputs" goes to channel 24', "3 × 74HC165 is channels 0-23"),
        (("always_low = [0]", "always_low = []"),),
    ),
    "cables that are not one a chip": Rule(
        (("load = 23", 'load = 23\ncables = ["J1", "J2"]'),),
        "cables = ",
        ('"cables" of part "inputs" lists 2, but it has 3 chips', "list one for each, or one for all"),
        (("load = 23", 'load = 23\ncables = ["J1", "J2", "J2"]'),),
    ),
    "interlock of what is no key": Rule(
        (('[[key]]\nname = "START"', '[[interlock]]\nkeys = ["START", "SELECT.Z"]\n\n[[key]]\nname = "START"'),),
        'keys = ["START", "SELECT.Z"]',
        ('interlock number 1 has "SELECT.Z", which is no key', "did you mean"),
        (('[[key]]\nname = "START"', '[[interlock]]\nkeys = ["START", "SELECT.A"]\n\n[[key]]\nname = "START"'),),
    ),
    "interlock of a key with itself": Rule(
        (('[[key]]\nname = "START"', '[[interlock]]\nkeys = ["START", "START"]\n\n[[key]]\nname = "START"'),),
        'keys = ["START", "START"]',
        ('key "START"', "interlock number 1"),
    ),
    # Counts, pins and wires.
    "too few channels": Rule(
        (('channels = "0-3"', 'channels = "0-2"'),),
        '"0-2"',
        ('"channels" of lamp_row "A" lists 3, but it has 4 lamps',),
    ),
    "too many pins": Rule((('"a1-a3"', '"a1-a4"'),), '"a1-a4"', ('"pins" of key_row "W" lists 4, but it has 3 keys',)),
    "too few wires": Rule((('"green", "pink"', '"green"'),), "wires = [", ('"wires"', "lists 3, but it has 4 lamps")),
    "no wires at all": Rule((('"red", "white/blue", "green", "pink"', ""),), "wires = []", ("lists 0",)),
    "too many positions": Rule(
        (('["A", "W"]', '["A", "W", "C"]'),), 'channels = "6, 8"', ('rotary "SELECT" lists 2, but it has 3 keys',)
    ),
    "pins without a connector": Rule(
        (('connector = "J2"\n', ""),),
        'pins = "a1',
        ('key_row "W" has pins but no connector; give both or neither',),
        (('connector = "J2"\npins = "a1-a3"\n', ""),),
    ),
    "connector without pins": Rule(
        (("pin = 6\n", ""),), 'connector = "J1"\nwire', ('lamp "RUN" has connector but no pins',)
    ),
    "connector pin twice": Rule(
        (("pin = 6", 'pin = "4"'),),
        'pin = "4"',
        ('pin 4 of connector "J1" is used twice', 'lamp_row "A" on line <pins = "1-4">', 'lamp "RUN" on'),
        (("pin = 6", "pin = 5"),),
    ),
    "lamp and key on one pin": Rule(
        (('connector = "J1"\npin = 6', 'connector = "J2"\npin = "a2"'),),
        'pins = "a1-a3"',
        ('pin a2 of connector "J2"', 'lamp "RUN" on line <pin = "a2">', 'key_row "W" on'),
        (('connector = "J1"\npin = 6', 'connector = "J2"\npin = "b2"'),),
    ),
    "two pins for one lamp": Rule((("pin = 6", 'pin = "6-7"'),), 'pin = "6-7"', ("names 2 pins; name one",)),
    "pin of no kind": Rule((("pin = 6", "pin = true"),), "pin = true", ("must be text in quotes, but is true",)),
    # Typewriter and cards.
    "real wires to no device": Rule(
        (('device = "/dev/serial/by-id/usb-x"\n', ""),),
        'wires = "real"\nbaud',
        ("the wires of [typewriter] are real, but it has no device",),
        (('wires = "real"\ndevice = "/dev/serial/by-id/usb-x"', 'wires = "rehearsed"'),),
    ),
    "device elsewhere": Rule((("/dev/serial/by-id", "COM3:"),), "device", ("which is no device",)),
    "odd baud": Rule((("baud = 110", "baud = 111"),), "baud", ("no serial line is set to; use one of 50, 75, 110",)),
    # source: arithmetic: 110 baud / (1 start + 7 data + 1 parity + 2 stop bits) = 10 characters a second.
    "typewriter faster than its line": Rule(
        (("characters_per_second = 10", "characters_per_second = 10.1"),),
        "baud = 110",
        ("types 10.1 characters a second", "its line carries 10.00"),
        (("characters_per_second = 10", "characters_per_second = 10.0"),),
    ),
    "reader key that is none": Rule(
        (('"reader"\n', '"reader"\nstart_key = "STRAT"\n'),),
        "start_key",
        ('start_key of [reader] is "STRAT", which is no key', 'did you mean "START"?'),
        (('"reader"\n', '"reader"\nstart_key = "START"\n'),),
    ),
    "reader key that may be in a broken table": Rule(
        (('"reader"\n', '"reader"\nstart_key = "W.9"\n'), ('kind = "toggle"', 'kind = "togle"')),
        'kind = "togle"',
        ('"togle"',),
        (('"reader"\n', '"reader"\nstart_key = "W.2"\n'),),
    ),
    "one key for two acts": Rule(
        (('"reader"\n', '"reader"\nstart_key = "START"\nend_key = "START"\n'),),
        "end_key",
        ('key "START" is used twice', '"start_key" of [reader]', '"end_key" of [reader]', "another key"),
        (('"reader"\n', '"reader"\nstart_key = "START"\nend_key = "W.2"\n'),),
    ),
    "load without start": Rule(
        (('"reader"\n', '"reader"\nload_key = "START"\n'),),
        "load_key",
        ('[reader] has "load_key" but no "start_key": a deck that was loaded by mistake', "add a start_key"),
        (('"reader"\n', '"reader"\nload_key = "START"\nstart_key = "W.1"\n'),),
    ),
    "stop without start": Rule(
        (('"reader"\n', '"reader"\nstop_key = "START"\n'),),
        "stop_key",
        ('"stop_key" but no "start_key": nothing would make it go on',),
        (('"reader"\n', '"reader"\nend_key = "START"\n'),),
    ),
    "stacker nobody can empty": Rule(
        (('"reader"\n', '"reader"\nstacker_cards = 99_999\n'),),
        "stacker_cards",
        ('"stacker_cards" but no "start_key": a stacker that is full',),
        (('"reader"\n', '"reader"\nstacker_cards = 100_000\n'),),
    ),
    "start key misspelt": Rule(
        (('"reader"\n', '"reader"\nstop_key = "START"\nstart_kee = "W.1"\n'),),
        "start_kee",
        ('[reader] has no key "start_kee"',),
    ),
    "taken out and nothing known": Rule(
        (('"reader"\n', '"reader"\ntaken_out = "go on"\n'),),
        "taken_out",
        ('"taken_out" of [reader]', "finish"),
        (('"reader"\n', '"reader"\ntaken_out = "finish"\n'),),
    ),
    "folder from the root": Rule((('"punch"', '"/srv/punch"'),), '"/srv/punch"', ("inside the state directory",)),
    "folder above": Rule((('"punch"', '"cards/../../punch"'),), 'folder = "cards', ("inside the state directory",)),
    "folder without a name": Rule(
        (('"punch"', '"."'),), 'folder = "."', ("must be a folder inside",), (('"punch"', '"cards/punch"'),)
    ),
    "sticks go nowhere": Rule(
        (('folder = "punch"\n', ""),),
        "[punch]",
        ('[punch] has neither "port" nor "folder"', "consolewright sticks watch", 'folder = "punch"'),
        (('folder = "punch"', f'port = "{PORT}"'),),
    ),
    "sticks go two ways": Rule(
        (('folder = "punch"', f'port = "{PORT}"\nfolder = "punch"'),),
        'folder = "punch"',
        ('[punch] has both "port" and "folder"', "leave the folder out"),
    ),
    "no USB port": Rule(
        (('folder = "punch"', f'port = "{PORT}:1.0-scsi-0:0:0:0"'),),
        'port = "platform',
        (f'names "{PORT}:1.0-scsi-0:0:0:0", which is no USB port', "consolewright sticks watch"),
        (('folder = "punch"', f'port = "{PORT}, pci-0000:01:00.0-usb-0:1"'),),
    ),
    "no text for a port": Rule(
        (('folder = "punch"', "port = 2"),), "port = 2", ("must be text in quotes, but is 2", PORT)
    ),
    "one port for two": Rule(
        (('folder = "reader"', f'port = "{PORT}"'), ('folder = "punch"', f'port = "{PORT}3, {PORT}"')),
        f'port = "{PORT}3',
        (f'USB port "{PORT}" is used twice', f'[reader] on line <port = "{PORT}"\n>', "[punch]"),
        (('folder = "reader"', f'port = "{PORT}"'), ('folder = "punch"', f'port = "{PORT}3"')),
    ),
    "one folder for two": Rule(
        (('"punch"', '"reader" # too'),),
        "# too",
        ('folder "reader"', '[reader] on line <folder = "reader"\n>', "[punch]"),
    ),
}


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_breaks_it_is_told_and_nothing_else(tmp_path: Path, rule: Rule) -> None:
    text = changed(*rule.wrong)
    found = findings(tmp_path, text)
    assert len(found) == 1, found
    line, told = found[0]
    assert line == line_of(rule.at, text)
    for part in rule.says:
        wanted = re.sub(r"<([^<>]+)>", lambda mark: str(line_of(mark[1], text)), part)
        assert wanted in told


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES.keys())
def test_what_is_just_right_is_taken(tmp_path: Path, rule: Rule) -> None:
    loaded(tmp_path, changed(*rule.right))
