"""Every matrix of the catalogue over rehearsed wires: what is read, with diodes and without."""

import errno
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.parts import gpio_matrix, mcp23017_matrix
from bridge.parts.catalogue import CATALOGUE, I2C_MATRIX_DRIVERS, LINE_MATRIX_DRIVERS
from bridge.parts.facts import Facts, KeyDriver
from bridge.parts.matrix import Contacts
from bridge.parts.mcp23017 import Twin as ChipTwin
from bridge.rehearsal.wires import RehearsedEnd, RehearsedWires
from tests.switches.test_ghosts import contacts, read

WIRED = {"GPIO matrix": ((5, 6, 12, 2), (16, 20, 3)), "MCP23017 matrix": ((0, 6, 8, 14), (1, 9, 13))}
ROWS, COLUMNS = 4, 3
OPEN = (1 << ROWS * COLUMNS) - 1


class Matrix(NamedTuple):
    facts: Facts
    end: RehearsedEnd
    wires: RehearsedWires
    driver: KeyDriver
    diodes: bool

    def close(self, closed: int) -> None:
        """Close these contacts, a bit for each, and open the others."""
        for channel in range(ROWS * COLUMNS):
            self.end.twin.set(channel, not closed >> channel & 1)


CASES = [(facts, diodes) for facts in CATALOGUE.values() if facts.matrix for diodes in (True, False)]


@pytest.fixture(params=CASES, ids=lambda case: case[0].name + " with diodes" * case[1])
def matrix(request: pytest.FixtureRequest) -> Iterator[Matrix]:
    facts, diodes = request.param
    wires = RehearsedWires()
    rows, columns = WIRED[facts.name]
    if facts.bus == "i2c":
        end = wires.add_matrix(facts, (rows, columns), diodes=diodes, at=(1, 0x24))
        driver = I2C_MATRIX_DRIVERS[facts.name](wires.i2c(1, 400_000), 0x24, rows, columns)
    else:
        end = wires.add_matrix(facts, (rows, columns), diodes=diodes, at=None)
        driver = LINE_MATRIX_DRIVERS[facts.name](
            [wires.drain(gpio) for gpio in rows], [wires.input(gpio, "up") for gpio in columns]
        )
    yield Matrix(facts, end, wires, driver, diodes)
    wires.close()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, OPEN), min_size=1, max_size=6))
def test_what_is_read_is_what_is_closed_and_without_diodes_what_is_joined(matrix: Matrix, states: list[int]) -> None:
    # source: connectivity worked out by brute force, tests/switches/test_ghosts.py.
    for closed in states:
        matrix.close(closed)
        seen = contacts(closed, ROWS, COLUMNS)
        if not matrix.diodes:
            seen = read(seen, ROWS, COLUMNS)
        wanted = sum(1 << row * COLUMNS + column for row, column in seen)
        assert matrix.driver.read() == OPEN ^ wanted
        assert not matrix.driver.check()


def test_each_contact_has_a_channel_of_its_own_row_by_row(matrix: Matrix) -> None:
    assert matrix.driver.read() == OPEN
    for channel in range(ROWS * COLUMNS):
        matrix.close(1 << channel)
        assert matrix.driver.read() == OPEN ^ 1 << channel
        # A second look has nothing to find that the first has not.
        assert matrix.driver.doubted(OPEN ^ 1 << channel, 1 << channel) == 0


