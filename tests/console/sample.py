"""A small description that is right, and ways to change it."""

from pathlib import Path

import pytest

from bridge.console import Console, DescriptionError, describe, load

TEXT = """\
format = 1
name = "Bench"

[board]
model = "Raspberry Pi 3B+"

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 2_000_000
wires = "real"

[[bus]]
name = "spare"
kind = "spi"
port = 1
rate_hz = 1_000_000
wires = "rehearsed"

[[part]]
name = "drivers"
type = "TLC5947"
chips = 2
bus = "panel"
select = 0
latch = 24
blank = 25

[[part]]
name = "inputs"
type = "74HC165"
chips = 3
bus = "panel"
select = 1
load = 23
always_high = [23]
always_low = [0]

[[lamp_kind]]
name = "glow"
volts = 12
amps = 0.08
kelvin = 2350
rise_ms = 60
fall_ms = 33
keep_warm = 0.01

[[group]]
name = "registers"
brightness = 0.8

[lamps]
kind = "pilot"
brightness = 0.9
calm = true
calm_brightness = 0.6
calm_fade_ms = 900

[[lamp_row]]
name = "A"
title = "accumulator"
numbers = "3-0"
part = "drivers"
channels = "0-3"
connector = "J1"
pins = "1-4"
wires = ["red", "white/blue", "green", "pink"]
kind = "glow"
fitted = "LED"
group = "registers"
trims = [1, 0.9, 0.95, 1]

[[lamp]]
name = "RUN"
part = "drivers"
channel = 5
connector = "J1"
pin = 6
wire = "grey"
fitted = "filament"
trim = 0.7

[[key_row]]
name = "W"
kind = "toggle"
numbers = "2-0"
part = "inputs"
channels = "1-3"
connector = "J2"
pins = "a1-a3"

[[key]]
name = "START"
kind = "momentary"
part = "inputs"
channel = 4
closed = "high"

[[interlock]]
keys = ["W.2", "SELECT.A"]

[[rotary]]
name = "SELECT"
title = "selector"
positions = ["A", "W"]
part = "inputs"
channels = "6, 8"

[frames]
rate_hz = 250

[scan]
rate_hz = 200
settle_ms = 20

[pace]
factor = 2.0

[typewriter]
wires = "real"
device = "/dev/serial/by-id/usb-x"
baud = 110
data_bits = 7
parity = "even"
stop_bits = 2
characters_per_second = 10
return_ms = 120
travel_ms = 4
columns = 72

[[card_code]]
name = "harbour"
like = "commercial"

[card_code.holes]
"£" = "12-8-4"
"½" = "4-0-8"

[reader]
folder = "reader"
cards_per_minute = 300

[punch]
folder = "punch"
cards_per_minute = 100
code = "harbour"
blank_cards = 40
"""

OTHER = """\
format = 1
name = "Other"

[[supply]]
name = "lamps"
volts = 5.0
amps = 4.0
fuse = 3.0
on = "by itself"

[[supply]]
name = "logic"
volts = 3.3

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 2_000_000
wires = "real"

[[part]]
name = "dimmed"
type = "PCA9685"
chips = 2
bus = "cabinet"
address = 0x40
pwm_hz = 1000
blank = 25

[[part]]
name = "more"
type = "PCA9685"
chips = 1
bus = "cabinet"
address = 0x42

[[part]]
name = "shifted"
type = "74HC595"
chips = 2
bus = "panel"
select = 0
latch = 24

[[part]]
name = "plain"
type = "GPIO"
gpios = "5-6, 26"
wires = "rehearsed"

[[part]]
name = "inputs"
type = "74HC165"
chips = 1
bus = "panel"
select = 1
load = 23

[[lamp_row]]
name = "A"
numbers = "31-0"
part = "dimmed"
channels = "0-31"

[[lamp]]
name = "DOOR"
part = "plain"
channel = 2
kind = "amber"

[[neon_kind]]
name = "amber"
strikes = 0.3
holds = 0.2
colour = "#ffa040"

[frames]
rate_hz = 100
"""
"""Another, of parts on I2C, of plain lines, of an optional line left out, and of a neon."""


def changed(*changes: tuple[str, str], text: str = TEXT) -> str:
    """Return `text` with each (old, new) done; every old must be there exactly once."""
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the sample"
        text = text.replace(old, new)
    return text


def line_of(part: str, text: str = TEXT) -> int:
    """Return the line on which `part` begins; it must be there exactly once."""
    assert text.count(part) == 1, f"{part!r} stands {text.count(part)} times"
    return text[: text.index(part)].count("\n") + 1


def loaded(folder: Path, text: str = TEXT) -> Console:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def told(console: Console) -> str:
    """Return the page on a console with no line broken."""
    return describe(console, width=1000)


def findings(folder: Path, text: str) -> list[tuple[int | None, str]]:
    """Return the line and the words of everything wrong with `text`, which must be wrong, and check how it is told."""
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load(path)
    found = caught.value.findings
    assert str(caught.value) == "\n".join(f"{path}:{one.line}: {one.wrong}; {one.todo}" for one in found)
    return [(one.line, f"{one.wrong}; {one.todo}") for one in found]
