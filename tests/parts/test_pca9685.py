import errno

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.parts import pca9685
from bridge.parts.pca9685 import FACTS, Driver, Twin
from tests.tables import rows


class Bus:
    """One twin's chips from 0x40 on, a log of what was written, and an address that may be missing."""

    def __init__(self, chips: int) -> None:
        self.twin = Twin(chips)
        self.twin.blank(False)
        self.log: list[tuple[int, int, bytes]] = []
        self.missing = 0

    def write(self, address: int, register: int, data: bytes) -> None:
        if address == self.missing:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        self.log.append((address, register, data))
        self.twin.write(address - 0x40, register, data)

    def read(self, address: int, register: int, count: int) -> bytes:
        if address == self.missing:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        return self.twin.read(address - 0x40, register, count)

    def close(self) -> None: ...


@pytest.mark.parametrize("row", rows("pca9685-prescale.tsv"), ids=lambda row: row[0])
def test_prescale_is_rounded_and_gives_the_rate_of_the_table(row: list[str]) -> None:
    # source: the data sheet's rule, in the table; truncating gives another value in three of its ten rows.
    assert pca9685.prescale(float(row[0])) == int(row[2])
    assert pca9685.rate(int(row[2])) == pytest.approx(float(row[4]), abs=1e-4)


def test_prescale_stays_within_what_the_register_takes() -> None:
    assert (pca9685.prescale(1), pca9685.prescale(100_000)) == (255, 3)


def test_the_rate_that_is_told_is_the_rate_that_is_set() -> None:
    assert FACTS.pwm is not None
    values = range(3, 256)
    assert [pca9685.prescale(pca9685.rate(value)) for value in values] == list(values)
    assert [FACTS.pwm.settle(pca9685.rate(value)) for value in values] == [pca9685.rate(value) for value in values]


def test_registers_of_each_kind_of_code() -> None:
    # source: NXP data sheet, from memory: ON low, ON high, OFF low, OFF high; bit 4 of a high byte is full on or off.
    codes = np.array([0, 1, 2748, 4094, 4095], np.uint16)
    assert pca9685.encode(codes).hex(" ", 4) == "00000010 00000100 0000bc0a 0000fe0f 00100000"


@given(st.integers(1, 62).flatmap(lambda n: st.lists(st.integers(0, 4095), min_size=16 * n, max_size=16 * n)))
def test_decode_is_the_inverse(values: list[int]) -> None:
    assert pca9685.decode(pca9685.encode(np.array(values, np.uint16))).tolist() == values


def test_decode_knows_what_we_never_write() -> None:
    # source: NXP data sheet, from memory: off wins over on; ON 4000, OFF 100 is on for 196 of 4096 counts.
    assert pca9685.decode(bytes.fromhex("00100010 a00f6400")).tolist() == [0, 196]


@pytest.mark.parametrize(("rate", "milliseconds"), [(400_000, 1.5), (100_000, 6.2)])
def test_what_an_update_takes(rate: int, milliseconds: float) -> None:
    # source: known times of an update of 16 channels, to one digit behind the point.
    assert FACTS.bits_per_chip / rate * 1e3 == pytest.approx(milliseconds, abs=0.05)


def test_blocks_are_those_an_smbus_carries_and_are_what_the_facts_count() -> None:
    # source: SMBus: 32 data bytes a block at most; arithmetic: nine clocks a byte, a start and a stop.
    bus = Bus(2)
    driver = Driver(bus, {}, [0x40, 0x41], 200)
    bus.log.clear()
    driver.write(np.arange(32, dtype=np.uint16))
    assert [(address, register, len(data)) for address, register, data in bus.log] == [
        (0x40, 0x06, 32),
        (0x40, 0x26, 32),
        (0x41, 0x06, 32),
        (0x41, 0x26, 32),
    ]
    assert sum(9 * (2 + len(data)) + 2 for _, _, data in bus.log) == 2 * FACTS.bits_per_chip


