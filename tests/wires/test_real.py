"""No board here: each step towards one is faked by its module, and each missing step must say what to do."""

import sys
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

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
