"""One contract for every source of wires: the drivers work over it, and the outputs are dark until told otherwise."""

from collections.abc import Iterator

import numpy as np
import pytest

from bridge.parts import gpio, gpio_inputs, hc165, pca9685, tlc5947
from bridge.parts.facts import Facts
from bridge.rehearsal.wires import RehearsedWires
from bridge.wires.kinds import Line, Pull, Wires


@pytest.fixture
def wires() -> Iterator[RehearsedWires]:
    made = RehearsedWires()
    yield made
    made.close()


def test_lamp_driver_starts_dark_shows_what_it_is_given_and_darkens(wires: RehearsedWires) -> None:
    twin = wires.add(tlc5947.FACTS, 2, 0, 0, {"latch": 24, "blank": 25}).twin
    lines = _open(wires, tlc5947.FACTS, {"latch": 24, "blank": 25})
    assert twin.codes().max() == 0
    driver = tlc5947.Driver(wires.spi(0, 0, 1_000_000), lines, 2)
    assert twin.codes().max() == 0
    codes = np.arange(48, dtype=np.uint16)
    driver.write(codes)
    assert twin.codes().tolist() == codes.tolist()
    driver.dark()
    assert twin.codes().max() == 0
    driver.write(codes)
    assert twin.codes().max() == 0


def test_key_driver_reads_levels_of_the_moment(wires: RehearsedWires) -> None:
    end = wires.add(hc165.FACTS, 2, 0, 1, {"load": 23})
    driver = hc165.Driver(wires.spi(0, 1, 1_000_000), _open(wires, hc165.FACTS, {"load": 23}), 2)
    assert driver.read() == 0xFFFF
    end.twin.set(3, False)
    end.twin.set(15, False)
    assert driver.read() == 0x7FF7
    end.plugged = False
    assert driver.read() == 0
    end.plugged = True
    assert driver.read() == 0x7FF7


def test_an_i2c_bus_has_chips_at_their_addresses_and_nobody_elsewhere(wires: RehearsedWires) -> None:
    low = wires.add_i2c(pca9685.FACTS, 1, [0x40, 0x41], {})
    high = wires.add_i2c(pca9685.FACTS, 1, [0x60], {})
    i2c = wires.i2c(1, 400_000)
    for address, code in ((0x40, 1), (0x41, 2), (0x60, 3)):
        i2c.write(address, pca9685.LED0 + 2, bytes([code]))
    assert [low.twin.read(0, 8, 1), low.twin.read(1, 8, 1), high.twin.read(0, 8, 1)] == [b"\x01", b"\x02", b"\x03"]
    assert i2c.read(0x41, 8, 1) == b"\x02"
    with pytest.raises(OSError, match="Remote I/O error"):
        i2c.read(0x42, 8, 1)
    low.plugged = False
    with pytest.raises(OSError, match="Remote I/O error"):
        i2c.write(0x41, 8, b"\x00")
    assert i2c.read(0x60, 8, 1) == b"\x03"
    i2c.close()


def test_lamps_on_lines_of_the_board_stay_as_they_are_while_their_cable_is_off(wires: RehearsedWires) -> None:
    end = wires.add_lines(gpio.FACTS, [5, 26])
    driver = gpio.Driver([wires.line(5, False), wires.line(26, False)])
    driver.write(np.array([0, 4095], np.uint16))
    assert end.twin.codes().tolist() == [0, 4095]
    end.plugged = False
    driver.write(np.array([4095, 0], np.uint16))
    assert end.twin.codes().tolist() == [0, 4095]


@pytest.mark.parametrize(("pull", "alone"), [("up", 0b11), ("down", 0b00), ("none", 0b00)])
def test_inputs_of_the_board_are_what_their_contacts_are_and_their_resistors_while_their_cable_is_off(
    wires: RehearsedWires, pull: Pull, alone: int
) -> None:
    end = wires.add_lines(gpio_inputs.FACTS, [16, 26])
    driver = gpio_inputs.Driver([wires.input(16, pull), wires.input(26, pull)])
    for levels in (0b11, 0b01, 0b00, 0b10):
        for channel in range(2):
            end.twin.set(channel, bool(levels >> channel & 1))
        assert driver.read() == levels
    end.plugged = False
    assert driver.read() == alone
    end.plugged = True
    assert driver.read() == 0b10


def test_an_input_is_let_go_of(wires: RehearsedWires) -> None:
    wires.add_lines(gpio_inputs.FACTS, [16])
    wires.input(16, "up").close()
    wires.input(16, "up").close()


def _open(wires: Wires, facts: Facts, gpios: dict[str, int]) -> dict[str, Line]:
    return {line.key: wires.line(gpios[line.key], line.at_rest) for line in facts.lines}
