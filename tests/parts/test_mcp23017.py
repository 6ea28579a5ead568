"""MCP23017: the bytes on the bus and the chip's own rules, from its data sheet.

source: register numbers at BANK = 0 and the inputs' default: Microchip DS20001952; IOCON's bits and the order of
registers at BANK = 1: the same, from memory.
"""

import errno
from collections.abc import Sequence

import pytest

from bridge.parts.mcp23017 import FACTS, SETTINGS, Driver, Twin, decode, encode

GPIOA, GPPUA, IOCON, IODIRA, IPOLA, OLATA = 0x12, 0x0C, 0x0A, 0x00, 0x02, 0x14
ALL_UP = b"\x7f\x7f"
"""What the ports of a chip read as with every contact open; GPA7 and GPB7 are outputs, low."""


class Bus:
    """Two chips at 0x20 and 0x27; takes notes."""

    def __init__(self) -> None:
        self.twin = Twin(2)
        self.chips = {0x20: 0, 0x27: 1}
        self.away: set[int] = set()
        self.seen: list[tuple[str, int, int, bytes]] = []

    def write(self, address: int, register: int, data: bytes) -> None:
        self._answer(address)
        self.seen.append(("write", address, register, data))
        self.twin.write(self.chips[address], register, data)

    def read(self, address: int, register: int, count: int) -> bytes:
        self._answer(address)
        data = self.twin.read(self.chips[address], register, count)
        self.seen.append(("read", address, register, data))
        return data

    def close(self) -> None: ...

    def _answer(self, address: int) -> None:
        if address in self.away:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")

    def taken(self) -> list[tuple[str, int, int, bytes]]:
        seen, self.seen = self.seen, []
        return seen


def made(addresses: Sequence[int] = (0x20, 0x27)) -> tuple[Bus, Driver]:
    bus = Bus()
    return bus, Driver(bus, addresses)


def test_a_chip_is_set_up_once_and_proven_then_its_ports_are_read_in_one_block() -> None:
    bus, driver = made([0x20])
    assert bus.taken() == []
    # Inputs 0 to 6 of each port, not inverted, with pull-ups; no interrupts; registers that follow each other.
    settings = bytes([0x7F, 0x7F, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x7F, 0x7F])
    assert driver.read() == 0x7F7F
    assert bus.taken() == [
        ("write", 0x20, 0x05, b"\x00"),
        ("write", 0x20, 0x0A, b"\x00"),
        ("write", 0x20, 0x14, b"\x00\x00"),
        ("write", 0x20, 0x00, settings),
        ("read", 0x20, 0x12, ALL_UP),
        ("read", 0x20, 0x00, settings),
    ]
    driver.read()
    assert bus.taken() == [("read", 0x20, 0x12, ALL_UP)]
    # source: arithmetic: five bytes of nine clocks, two starts and a stop.
    assert FACTS.bits_per_chip == 48


def test_every_transfer_fits_an_smbus_block() -> None:
    bus, driver = made()
    driver.read()
    driver.check()
    assert all(1 <= len(data) <= 32 for _, _, _, data in bus.taken())


@pytest.mark.parametrize(
    ("chip", "pin", "channel"), [(0, 0x0001, 0), (0, 0x4000, 14), (1, 0x0100, 24), (1, 0x0001, 16)]
)
def test_a_contact_to_ground_reads_low_on_its_channel(chip: int, pin: int, channel: int) -> None:
    bus, driver = made()
    bus.twin.set(channel, level=False)
    assert driver.read() == 0x7F7F_7F7F & ~(1 << channel)
    assert decode(bus.twin.read(chip, GPIOA, 2)) == 0x7F7F & ~pin


def test_encode_and_decode_are_inverse_with_port_a_first() -> None:
    assert decode(b"\x01\x80\x02\x00") == 1 << 0 | 1 << 15 | 1 << 17
    assert encode(1 << 0 | 1 << 15 | 1 << 17, 2) == b"\x01\x80\x02\x00"


def test_an_input_that_seems_to_have_moved_is_believed_only_of_a_chip_that_is_as_set_up() -> None:
    bus, driver = made([0x20])
    driver.read()
    bus.twin.upset(0)
    assert bus.twin.read(0, GPIOA, 2) == b"\x00\x00"
    assert driver.read() == 0x7F7F
    assert driver.check()
    assert not driver.check()


def test_a_contact_that_closes_while_its_chip_is_upset_is_read_once_the_chip_is_set_up() -> None:
    bus, driver = made([0x20])
    driver.read()
    bus.twin.upset(0)
    bus.twin.set(3, level=False)
    assert driver.read() == 0x7F7F & ~8
    assert driver.check()


@pytest.mark.parametrize("register", [*range(0x0E)])
def test_any_setting_that_is_lost_is_found_but_for_those_of_the_pins_that_are_outputs(register: int) -> None:
    bus, driver = made([0x20])
    driver.read()
    was = bus.twin.read(0, register, 1)[0]
    bus.twin.write(0, register, bytes([was ^ 0x80]))
    # BANK, the top bit of IOCON, moves the registers: that does not stay unseen.
    assert driver.check() == (register in {IOCON, IOCON + 1})
    driver.read()
    bus.twin.write(0, register, bytes([was ^ 0x40]))
    assert driver.check()
    assert driver.read() == 0x7F7F
    assert bus.twin.read(0, IODIRA, 14) == SETTINGS


