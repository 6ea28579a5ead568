"""PCA9685: 16 outputs with 12-bit PWM behind an I2C bus (NXP data sheet).

The numbers of the registers and the rule for the prescaler agree with published drivers; the bits are from memory.

Each output is on from one count of 4096 to another; a bit at the end of either number makes it on or off altogether. A
chip wakes up asleep and with all outputs off. After a dip in its supply it does so again, in the middle of a show: so
it is asked once a second whether it still is as it was set up.
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from bridge.parts.facts import Codes, ControlLine, Electrical, Facts, Pwm
from bridge.wires.kinds import I2c, Line

MODE1, MODE2, LED0, ALL_OFF_HIGH, PRE_SCALE = 0x00, 0x01, 0x06, 0xFD, 0xFE
"""Registers; LED0 is the first of four for each output: ON low, ON high, OFF low, OFF high."""

RESTART, INCREMENT, SLEEP, ALL_CALL = 0x80, 0x20, 0x10, 0x01
"""Bits of MODE1: PWM was put to sleep; a block fills successive registers; asleep; the common address counts too."""
TOTEM_POLE = 0x04
"""MODE2: outputs drive both ways, not inverted, low while OE is high."""
ALTOGETHER = 0x10
"""The bit of an ON or OFF high byte that makes an output on or off altogether; off wins."""

OSCILLATOR = 25_000_000
CHANNELS, STEPS = 16, 4096
BLOCK = 32
"""Data bytes an SMBus block carries at most."""
COMMON = 0x70
"""The address every chip listens to until it is set up."""


def prescale(hertz: float) -> int:
    """Return the PRE_SCALE value, 3–255, for a PWM rate."""
    return min(max(round(OSCILLATOR / (STEPS * hertz)) - 1, 3), 255)


def rate(value: int) -> float:
    """Return the PWM rate in hertz for a PRE_SCALE value."""
    return OSCILLATOR / (STEPS * (value + 1))


FACTS = Facts(
    name="PCA9685",
    serves="lamps",
    bus="i2c",
    channels=CHANNELS,
    # Each block is address, register and data, nine clocks a byte, between a start and a stop.
    bits_per_chip=CHANNELS * 4 // BLOCK * (9 * (2 + BLOCK) + 2),
    max_rate_hz=1_000_000,
    pwm_hz=rate(prescale(1526)),
    lines=(
        ControlLine(
            "blank",
            "OE: high switches every output off; hold it high with a resistor. Left out if OE is wired low",
            at_rest=True,
            optional=True,
        ),
    ),
    source="NXP PCA9685 data sheet",
    # The fastest by default: only from 1250 Hz on is full-depth PWM of low risk (IEEE Std 1789-2015).
    pwm=Pwm(24, 1526, 1526, lambda hertz: rate(prescale(hertz))),
    addresses=tuple(address for address in range(0x40, 0x80) if address != COMMON),
    electrical=Electrical(
        (2.3, 5.5),
        0.7,
        "NXP PCA9685 data sheet; from memory",
        tolerates=5.5,
        speaks="pulled",
        lamps="plain",
        lamp_volts=5.5,
        channel_ma=25.0,
        chip_ma=400.0,
    ),
)

FULL = 4095
"""The code of an output lit all the time; the duty of the others is code / 4096."""


def encode(codes: Codes) -> bytes:
    """Return the LED registers of all outputs, four bytes a channel: 64 a chip. `codes` 0–4095, channel 0 first."""
    on_off = np.zeros((len(codes), 2), "<u2")
    on_off[:, 1] = codes
    on_off[codes == FULL] = (ALTOGETHER << 8, 0)
    on_off[codes == 0] = (0, ALTOGETHER << 8)
    return on_off.tobytes()


def decode(data: bytes) -> Codes:
    """Return the codes that LED registers (four bytes a channel) show."""
    on, off = np.frombuffer(data, "<u2").reshape(-1, 2).T
    codes: Codes = ((off - on) % STEPS).astype(np.uint16)
    codes[(on & ALTOGETHER << 8) != 0] = FULL
    codes[(off & ALTOGETHER << 8) != 0] = 0
    return codes


class Driver:
    """Drives the chips at `addresses` with PWM of `pwm_hz`; `lines["blank"]`, if there is one, must be high already.

    Dark from the first moment on: each chip is darkened before it wakes up, and the line blanks until one has been.
    """

    def __init__(self, i2c: I2c, lines: Mapping[str, Line], addresses: Sequence[int], pwm_hz: float) -> None:
        self._i2c = i2c
        self._blank = lines.get("blank")
        self._settings = ((MODE1, INCREMENT), (MODE2, TOTEM_POLE), (PRE_SCALE, prescale(pwm_hz)))
        self._set_up = dict.fromkeys(addresses, False)
        self._blanked = True
        self._each_chip(self._ready)
        self._unblank()

    def write(self, codes: Codes) -> None:
        """Show `codes` 0–4095, channel 0 first. Raises OSError, naming the chip, after all others have been written."""
        registers = encode(codes)
        length = len(registers) // len(self._set_up)
        starts = {address: n * length for n, address in enumerate(self._set_up)}

        def fill(address: int) -> None:
            self._ready(address)
            for at in range(0, length, BLOCK):
                block = registers[starts[address] + at :][:BLOCK]
                self._i2c.write(address, LED0 + at, block)

        failed = self._each_chip(fill)
        self._unblank()
        if failed is not None:
            raise failed

    def check(self) -> bool:
        """Read every chip's settings back; return True if one has lost them. The next `write` sets it up again."""
        lost = False

        def compare(address: int) -> None:
            nonlocal lost
            if self._set_up[address] and not self._is_as_set_up(address):
                self._set_up[address] = False
                lost = True

        self._each_chip(compare)
        return lost

    def dark(self) -> None:
        """Darken every output, by its line first: that works even when the bus does not."""
        if self._blank is not None:
            self._blank.set(True)
        failed = self._each_chip(lambda address: self._i2c.write(address, ALL_OFF_HIGH, bytes([ALTOGETHER])))
        if failed is not None:
            raise failed

    def _ready(self, address: int) -> None:
        """Set a chip up, dark, unless it is."""
        if self._set_up[address]:
            return
        self._i2c.write(address, ALL_OFF_HIGH, bytes([ALTOGETHER]))
        # PRE_SCALE can only be written asleep. Until the oscillator is steady again, half a millisecond after waking,
        # PWM may be uneven; nothing need wait for that.
        for register, value in ((MODE1, INCREMENT | SLEEP), *reversed(self._settings)):
            self._i2c.write(address, register, bytes([value]))
        self._set_up[address] = True

    def _is_as_set_up(self, address: int) -> bool:
        found = [(register, self._i2c.read(address, register, 1)[0]) for register, _ in self._settings]
        return all((at, byte & ~RESTART if at == MODE1 else byte) in self._settings for at, byte in found)

    def _unblank(self) -> None:
        # Once: after `dark` it stays blanked. One chip that is missing shall not keep the others dark.
        if self._blank is not None and self._blanked and any(self._set_up.values()):
            self._blank.set(False)
            self._blanked = False

    def _each_chip(self, act: Callable[[int], None]) -> OSError | None:
        """Do something with each chip, whatever becomes of the others; return the first trouble, naming the chip."""
        failed = None
        for address in self._set_up:
            try:
                act(address)
            except OSError as error:
                # It may have lost its supply with its plug.
                self._set_up[address] = False
                failed = failed or OSError(error.errno, f"the chip at 0x{address:02X}: {error.strerror or error}")
        return failed


