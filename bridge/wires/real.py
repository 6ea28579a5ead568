"""The board's own buses and lines: spidev, smbus2, and gpiozero on lgpio. Chosen explicitly, never a fall-back.

spidev rather than lgpio's SPI because it lets go of the interpreter lock during a transfer.
"""

import os
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from bridge.errors import ConsoleError
from bridge.wires.kinds import Pull
from bridge.wires.lines import GpioDrain, GpioInput, GpioLine

ADAPTERS = Path("/sys/bus/i2c/devices")


CHIPS = Path("/dev")
"""Where the kernel puts its GPIO chips, gpiochip0, gpiochip1 …"""
LABELS = ("pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1")
"""What the chip behind the header of a board is called: up to the Pi 3, Pi 4, Pi 5. Its number is another each time."""


L = TypeVar("L", GpioLine, GpioDrain, GpioInput)


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


class RealI2c:
    """A real I2C bus, by SMBus block transfers: smbus2 and Debian's smbus module have them in common."""

    def __init__(self, device: Any) -> None:
        self._device = device

    def write(self, address: int, register: int, data: bytes) -> None:
        """Write 1 to 32 bytes to a chip, beginning with a register. Raises OSError when it does not acknowledge."""
        self._device.write_i2c_block_data(address, register, list(data))

    def read(self, address: int, register: int, count: int) -> bytes:
        """Read 1 to 32 bytes, beginning with a register. Raises OSError when the chip does not acknowledge."""
        return bytes(self._device.read_i2c_block_data(address, register, count))

    def close(self) -> None:
        """Let go of the bus."""
        self._device.close()


class RealWires:
    """Opens the board's buses and lines. Raises WireError, from the method that needs what is missing.

    Any thread may open them: what was missing at the start is opened by the bus that needs it.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._factory: Any = None
        self._opened: list[RealSpi | RealI2c | GpioLine | GpioDrain | GpioInput] = []

    def spi(self, port: int, select: int, rate_hz: int) -> RealSpi:
        """Open SPI `port`, chip select `select`, at `rate_hz`."""
        try:
            import spidev  # noqa: PLC0415 -- only a board with real wires has it
        except ImportError:
            raise WireError(
                f"SPI{port}: the Python module spidev is not installed. On the board: sudo apt install python3-spidev "
                f"(in a venv made with --system-site-packages), or, in a clone, pip install '.[pi]'."
            ) from None
        device = spidev.SpiDev()
        try:
            device.open(port, select)
            try:
                device.mode = 0
                device.max_speed_hz = rate_hz
            except OSError:
                device.close()
                raise
        except FileNotFoundError:
            raise WireError(
                f"SPI{port} chip select {select}: /dev/spidev{port}.{select} does not exist. Enable SPI: put "
                f"dtparam=spi=on into /boot/firmware/config.txt and start the board again."
            ) from None
        except PermissionError:
            raise WireError(
                f"SPI{port} chip select {select}: /dev/spidev{port}.{select} may not be opened by this user. "
                "Add the user to the group spi: sudo usermod -aG spi $USER, then log in again."
            ) from None
        except OSError as error:
            raise WireError(f"SPI{port} chip select {select}: {error.strerror}.") from None
        spi = RealSpi(device)
        self._opened.append(spi)
        return spi

    def i2c(self, port: int, rate_hz: int) -> RealI2c:
        """Open I2C `port`. Its rate is the board's to set: one that is known to be lower than `rate_hz` is an error."""
        try:
            import smbus2  # noqa: PLC0415 -- only a board with real wires has it
        except ImportError:
            raise WireError(
                f"I2C{port}: the Python module smbus2 is not installed. On the board: sudo apt install python3-smbus2 "
                f"(in a venv made with --system-site-packages), or, in a clone, pip install '.[pi]'."
            ) from None
        set_to = _clock(port)
        if set_to is not None and set_to < rate_hz:
            raise WireError(
                f"I2C{port}: the board runs it at {set_to:,} Hz, but rate_hz of its bus is {rate_hz:,}. Put "
                f"{_setting(rate_hz)} into /boot/firmware/config.txt and start the board again, or lower rate_hz."
            )
        try:
            device = smbus2.SMBus(port)
        except FileNotFoundError:
            raise WireError(
                f"I2C{port}: /dev/i2c-{port} does not exist. Enable I2C: put {_setting(rate_hz)} into "
                "/boot/firmware/config.txt and i2c-dev into /etc/modules, and start the board again "
                f"(raspi-config does both)."
            ) from None
        except PermissionError:
            raise WireError(
                f"I2C{port}: /dev/i2c-{port} may not be opened by this user. "
                "Add the user to the group i2c: sudo usermod -aG i2c $USER, then log in again."
            ) from None
        except OSError as error:
            raise WireError(f"I2C{port}: {error.strerror}.") from None
        i2c = RealI2c(device)
        self._opened.append(i2c)
        return i2c

    def line(self, gpio: int, level: bool) -> GpioLine:
        """Open a GPIO as an output that starts at `level`."""
        return self._line(gpio, "an output", lambda factory: GpioLine(factory, gpio, level))

    def drain(self, gpio: int) -> GpioDrain:
        """Open a GPIO as an output that is never driven high."""
        return self._line(gpio, "an output", lambda factory: GpioDrain(factory, gpio))

    def input(self, gpio: int, pull: Pull) -> GpioInput:
        """Open a GPIO as an input, with this resistor in the board."""
        return self._line(gpio, "an input", lambda factory: GpioInput(factory, gpio, pull))

    def _line(self, gpio: int, use: str, make: Callable[[Any], L]) -> L:
        with self._lock:
            if self._factory is None:
                self._factory = _lgpio_factory(gpio)
            try:
                line = make(self._factory)
            except Exception as error:  # noqa: BLE001 -- lgpio.error derives from Exception alone
                raise WireError(
                    f"GPIO{gpio}: cannot be used as {use} ({error}). Another program may hold it: stop that one first."
                ) from None
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