@pytest.mark.parametrize("left", [0x80, 0x20, 0xA0])
def test_a_chip_that_another_program_left_port_by_port_or_without_blocks_is_set_up_all_the_same(left: int) -> None:
    bus, driver = made([0x20])
    bus.twin.write(0, IOCON, bytes([left]))
    assert driver.read() == 0x7F7F
    assert not driver.check()


def test_a_chip_that_does_not_answer_is_named_and_set_up_when_it_does() -> None:
    bus, driver = made()
    driver.read()
    bus.away.add(0x27)
    with pytest.raises(OSError, match="the chip at 0x27: Remote I/O error") as told:
        driver.read()
    assert told.value.errno == errno.EREMOTEIO
    assert not driver.check()
    bus.twin.upset(1)
    bus.away.clear()
    assert driver.read() == 0x7F7F_7F7F
    # It had come off: that it had lost its settings is no news.
    assert not driver.check()


def test_a_data_wire_that_is_held_low_reads_no_key_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    # source: the protocol: a low acknowledge bit is an acknowledge, and low data bits are zeros.
    bus, driver = made([0x20])
    driver.read()
    with monkeypatch.context() as held:
        held.setattr(bus, "read", lambda _address, _register, count: bytes(count))
        for _ in range(5):
            with pytest.raises(OSError, match="0x20: it does not keep what is written to it"):
                driver.read()
    assert driver.read() == 0x7F7F


def test_a_chip_found_away_by_the_check_is_no_upset_one() -> None:
    bus, driver = made()
    driver.read()
    bus.away.add(0x20)
    assert not driver.check()
    bus.twin.upset(0)
    bus.away.clear()
    assert driver.read() == 0x7F7F_7F7F
    assert not driver.check()


# The chip itself.


def test_at_reset_all_pins_are_inputs_without_pull_ups_and_a_block_fills_successive_registers() -> None:
    twin = Twin(1)
    assert twin.read(0, 0, 22) == b"\xff\xff" + bytes(20)
    twin.write(0, GPPUA, b"\x0f\xf0")
    assert twin.read(0, GPIOA, 2) == b"\x0f\xf0"


def test_the_pointer_goes_on_from_the_last_register_to_the_first_or_to_and_fro_in_a_pair_or_stands() -> None:
    twin = Twin(1)
    twin.write(0, 0x15, b"\x05\x06")
    assert twin.read(0, 0x15, 2) == b"\x05\x06"
    twin.write(0, IOCON, b"\x20")
    twin.write(0, GPPUA, b"\x01\x02\x03")
    assert twin.read(0, GPPUA, 3) == b"\x03\x02\x03"
    twin.write(0, IOCON, b"\xa0")
    # GPPU of port B is 0x16 now.
    twin.write(0, 0x16, b"\x08\x09")
    assert twin.read(0, 0x16, 2) == b"\x09\x09"
    twin.write(0, 0x05, b"\x80")
    assert twin.read(0, 0x1A, 2) == b"\x05\x06"


def test_registers_there_are_none_of_take_nothing_and_read_zero() -> None:
    twin = Twin(1)
    before = twin.read(0, 0, 22)
    twin.write(0, 0x40, b"\xff")
    assert twin.read(0, 0x40, 1) == b"\x00"
    twin.write(0, IOCON, b"\x80")
    for register in (0x0B, 0x20):
        twin.write(0, register, b"\xff")
        assert twin.read(0, register, 1) == b"\x00"
    twin.write(0, 0x05, b"\x00")
    assert twin.read(0, 0, 22) == before


def test_iocon_is_one_register_in_two_places_and_its_lowest_bit_is_none() -> None:
    twin = Twin(1)
    twin.write(0, 0x0B, b"\x43")
    assert twin.read(0, 0x0A, 2) == b"\x42\x42"


def test_what_only_the_chip_writes_cannot_be_written() -> None:
    twin = Twin(1)
    twin.write(0, 0x0E, b"\xff\xff\xff\xff")
    assert twin.read(0, 0x0E, 4) == bytes(4)


def test_polarity_turns_inputs_round_and_writing_a_port_sets_its_outputs() -> None:
    twin = Twin(1)
    twin.write(0, GPPUA, b"\xff\xff")
    twin.set(9, level=False)
    twin.write(0, IPOLA, b"\x00\x06")
    assert twin.read(0, GPIOA, 2) == b"\xff\xfb"
    twin.write(0, IODIRA, b"\x7f\x7f")
    twin.write(0, GPIOA, b"\x80\x00")
    assert twin.read(0, OLATA, 2) == b"\x80\x00"
    assert twin.read(0, GPIOA, 2) == b"\xff\x7b"
