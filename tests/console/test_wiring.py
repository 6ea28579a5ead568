import re
from pathlib import Path

import pytest

from bridge.console import describe
from tests.console.sample import OTHER, TEXT, changed, loaded, told

# source: read off the sample by eye; free channels are those no row, lamp, key or sentinel names.
PAGE = """\
Bench: 5 lamps, 6 keys
  described in PATH
  board: Raspberry Pi 3B+

Buses
  panel  SPI 0  2,000,000 Hz  real wires  CE1 GPIO 7, CE0 GPIO 8, MISO GPIO 9,
                                          MOSI GPIO 10, SCLK GPIO 11
  spare  SPI 1  1,000,000 Hz  rehearsed   CE2 GPIO 16, CE1 GPIO 17, CE0 GPIO 18,
                                          MISO GPIO 19, MOSI GPIO 20, SCLK GPIO
                                          21

Parts
  drivers  2 × TLC5947  channels 0-47  panel CE0  latch GPIO 24 (header pin 18),
                                                  blank GPIO 25 (header pin 22),
                                                  free 4, 6-47
  inputs   3 × 74HC165  channels 0-23  panel CE1  load GPIO 23 (header pin 16),
                                                  always high 23, always low 0,
                                                  free 5, 7, 9-22

Lamps
  A.3 … A.0  accumulator  drivers 0-3  J1 1-4  red, white/blue, green, pink
  RUN                     drivers 5    J1 6    grey

Kinds of lamp
  4 × lamp  glow: filament, 12 V, 0.08 A, 2350    LED fitted
            K, rises in 60 ms, falls in 33 ms
  1 × lamp  pilot: filament, 12 V, 0.08 A, 2300   filament fitted, gets the duty
            K, rises in 60 ms

Brightness
  calm         60%  of what follows; from dark to full in 900 ms at least
  registers    80%  trims: A.2 0.9, A.1 0.95
  in no group  90%  trims: RUN 0.7

Keys
  W.2 … W.0            toggle, closed low              inputs 1-3   J2 a1-a3
  SELECT.A … SELECT.W  selector, position, closed low  inputs 6, 8
  START                momentary, closed high          inputs 4

Typewriter and cards
  typewriter  /dev/serial/by-id/usb-x, real wires, 110 baud 7E2: carries 10.0
              characters a second, 10 are typed; 72 columns, a return takes 120
              ms and 4 ms a column
  reader      folder "reader", 300 cards a minute
  punch       folder "punch", 100 cards a minute, 40 blank cards at first

Card codes
  reader  x3.26
  punch   harbour: like commercial, with £ 12-8-4, ½ 0-8-4 of its own

Rates
  lamps  written 250 times a second
  keys   read 200 times a second; a change counts after 20 ms of rest
  pace   2 times the real machine's

Bus time
  panel  drivers   2 × 288 bits in 0.288 ms, 250 times a second: 7.2%
  panel  inputs    3 × 8 bits in 0.012 ms, 200 times a second: 0.2%
  panel  together  7.4% of its time (at most 80%)

Mind
  bus "spare" has no part on it"""


def test_a_readers_page(tmp_path: Path) -> None:
    reader = '"reader"\ntaken_out = "finish"\nstacker_cards = 500\nstart_key = "START"\nend_key = "W.2"\n'
    page = " ".join(told(loaded(tmp_path, changed(('"reader"\n', reader)))).split())
    said = 'reader folder "reader", 300 cards a minute, 500 cards fill the stacker, a deck that is taken out is read to'
    assert f"{said} its end; keys: start START, end W.2 punch" in page


def test_page(tmp_path: Path) -> None:
    console = loaded(tmp_path)
    assert describe(console).replace(str(console.path), "PATH") == PAGE


def test_page_of_next_to_nothing(tmp_path: Path) -> None:
    page = told(loaded(tmp_path, 'format = 1\nname = "Bare"\n'))
    assert [line for line in page.split("\n") if line and line[0] != " "] == ["Bare: 0 lamps, 0 keys", "Rates"]


