"""The board's 40-pin header: which GPIO numbers it carries, and which of them its buses and serial port take.

Source: Raspberry Pi documentation, "GPIO and the 40-pin header"; BCM numbers throughout.
"""

from typing import Literal

Model = Literal[
    "Raspberry Pi 2B",
    "Raspberry Pi 3B",
    "Raspberry Pi 3B+",
    "Raspberry Pi 4B",
    "Raspberry Pi 5",
    "Raspberry Pi Zero 2 W",
]
"""The boards this header is the same on."""

PIN_OF = {
    2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32, 13: 33, 14: 8, 15: 10, 16: 36,
    17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16, 24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip
"""Header pin of each GPIO number; 0 and 1 are left out: the board reads an add-on's memory there when it starts."""

SPI_LINES = {
    0: {7: "CE1", 8: "CE0", 9: "MISO", 10: "MOSI", 11: "SCLK"},
    1: {16: "CE2", 17: "CE1", 18: "CE0", 19: "MISO", 20: "MOSI", 21: "SCLK"},
}
"""What each SPI port does with the GPIO numbers it takes."""

I2C_LINES = {1: {2: "SDA", 3: "SCL"}}
"""What each I2C port does with the GPIO numbers it takes. I2C 0 is the board's own, for an add-on's memory."""
I2C_USUAL = 400_000
"""Hertz: what the board's I2C is made for (from memory); it can be set higher, on short wires."""

BUSES = {"spi": "SPI", "i2c": "I2C"}
"""The kinds of bus a board has, and what people call them."""
BUS_LINES = {"spi": SPI_LINES, "i2c": I2C_LINES}

FASTEST = {"spi": 32_000_000, "i2c": 1_000_000}
"""Hertz: the fastest clock of each; for I2C that of Fast-mode Plus (from memory)."""

PULLED_UP = frozenset(range(2, 9))
"""GPIO numbers that are held high by the board until something drives them (from memory)."""

PULLED_UP_FOR_GOOD = frozenset((2, 3))
"""GPIO numbers with a resistor of 1.8 kΩ to 3.3 V on the board (Raspberry Pi documentation): those of I2C."""

SERIAL_LINES = {14: "TXD", 15: "RXD"}
SERIAL_DEVICES = ("/dev/serial0", "/dev/ttyAMA0", "/dev/ttyS0")
"""The names under which the serial port on the header may appear."""


def selects(port: int) -> int:
    """Return how many chip selects an SPI port has."""
    return sum(name.startswith("CE") for name in SPI_LINES[port].values())


def gpio(number: int) -> int:
    """Return `number` if it is a GPIO a control line can use; else raise ValueError: what is wrong, what to do."""
    if number in (0, 1):
        raise ValueError(f"is {number}, which the board keeps for itself", "use GPIO 2 to 27")
    if number not in PIN_OF:
        counted = [f"header pin {number} is GPIO {gpio}" for gpio, pin in PIN_OF.items() if pin == number]
        raise ValueError(f"is {number}, but the header carries GPIO 2 to 27", *(counted or ["use one of those"]))
    return number
