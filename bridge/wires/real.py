"""The board's own buses and lines: spidev for SPI, gpiozero on lgpio for lines. Chosen explicitly, never a fall-back.

spidev rather than lgpio's SPI because it lets go of the interpreter lock during a transfer.
"""

import os
import tempfile
from typing import Any

from bridge.errors import ConsoleError
from bridge.wires.lines import GpioLine

REHEARSE = "To try without the hardware, add --rehearse."


class WireError(ConsoleError):
    """A bus or line that cannot be opened; says what to install, enable or free."""


class RealSpi:
    """One chip select of a real SPI bus."""

    def __init__(self, device: Any) -> None:
        self._device = device

    def transfer(self, data: bytes) -> bytes:
        """Shift `data` out and return what came in. Raises OSError when the bus fails."""
        return bytes(self._device.xfer2(data))

    def close(self) -> None:
        """Let go of the bus."""
        self._device.close()


class RealWires:
    """Opens the board's buses and lines. Raises WireError, from the method that needs what is missing."""

    def __init__(self) -> None:
        self._factory: Any = None
        self._opened: list[RealSpi | GpioLine] = []

    def spi(self, port: int, select: int, rate_hz: int) -> RealSpi:
        """Open SPI `port`, chip select `select`, at `rate_hz`."""
        try:
            import spidev  # noqa: PLC0415 -- only a board with real wires has it
        except ImportError:
            raise WireError(
                f"SPI{port}: the Python module spidev is not installed. On the board: sudo apt install python3-spidev "
                f"(in a venv made with --system-site-packages), or, in a clone, pip install '.[pi]'. {REHEARSE}"
            ) from None
        device = spidev.SpiDev()
        try:
            device.open(port, select)
            device.mode = 0
            device.max_speed_hz = rate_hz
        except FileNotFoundError:
            raise WireError(
                f"SPI{port} chip select {select}: /dev/spidev{port}.{select} does not exist. Enable SPI: put "
                f"dtparam=spi=on into /boot/firmware/config.txt and start the board again. {REHEARSE}"
            ) from None
        except PermissionError:
            raise WireError(
                f"SPI{port} chip select {select}: /dev/spidev{port}.{select} may not be opened by this user. "
                "Add the user to the group spi: sudo usermod -aG spi $USER, then log in again."
            ) from None
        except OSError as error:
            raise WireError(f"SPI{port} chip select {select}: {error.strerror}. {REHEARSE}") from None
        spi = RealSpi(device)
        self._opened.append(spi)
        return spi

    def line(self, gpio: int, level: bool) -> GpioLine:
        """Open a GPIO as an output that starts at `level`."""
        if self._factory is None:
            self._factory = _lgpio_factory(gpio)
        try:
            line = GpioLine(self._factory, gpio, level)
        except Exception as error:  # lgpio.error derives from Exception alone
            raise WireError(
                f"GPIO{gpio}: cannot be used as an output ({error}). Another program may hold it: stop that one first."
            ) from error
        self._opened.append(line)
        return line

    def close(self) -> None:
        """Let go of every bus and line."""
        for opened in reversed(self._opened):
            opened.close()
        self._opened.clear()
        if self._factory is not None:
            self._factory.close()
            self._factory = None


def _lgpio_factory(gpio: int) -> Any:
    # lgpio makes a FIFO in the working directory as soon as it is imported, and fails where it may not.
    os.environ.setdefault("LG_WD", os.environ.get("RUNTIME_DIRECTORY") or tempfile.gettempdir())
    try:
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415 -- only a board with real wires has it
    except ImportError:
        raise WireError(
            f"GPIO{gpio}: the Python module lgpio is not installed. On the board: sudo apt install python3-lgpio "
            f"(in a venv made with --system-site-packages), or, in a clone, pip install '.[pi]'. {REHEARSE}"
        ) from None
    try:
        return LGPIOFactory()
    except Exception as error:  # lgpio.error and gpiozero's errors have no common base
        raise WireError(
            f"GPIO{gpio}: this board's lines cannot be opened ({error}). On a Raspberry Pi, add the user to the group "
            f"gpio: sudo usermod -aG gpio $USER, then log in again. {REHEARSE}"
        ) from error
