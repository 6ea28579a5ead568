"""One contract for every source of wires: the drivers work over it, and the outputs are dark until told otherwise."""

from collections.abc import Iterator

import numpy as np
import pytest

from bridge.parts import hc165, tlc5947
from bridge.parts.facts import Facts
from bridge.rehearsal.wires import RehearsedWires
from bridge.wires.kinds import Line, Wires


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


def _open(wires: Wires, facts: Facts, gpios: dict[str, int]) -> dict[str, Line]:
    return {line.key: wires.line(gpios[line.key], line.at_rest) for line in facts.lines}
