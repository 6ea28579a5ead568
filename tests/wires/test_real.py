"""No board here: each step towards one is faked by its module, and each missing step must say what to do."""

import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from bridge.wires import real
from bridge.wires.kinds import Pull
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
    monkeypatch.setitem(sys.modules, "lgpio", None)
    with pytest.raises(WireError, match="apt install python3-lgpio"):
        RealWires().line(24, False)


class Lgpio(ModuleType):
    """As much of the module as opens lines: chips by number, each with a label or what is in the way of opening it."""

    SET_PULL_UP, SET_PULL_DOWN = 32, 64
    SET_PULL_NONE = BOTH_EDGES = RISING_EDGE = FALLING_EDGE = 0

    def __init__(self, chips: dict[int, str | Exception]) -> None:
        super().__init__("lgpio")
        self.chips = chips
        self.open: list[int] = []
        self.busy: set[int] = set()
        self.levels: dict[int, int] = {}
        self.inputs: dict[int, int] = {}
        self.read: dict[int, int] = {}
        self.gone = False

    class error(Exception):  # noqa: N801, N818 -- its name there
        pass

    def gpiochip_open(self, number: int) -> int:
        chip = self.chips[number]
        if isinstance(chip, Exception):
            raise chip
        self.open.append(number)
        return number

    def gpiochip_close(self, handle: int) -> None:
        self.open.remove(handle)

    def gpio_get_chip_info(self, handle: int) -> list[Any]:
        return [0, 54, f"gpiochip{handle}", self.chips[handle]]

    def gpio_claim_input(self, _handle: int, gpio: int, flags: int = 0) -> None:
        if gpio in self.busy:
            raise self.error("GPIO busy")
        self.inputs[gpio] = flags
        self.levels.pop(gpio, None)

    def gpio_read(self, _handle: int, gpio: int) -> int:
        if self.gone:
            raise self.error("bad gpio")
        return self.read[gpio]

    def gpio_claim_output(self, _handle: int, gpio: int, level: int = 0, _flags: int = 0) -> None:
        self.levels[gpio] = level

    def gpio_get_mode(self, _handle: int, gpio: int) -> int:
        return 1 << 1 if gpio in self.levels else 0

    def gpio_write(self, _handle: int, gpio: int, level: int) -> None:
        if self.gone:
            raise self.error("bad gpio")
        self.levels[gpio] = level

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return 0 if name.isupper() else lambda *_: 0


def with_chips(monkeypatch: pytest.MonkeyPatch, folder: Path, chips: dict[int, str | Exception]) -> Lgpio:
    """Let gpiozero's own factory run on such chips, on a board it knows."""
    lgpio = Lgpio(chips)
    for number in chips:
        (folder / f"gpiochip{number}").touch()
    monkeypatch.setattr(real, "CHIPS", folder)
    monkeypatch.setitem(sys.modules, "lgpio", lgpio)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.LocalPiFactory._get_revision", lambda _: 0xC03111)
    return lgpio


@pytest.mark.parametrize("label", ["pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"])
def test_the_boards_chip_is_known_by_its_label_whatever_its_number(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, label: str
) -> None:
    # source: Linux, drivers/pinctrl/bcm/pinctrl-bcm2835.c and pinctrl-rp1.c: the labels.
    lgpio = with_chips(
        monkeypatch,
        tmp_path,
        {0: "raspberrypi-exp-gpio", 3: OSError("can not open gpiochip"), 11: label, 4: "gpio-brcmstb"},
    )
    wires = RealWires()
    line = wires.line(24, level=True)
    assert lgpio.open == [11]
    assert lgpio.levels == {24: 1}
    line.set(False)
    assert lgpio.levels == {24: 0}
    wires.close()
    assert lgpio.open == []


@pytest.mark.parametrize(
    ("chips", "words"),
    [
        ({}, r"GPIO24: this computer has no lines: there is no .*gpiochip\*. Run this on a Raspberry Pi"),
        (
            {0: "INT3452:00", 1: OSError("can not open gpiochip")},
            r"gpiochip0: INT3452:00, .*gpiochip1: can not open gpiochip\).*usermod -aG gpio",
        ),
    ],
)
def test_without_the_boards_chip_it_is_said_what_there_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, chips: dict[int, str | Exception], words: str
) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, chips)
    with pytest.raises(WireError, match=words):
        RealWires().line(24, level=False)
    assert lgpio.open == []


def test_a_chip_that_cannot_be_used_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def refuse(chip: int) -> None:
        raise RuntimeError("no such board")

    with_chips(monkeypatch, tmp_path, {2: "pinctrl-rp1"})
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", SimpleNamespace(LGPIOFactory=refuse))
    with pytest.raises(WireError, match=r"GPIO24: /dev/gpiochip2 cannot be opened \(no such board\)"):
        RealWires().line(24, level=False)


def test_a_line_in_use_is_named_and_opened_once_it_is_free(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    lgpio.busy = {24}
    wires = RealWires()
    other = wires.line(23, level=True)
    for _ in range(2):
        with pytest.raises(WireError, match=r"GPIO24: cannot be used as an output .*GPIO busy"):
            wires.line(24, level=False)
    lgpio.busy = set()
    wires.line(24, level=False)
    other.set(False)
    assert lgpio.levels == {23: 0, 24: 0}
    wires.close()


@pytest.mark.parametrize(("pull", "flags"), [("up", 32), ("down", 64), ("none", 0)])
def test_an_input_has_the_resistor_that_was_asked_for_and_tells_its_level(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, pull: Pull, flags: int
) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    wires = RealWires()
    line = wires.input(16, pull)
    assert lgpio.inputs == {16: flags}
    for level in (1, 0, 1):
        lgpio.read[16] = level
        assert line.get() is bool(level)
    wires.close()
    assert lgpio.open == []


def test_an_input_that_cannot_be_read_is_an_error_of_the_system(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    wires = RealWires()
    line = wires.input(16, "up")
    lgpio.gone = True
    with pytest.raises(OSError, match="bad gpio"):
        line.get()
    wires.close()


def test_a_line_that_cannot_be_set_is_an_error_of_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    wires = RealWires()
    line = wires.line(16, level=False)
    lgpio.gone = True
    with pytest.raises(OSError, match="bad gpio"):
        line.set(True)
    lgpio.gone = False
    wires.close()


def test_an_input_in_use_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    lgpio.busy = {16}
    wires = RealWires()
    with pytest.raises(WireError, match=r"GPIO16: cannot be used as an input .*GPIO busy"):
        wires.input(16, "up")
    wires.close()


def test_a_row_is_low_or_let_go_of_and_never_driven_high(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    lgpio = with_chips(monkeypatch, tmp_path, {0: "pinctrl-bcm2711"})
    wires = RealWires()
    row = wires.drain(5)
    driven = [dict(lgpio.levels)]
    for level in (False, True, True, False):
        row.set(level)
        driven.append(dict(lgpio.levels))
    assert driven == [{}, {5: 0}, {}, {}, {5: 0}]
    lgpio.busy = {5}
    with pytest.raises(OSError, match="GPIO busy"):
        row.set(True)
    lgpio.busy = set()
    wires.close()
    assert lgpio.levels == {}
