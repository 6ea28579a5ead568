"""Small consoles for tests."""

from pathlib import Path

from bridge.console import load
from bridge.console.facts import Console

SMALL = """\
format = 1
name = "Small"

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 2_000_000
wires = "real"

[[part]]
name = "lamp drivers"
type = "TLC5947"
chips = 1
bus = "panel"
select = 0
latch = 24
blank = 25

[[part]]
name = "key inputs"
type = "74HC165"
chips = 1
bus = "panel"
select = 1
load = 23
always_high = [0]
always_low = [7]

[[lamp_row]]
name = "A"
numbers = "7-0"
part = "lamp drivers"
channels = "0-7"

[[key]]
name = "START"
kind = "momentary"
part = "key inputs"
channel = 1

[[key]]
name = "DOOR"
kind = "toggle"
part = "key inputs"
channel = 2
closed = "high"

[punch]
folder = "punch"
cards_per_minute = 100

[reader]
folder = "reader"
cards_per_minute = {cards_per_minute}
"""


def small_console(folder: Path, cards_per_minute: int = 300, reader: str = "") -> Console:
    """Eight lamps, two keys, a reader and a punch."""
    file = folder / "small.toml"
    file.write_text(SMALL.format(cards_per_minute=cards_per_minute) + reader)
    return load(file)


BIG = """\
format = 1
name = "Big"
[lamps]
kind = "pilot"
[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 4_000_000
wires = "rehearsed"
[[part]]
name = "lamp drivers"
type = "TLC5947"
chips = {lamp_chips}
bus = "panel"
select = 0
latch = 24
blank = 25
[[part]]
name = "key inputs"
type = "74HC165"
chips = {key_chips}
bus = "panel"
select = 1
load = 23
always_high = [0]
always_low = [{last_input}]
[[lamp_row]]
name = "L"
numbers = "0-{last_lamp}"
part = "lamp drivers"
channels = "0-{last_lamp}"
[[key_row]]
name = "K"
kind = "toggle"
numbers = "0-{last_key}"
part = "key inputs"
channels = "1-{keys}"
"""


def big_console(folder: Path, lamps: int = 256, keys: int = 128) -> Console:
    """So many filament lamps and keys on one rehearsed bus."""
    file = folder / f"big-{lamps}.toml"
    key_chips = -(-(keys + 2) // 8)
    file.write_text(
        BIG.format(
            lamp_chips=-(-lamps // 24),
            key_chips=key_chips,
            last_input=8 * key_chips - 1,
            last_lamp=lamps - 1,
            last_key=keys - 1,
            keys=keys,
        )
    )
    return load(file)
