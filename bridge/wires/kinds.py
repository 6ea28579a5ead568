"""The kinds of wires, as every part sees them, real or rehearsed."""

from typing import Literal, Protocol

Pull = Literal["up", "down", "none"]
"""The resistor on an input: to the supply, to ground, or none."""


class Spi(Protocol):
    """One chip select of an SPI bus, clock mode 0, most significant bit first."""

    def transfer(self, data: bytes) -> bytes:
        """Shift `data` out and return the bytes shifted in meanwhile. Raises OSError when the bus fails."""

    def close(self) -> None:
        """Let go of the bus."""


class I2c(Protocol):
    """One I2C bus. A chip that is not there, or does not acknowledge, raises OSError, as a bus that fails does."""

    def write(self, address: int, register: int, data: bytes) -> None:
        """Write `data`, 1 to 32 bytes, to the chip at a 7-bit `address`, beginning with a register."""

    def read(self, address: int, register: int, count: int) -> bytes:
        """Read `count` bytes, 1 to 32, beginning with a register."""

    def close(self) -> None:
        """Let go of the bus."""


class Line(Protocol):
    """One output line."""

    def set(self, level: bool) -> None:
        """Put the line high or low."""

    def close(self) -> None:
        """Let go of the line; it becomes an input again."""


class Input(Protocol):
    """One input line."""

    def get(self) -> bool:
        """Return its level. Raises OSError when it cannot be read."""

    def close(self) -> None:
        """Let go of the line."""


class Wires(Protocol):
    """Where buses and lines come from. Every method raises WireError with what to install, enable or free."""

    def spi(self, port: int, select: int, rate_hz: int) -> Spi:
        """Open a chip select of an SPI bus."""

    def i2c(self, port: int, rate_hz: int) -> I2c:
        """Open an I2C bus, which is to run at `rate_hz`."""

    def line(self, gpio: int, level: bool) -> Line:
        """Open a GPIO (number as the processor's maker counts them) as an output that starts at `level`."""

    def drain(self, gpio: int) -> Line:
        """Open a GPIO as an output that is never driven high: when high it is let go of, as it is at first."""

    def input(self, gpio: int, pull: Pull) -> Input:
        """Open a GPIO as an input, with this resistor in the board."""

    def close(self) -> None:
        """Let go of everything opened here."""