# source: arithmetic: bits over the clock, times the rate.
@pytest.mark.parametrize(
    ("chips", "clock", "rate", "transfer", "share"),
    [
        (8, 2_000_000, 200, "1.152 ms", "23.0%"),
        (13, 2_000_000, 200, "1.872 ms", "37.4%"),
        (13, 1_000_000, 100, "3.744 ms", "37.4%"),
    ],
)
def test_bus_time(tmp_path: Path, chips: int, clock: int, rate: int, transfer: str, share: str) -> None:
    text = changed(
        ("chips = 2", f"chips = {chips}"),
        ("rate_hz = 2_000_000", f"rate_hz = {clock}"),
        ("rate_hz = 250", f"rate_hz = {rate}"),
    )
    wanted = f"panel  drivers   {chips} × 288 bits in {transfer}, {rate} times a second: {share}"
    assert wanted in told(loaded(tmp_path, text))


@pytest.mark.parametrize(
    ("change", "caution"),
    [
        (
            ("always_high = [23]", ""),
            'part "inputs": its last channel (23) is not always high, as its serial_in is low: a wire that breaks',
        ),
        (
            ("always_low = [0]", 'serial_in = "high"'),
            'part "inputs": its last channel (23) is not always low, as its serial_in is high',
        ),
        (('kind = "glow"\n', ""), 'kind "glow" is that of no lamp'),
        (('group = "registers"\n', ""), 'group "registers" has no lamp in it'),
        (
            ('fitted = "filament"', 'fitted = "neon"'),
            'lamp "RUN" (J1 pin 6, grey) is a neon, lit or not: neither brightness nor trim',
        ),
        (("serial/by-id/usb-x", "ttyUSB0"), "/dev/ttyUSB0 may be another device after a restart"),
    ],
)
def test_cautions(tmp_path: Path, change: tuple[str, str], caution: str) -> None:
    assert caution not in told(loaded(tmp_path))
    assert caution in told(loaded(tmp_path, changed(change)))


@pytest.mark.parametrize(("brightness", "trim", "warned"), [(1, 1, False), (0.9, 1, True), (1, 0.7, True)])
def test_a_neon_that_nothing_dims_is_no_matter(tmp_path: Path, brightness: float, trim: float, warned: bool) -> None:
    text = changed(
        ('fitted = "filament"\ntrim = 0.7', f'fitted = "neon"\ntrim = {trim}'),
        ("brightness = 0.9", f"brightness = {brightness}"),
    )
    assert ("is a neon" in told(loaded(tmp_path, text))) is warned


def test_one_trim_for_a_whole_row(tmp_path: Path) -> None:
    console = loaded(tmp_path, changed(("trims = [1, 0.9, 0.95, 1]", "trim = 0.9")))
    assert [lamp.trim for lamp in console.lamp_rows[0].lamps] == [0.9] * 4


def test_lamps_are_instant_unless_something_else_is_said(tmp_path: Path) -> None:
    console = loaded(tmp_path, changed(('kind = "pilot"\n', ""), ('kind = "glow"\n', "")))
    assert {lamp.kind.name for lamp in console.lamps} == {"instant"}


def test_wires_known_in_part(tmp_path: Path) -> None:
    page = told(loaded(tmp_path, changed(('wire = "grey"\n', ""))))
    assert re.search(r"RUN +drivers 5 +J1 6$", page, re.MULTILINE)


def test_it_fits_80_columns(tmp_path: Path) -> None:
    path = tmp_path.relative_to(tmp_path.anchor)
    for text in (TEXT, OTHER):
        page = describe(loaded(tmp_path, text)).split("\n")
        assert max(len(line) for line in page if str(path) not in line) <= 80


def test_supplies(tmp_path: Path) -> None:
    page = told(loaded(tmp_path, OTHER))
    assert "  lamps  5 V    gives 4 A  fuse 3 A  on by itself\n  logic  3.3 V\n" in page