def _setting(rate_hz: int) -> str:
    return f"dtparam=i2c_arm=on,i2c_arm_baudrate={rate_hz}"


def _clock(port: int) -> int | None:
    """Return the rate the board's device tree gives an I2C bus, None where that is not to be found."""
    try:
        return int.from_bytes((ADAPTERS / f"i2c-{port}" / "of_node" / "clock-frequency").read_bytes(), "big")
    except OSError:
        return None


def _lgpio_factory(gpio: int) -> Any:
    # lgpio makes a FIFO in the working directory as soon as it is imported, and fails where it may not.
    os.environ.setdefault("LG_WD", os.environ.get("RUNTIME_DIRECTORY") or tempfile.gettempdir())
    try:
        import lgpio  # noqa: PLC0415 -- only a board with real wires has it
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415
    except ImportError:
        raise WireError(
            f"GPIO{gpio}: the Python module lgpio is not installed. On the board: sudo apt install python3-lgpio "
            "(in a venv made with --system-site-packages), or, in a clone, pip install '.[pi]'."
        ) from None
    chip = _chip(lgpio, gpio)
    try:
        return LGPIOFactory(chip=chip)
    except Exception as error:  # noqa: BLE001 -- lgpio.error and gpiozero's errors have no common base
        raise WireError(f"GPIO{gpio}: /dev/gpiochip{chip} cannot be opened ({error}).") from None


def _chip(lgpio: Any, gpio: int) -> int:
    """Return the number of the chip that has the board's header."""
    found: dict[str, str] = {}
    for device in sorted(CHIPS.glob("gpiochip*")):
        number = int(device.name.removeprefix("gpiochip"))
        try:
            handle = lgpio.gpiochip_open(number)
        except Exception as error:  # noqa: BLE001 -- lgpio.error derives from Exception alone
            found[str(device)] = str(error)
            continue
        label = lgpio.gpio_get_chip_info(handle)[3]
        lgpio.gpiochip_close(handle)
        if label in LABELS:
            return number
        found[str(device)] = label
    if not found:
        raise WireError(
            f"GPIO{gpio}: this computer has no lines: there is no {CHIPS}/gpiochip*. Run this on a Raspberry Pi."
        )
    chips = ", ".join(f"{device}: {label}" for device, label in found.items())
    raise WireError(
        f"GPIO{gpio}: the lines of a Raspberry Pi ({', '.join(LABELS)}) were not found ({chips}). If this is one, add "
        "the user to the group gpio: sudo usermod -aG gpio $USER, then log in again."
    )
