"""No board here: each step towards one is faked by its module, and each missing step must say what to do."""

import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from bridge.wires import real
from bridge.wires.real import RealWires, WireError


class Device:
    opening: Exception | None = None

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.closed = False

    def open(self, port: int, select: int) -> None:
        if self.opening is not None:
            raise self.opening
        self.at = (port, select)

    def xfer2(self, data: bytes) -> list[int]:
        self.sent.append(data)
        return [byte ^ 0xFF for byte in data]

    def close(self) -> None:
        self.closed = True


def with_spidev(monkeypatch: pytest.MonkeyPatch, opening: Exception | None = None) -> None:
    module = ModuleType("spidev")
    module.SpiDev = type("SpiDev", (Device,), {"opening": opening})  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "spidev", module)


def test_spi_without_the_module_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "spidev", None)
    with pytest.raises(WireError, match="apt install python3-spidev"):
        RealWires().spi(0, 0, 1_000_000)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (FileNotFoundError(2, "No such file"), "dtparam=spi=on"),
        (PermissionError(13, "Permission denied"), "usermod -aG spi"),
        (OSError(16, "Device or resource busy"), "SPI0 chip select 1: Device or resource busy"),
    ],
)
def test_spi_that_cannot_be_opened_says_what_to_enable(
    monkeypatch: pytest.MonkeyPatch, error: Exception, words: str
) -> None:
    with_spidev(monkeypatch, error)
    with pytest.raises(WireError, match=words):
        RealWires().spi(0, 1, 1_000_000)


def test_spi_is_opened_in_mode_0_at_its_rate_and_passes_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    with_spidev(monkeypatch)
    wires = RealWires()
    spi = wires.spi(0, 1, 2_000_000)
    device: Any = spi._device
    assert (device.at, device.mode, device.max_speed_hz) == ((0, 1), 0, 2_000_000)
    assert spi.transfer(b"\x0f\xf0") == b"\xf0\x0f"
    wires.close()
    assert device.closed


class Smbus:
    opening: Exception | None = None

    def __init__(self, port: int) -> None:
        if self.opening is not None:
            raise self.opening
        self.port = port
        self.sent: list[tuple[int, int, list[int]]] = []
        self.closed = False

    def write_i2c_block_data(self, address: int, register: int, data: list[int]) -> None:
        self.sent.append((address, register, data))

    def read_i2c_block_data(self, address: int, register: int, count: int) -> list[int]:
        return [address, register, count]

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def adapters(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(real, "ADAPTERS", tmp_path)
    return tmp_path


def with_smbus2(monkeypatch: pytest.MonkeyPatch, opening: Exception | None = None) -> None:
    module = ModuleType("smbus2")
    module.SMBus = type("SMBus", (Smbus,), {"opening": opening})  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "smbus2", module)


def test_i2c_without_the_module_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "smbus2", None)
    with pytest.raises(WireError, match=r"I2C1.*apt install python3-smbus2.*pip install '\.\[pi\]'"):
        RealWires().i2c(1, 400_000)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (FileNotFoundError(2, "No such file"), "/dev/i2c-1 does not exist.*dtparam=i2c_arm=on,i2c_arm_baudrate=400000"),
        (PermissionError(13, "Permission denied"), "usermod -aG i2c"),
        (OSError(16, "Device or resource busy"), "I2C1: Device or resource busy"),
    ],
)
def test_i2c_that_cannot_be_opened_says_what_to_enable(
    monkeypatch: pytest.MonkeyPatch, adapters: Path, error: Exception, words: str
) -> None:
    with_smbus2(monkeypatch, error)
    with pytest.raises(WireError, match=words):
        RealWires().i2c(1, 400_000)


def test_i2c_passes_blocks_as_smbus_has_them(monkeypatch: pytest.MonkeyPatch, adapters: Path) -> None:
    with_smbus2(monkeypatch)
    wires = RealWires()
    i2c = wires.i2c(1, 400_000)
    device: Any = i2c._device
    i2c.write(0x40, 6, b"\x01\x02")
    assert (device.port, device.sent) == (1, [(0x40, 6, [1, 2])])
    assert i2c.read(0x41, 254, 1) == bytes([0x41, 254, 1])
    wires.close()
    assert device.closed


@pytest.mark.parametrize(("board", "refused"), [(100_000, True), (399_999, True), (400_000, False), (1_000_000, False)])
def test_i2c_that_the_board_runs_slower_than_described_is_no_such_bus(
    monkeypatch: pytest.MonkeyPatch, adapters: Path, board: int, refused: bool
) -> None:
    # source: device tree: a property of one cell is four bytes, the highest first.
    node = adapters / "i2c-1" / "of_node"
    node.mkdir(parents=True)
    (node / "clock-frequency").write_bytes(board.to_bytes(4, "big"))
    with_smbus2(monkeypatch)
    wires = RealWires()
    if refused:
        with pytest.raises(WireError, match=f"the board runs it at {board:,} Hz, but rate_hz of its bus is 400,000"):
            wires.i2c(1, 400_000)
    else:
        wires.i2c(1, 400_000)
    wires.close()


def test_lines_without_lgpio_say_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    with pytest.raises(WireError, match="apt install python3-lgpio"):
        RealWires().line(24, False)


def test_lines_on_a_board_that_refuses_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise RuntimeError("can not open gpiochip")

    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", SimpleNamespace(LGPIOFactory=refuse))
    with pytest.raises(WireError, match=r"can not open gpiochip.*usermod -aG gpio"):
        RealWires().line(24, False)


def test_a_line_in_use_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    class Busy:
        def pin(self, _: object) -> None:
            raise RuntimeError("GPIO busy")

        def __getattr__(self, name: str) -> Any:
            return lambda *_, **__: None

    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", SimpleNamespace(LGPIOFactory=Busy))
    wires = RealWires()
    with pytest.raises(WireError, match="GPIO24: cannot be used"):
        wires.line(24, False)
    wires.close()