def test_a_matrix_that_fails_is_not_read_and_is_read_again_once_it_is_back(
    matrix: Matrix, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    matrix.driver.read()
    matrix.close(0b10)
    with monkeypatch.context() as broken:
        for name in ("RehearsedI2c.write", "RehearsedI2c.read", "RehearsedInput.get"):
            broken.setattr(f"bridge.rehearsal.wires.{name}", fails)
        assert not matrix.driver.check()
        with pytest.raises(OSError, match="Input/output"):
            matrix.driver.read()
    assert matrix.driver.read() == OPEN ^ 0b10


def test_an_upset_chip_is_found_and_its_contacts_are_never_read_wrong(matrix: Matrix) -> None:
    if not hasattr(matrix.end.twin, "upset"):
        return
    matrix.close(0b10)
    for _ in range(2):
        assert matrix.driver.read() == OPEN ^ 0b10
        matrix.end.twin.upset(0)
        assert matrix.driver.read() == OPEN ^ 0b10
        assert matrix.driver.check()
        matrix.end.twin.upset(0)
        assert matrix.driver.check()
        assert not matrix.driver.check()


def test_a_cable_that_is_off_reads_as_open_or_not_at_all(matrix: Matrix) -> None:
    matrix.close(OPEN)
    matrix.driver.read()
    matrix.end.plugged = False
    if matrix.facts.bus is None:
        assert matrix.driver.read() == OPEN
    else:
        with pytest.raises(OSError, match="the chip at 0x24: Remote I/O error"):
            matrix.driver.read()


def test_the_bytes_of_one_scan() -> None:
    seen: list[tuple[str, int, bytes]] = []

    class Bus:
        def __init__(self) -> None:
            self.twin = mcp23017_matrix.Twin((0, 8), (1, 9), diodes=True)

        def write(self, _: int, register: int, data: bytes) -> None:
            seen.append(("write", register, data))
            self.twin.write(0, register, data)

        def read(self, _: int, register: int, count: int) -> bytes:
            data = self.twin.read(0, register, count)
            seen.append(("read", register, data))
            return data

        def close(self) -> None: ...

    bus = Bus()
    bus.twin.set(2, level=False)  # row 1 (GPB0), column 0 (GPA1)
    driver = mcp23017_matrix.Driver(bus, 0x20, (0, 8), (1, 9))
    driver.read()
    seen.clear()
    assert driver.read() == 0b1011
    # source: arithmetic from the register list: one row low at a time, by its direction; OLAT stays 0.
    assert seen == [
        ("write", 0x00, b"\x7e\x7f"),
        ("read", 0x12, b"\x7e\x7f"),
        ("write", 0x00, b"\x7f\x7e"),
        ("read", 0x12, b"\x7d\x7e"),
    ]
    # Four bytes of nine clocks, a start and a stop; five bytes, two starts and a stop.
    assert mcp23017_matrix.FACTS.bits_per_chip == 38 + 48


class Wire:
    def __init__(self, name: str, log: list[str], levels: Sequence[bool] = ()) -> None:
        self.name, self.log, self.levels = name, log, list(levels)

    def set(self, level: bool) -> None:
        self.log.append(f"{self.name} {'high' if level else 'low'}")

    def get(self) -> bool:
        self.log.append(self.name)
        if not self.levels:
            raise OSError(errno.EIO, "gone")
        return self.levels.pop(0)

    def close(self) -> None: ...


def test_a_row_is_let_go_of_before_the_next_is_pulled_even_if_a_column_fails() -> None:
    log: list[str] = []
    rows = [Wire("r0", log), Wire("r1", log)]
    driver = gpio_matrix.Driver(rows, [Wire("c0", log, [True, False]), Wire("c1", log, [False, True])])
    assert driver.read() == 0b1001
    assert log == ["r0 low", "c0", "c1", "r0 high", "r1 low", "c0", "c1", "r1 high"]
    log.clear()
    with pytest.raises(OSError, match="gone"):
        driver.read()
    assert log == ["r0 low", "c0", "r0 high"]


def test_columns_follow_every_row_that_is_low() -> None:
    pair = Contacts(2, 2, diodes=True)
    pair.set(0, level=False)
    pair.set(3, level=False)
    assert [pair.low(rows) for rows in range(4)] == [0b00, 0b01, 0b10, 0b11]
    pair.set(0, level=True)
    assert pair.low(0b11) == 0b10


def test_pins_that_are_outputs_and_low() -> None:
    twin = ChipTwin(2)
    twin.write(1, 0x00, b"\x7f\xfe")
    assert (twin.driven_low(0), twin.driven_low(1)) == (0, 0x0180)
    twin.write(1, 0x14, b"\x80")
    assert twin.driven_low(1) == 0x0100
