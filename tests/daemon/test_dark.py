import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.console import load
from bridge.daemon import assembly
from bridge.daemon.dark import dark
from bridge.errors import ConsoleError
from bridge.parts.tlc5947 import Twin, encode
from bridge.wires.real import WireError
from tests.daemon.panels import SMALL
from tests.test_cli import command

SECOND = """
[[bus]]
name = "side"
kind = "spi"
port = 1
rate_hz = 2_000_000
wires = "real"

[[part]]
name = "side lamps"
type = "TLC5947"
chips = 1
bus = "side"
select = 0
latch = 5
blank = 6
"""


class Lit:
    """Wires that reach chips left lit by a daemon that died; the second bus is broken to order."""

    broken = False
    held = 0
    """A GPIO that another program holds."""

    def __init__(self) -> None:
        self.missing: set[int] = set()
        self.twins: dict[int, Twin] = {}
        for port in (0, 1):
            twin = self.twins[port] = Twin(1)
            twin.transfer(encode(np.full(24, 4095, np.uint16)))
            twin.latch(True)
            twin.blank(False)
        self.levels: dict[int, bool] = {}
        self.closed = 0

    def spi(self, port: int, select: int, rate_hz: int) -> Any:
        if port in self.missing:
            raise WireError(f"SPI{port}: does not exist")
        wires, twin = self, self.twins[port]

        class Spi:
            def transfer(self, data: bytes) -> bytes:
                if wires.broken and port == 1:
                    raise OSError(5, "Input/output error")
                return twin.transfer(data)

        return Spi()

    def line(self, gpio: int, level: bool) -> Any:
        if gpio == self.held:
            raise WireError(f"GPIO{gpio}: cannot be used")
        wires = self
        act = {24: "latch", 25: "blank", 5: "latch", 6: "blank"}[gpio]
        twin = self.twins[0 if gpio > 20 else 1]

        class Line:
            def set(self, level: bool) -> None:
                getattr(twin, act)(level)
                wires.levels[gpio] = level

        line = Line()
        line.set(level)
        return line

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def lit(monkeypatch: pytest.MonkeyPatch) -> Lit:
    wires = Lit()
    monkeypatch.setattr(assembly, "RealWires", lambda: wires)
    return wires


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "two.toml"
    path.write_text(SMALL.format(cards_per_minute=300) + SECOND)
    return path


def test_what_a_dead_daemon_left_lit_is_dark_and_stays_blanked(lit: Lit, file: Path) -> None:
    assert lit.twins[0].codes().max() == 4095
    assert dark(load(file), rehearse=False) == ["lamp drivers", "side lamps"]
    assert [twin.codes().max() for twin in lit.twins.values()] == [0, 0]
    assert (lit.levels[25], lit.levels[6]) == (True, True)
    lit.twins[0].blank(False)
    assert lit.twins[0].codes().max() == 0
    assert lit.closed == 1
    assert dark(load(file), rehearse=False) == ["lamp drivers", "side lamps"]


def test_what_cannot_be_reached_is_named_and_the_rest_is_dark_all_the_same(lit: Lit, file: Path) -> None:
    lit.broken = True
    with pytest.raises(ConsoleError, match=r"side lamps: bus side does not answer \(Input/output error\)"):
        dark(load(file), rehearse=False)
    # The broken bus's chip is blanked by its line, the other is dark altogether.
    assert [twin.codes().max() for twin in lit.twins.values()] == [0, 0]


def test_a_line_that_is_held_keeps_no_other_from_blanking_the_chips(lit: Lit, file: Path) -> None:
    lit.held = 24
    lit.missing = {0, 1}
    with pytest.raises(ConsoleError) as error:
        dark(load(file), rehearse=False)
    assert str(error.value).splitlines() == ["GPIO24: cannot be used", "SPI0: does not exist", "SPI1: does not exist"]
    assert [twin.codes().max() for twin in lit.twins.values()] == [0, 0]
    assert lit.closed == 1


def test_the_command(file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(monkeypatch, "dark", str(file), "--rehearse") == 0
    assert capsys.readouterr().out == "dark: lamp drivers, side lamps\n"
    monkeypatch.setitem(sys.modules, "gpiozero.pins.lgpio", None)
    assert command(monkeypatch, "dark", str(file)) == 2
    err = capsys.readouterr().err
    assert "GPIO24" in err
    assert "GPIO5" in err