def test_a_chip_is_dark_before_it_wakes_and_has_its_rate() -> None:
    bus = Bus(1)
    registers = bus.twin._chips[0]
    Driver(bus, {}, [0x40], 50)
    written = [(register, data[0]) for _, register, data in bus.log]
    assert written[0] == (pca9685.ALL_OFF_HIGH, 0x10)
    assert written[-1] == (pca9685.MODE1, 0x20)
    assert (registers[0x00], registers[0x01], registers[0xFE]) == (0x20, 0x04, 121)


def test_a_chip_left_running_at_another_rate_gets_ours_and_is_not_taken_for_upset_ever_after() -> None:
    bus = Bus(1)
    Driver(bus, {}, [0x40], 50).write(np.full(16, 4095, np.uint16))
    driver = Driver(bus, {}, [0x40], 1526)
    assert bus.twin._chips[0][0xFE] == 3
    # source: NXP data sheet, from memory: RESTART stays set once PWM that ran has been put to sleep.
    assert bus.twin._chips[0][0x00] & 0x80
    assert not driver.check()


@pytest.mark.parametrize("register", [0x00, 0x01, 0xFE])
def test_each_setting_is_looked_at(register: int) -> None:
    bus = Bus(2)
    driver = Driver(bus, {}, [0x40, 0x41], 200)
    driver.write(np.full(32, 4095, np.uint16))
    bus.twin._chips[1][register] ^= 0x04
    assert driver.check()
    driver.write(np.full(32, 4095, np.uint16))
    assert not driver.check()
    assert min(bus.twin.codes()) == 4095


def test_a_chip_that_is_missing_is_named_and_keeps_no_other_dark() -> None:
    bus = Bus(3)
    bus.missing = 0x41
    blank = Line()
    driver = Driver(bus, {"blank": blank}, [0x40, 0x41, 0x42], 200)
    assert blank.levels == [False]
    full = np.full(48, 4095, np.uint16)
    with pytest.raises(OSError, match="the chip at 0x41: Remote I/O error"):
        driver.write(full)
    assert bus.twin.codes().tolist() == [4095] * 16 + [0] * 16 + [4095] * 16
    assert not driver.check()
    bus.missing = 0
    driver.write(full)
    assert min(bus.twin.codes()) == 4095


def test_blanked_until_the_first_chip_answers_and_for_good_after_dark() -> None:
    bus = Bus(1)
    bus.missing = 0x40
    blank = Line()
    driver = Driver(bus, {"blank": blank}, [0x40], 200)
    assert blank.levels == []
    bus.missing = 0
    driver.write(np.full(16, 4095, np.uint16))
    assert blank.levels == [False]
    driver.dark()
    driver.write(np.full(16, 4095, np.uint16))
    assert blank.levels == [False, True]


class Line:
    def __init__(self) -> None:
        self.levels: list[bool] = []

    def set(self, level: bool) -> None:
        self.levels.append(level)

    def close(self) -> None: ...


def test_twin_takes_a_prescale_only_asleep_and_none_below_3() -> None:
    # source: NXP data sheet: PRE_SCALE is writable only in SLEEP; 3 is the least.
    twin = Twin(1)
    twin.write(0, 0xFE, b"\x01")
    assert twin.read(0, 0xFE, 1) == b"\x03"
    twin.write(0, 0x00, b"\x00")
    twin.write(0, 0xFE, b"\x79")
    assert twin.read(0, 0xFE, 1) == b"\x03"


def test_twin_fills_one_register_until_told_to_go_on() -> None:
    # source: NXP data sheet, from memory: bit 5 of MODE1.
    twin = Twin(1)
    twin.write(0, 0x06, b"\x01\x02\x03")
    assert twin.read(0, 0x06, 2) == b"\x03\x03"
    twin.write(0, 0x00, b"\x20")
    twin.write(0, 0x06, b"\x01\x02\x03")
    assert twin.read(0, 0x06, 4) == b"\x01\x02\x03\x10"


def test_twin_is_dark_asleep_and_while_blanked() -> None:
    bus = Bus(1)
    Driver(bus, {}, [0x40], 200).write(np.full(16, 77, np.uint16))
    assert set(bus.twin.codes().tolist()) == {77}
    bus.twin.blank(True)
    assert max(bus.twin.codes()) == 0
    bus.twin.blank(False)
    bus.twin.write(0, 0x00, b"\x30")
    assert max(bus.twin.codes()) == 0