class Twin:
    """So many chips as the bus sees them, at power-up, by number.

    Not simulated: common addresses, and what RESTART resumes.
    """

    def __init__(self, chips: int) -> None:
        self._chips = [bytearray(256) for _ in range(chips)]
        self._blanked = True
        for chip in range(chips):
            self.upset(chip)

    def upset(self, chip: int) -> None:
        """Give a chip the registers it has after its supply has dipped: asleep, every output off."""
        registers = self._chips[chip]
        registers[:] = bytes(256)
        registers[MODE1], registers[MODE2], registers[PRE_SCALE] = SLEEP | ALL_CALL, TOTEM_POLE, 0x1E
        for channel in range(CHANNELS):
            registers[LED0 + 4 * channel + 3] = ALTOGETHER

    def write(self, chip: int, register: int, data: bytes) -> None:
        """Take a register's number and what is written from there on."""
        for byte in data:
            self._put(chip, register, byte)
            register += self._chips[chip][MODE1] & INCREMENT != 0

    def read(self, chip: int, register: int, count: int) -> bytes:
        """Return `count` registers from one on, or one of them so many times."""
        step = int(self._chips[chip][MODE1] & INCREMENT != 0)
        return bytes(self._chips[chip][register + step * n] for n in range(count))

    def blank(self, level: bool) -> None:
        """Take an edge of OE: high switches every output off."""
        self._blanked = level

    def codes(self) -> Codes:
        """Return what each output shows now, 0–4095, channel 0 first; zeros while blanked or asleep."""
        shown = [decode(bytes(chip[LED0 : LED0 + 4 * CHANNELS])) * (not chip[MODE1] & SLEEP) for chip in self._chips]
        return np.concatenate(shown) * (not self._blanked)

    def _put(self, chip: int, register: int, byte: int) -> None:
        registers = self._chips[chip]
        if ALL_OFF_HIGH - 3 <= register <= ALL_OFF_HIGH:
            for channel in range(CHANNELS):
                registers[LED0 + 4 * channel + register - (ALL_OFF_HIGH - 3)] = byte
        elif register == MODE1:
            was = registers[MODE1]
            slept = was & RESTART & ~byte or (RESTART if byte & SLEEP & ~was else 0)
            registers[MODE1] = byte & ~RESTART | slept
        elif register != PRE_SCALE:
            registers[register] = byte
        elif registers[MODE1] & SLEEP:
            registers[PRE_SCALE] = max(byte, 3)
