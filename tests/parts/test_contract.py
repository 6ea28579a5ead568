"""One contract for every part in the catalogue: driver against twin, over its wires."""

import errno
from collections.abc import Iterator
from contextlib import nullcontext
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.parts.catalogue import (
    CATALOGUE,
    I2C_KEY_DRIVERS,
    I2C_LAMP_DRIVERS,
    I2C_MATRIX_DRIVERS,
    LINE_KEY_DRIVERS,
    LINE_LAMP_DRIVERS,
    LINE_MATRIX_DRIVERS,
    MATRIX_TWINS,
    SPI_KEY_DRIVERS,
    SPI_LAMP_DRIVERS,
    TWINS,
)
from bridge.parts.facts import BOARD_LINES, Facts, KeyDriver, LampDriver
from bridge.parts.onoff import OFF, ON
from bridge.parts.shiftout import Register
from bridge.rehearsal.wires import RehearsedEnd, RehearsedWires
from bridge.wires.kinds import Line

CHIPS = 3
KEY_PARTS = [facts for facts in CATALOGUE.values() if facts.serves == "keys" and not facts.matrix]
MATRICES = [facts for facts in CATALOGUE.values() if facts.matrix]
LAMP_PARTS = [facts for facts in CATALOGUE.values() if facts.serves == "lamps"]
GPIOS = (24, 25, 5, 6)
FULL = np.uint16(4095)
SOME = [0, 1, OFF, OFF + 1, ON - 1, ON, 2048, 4094, 4095]
"""Codes at which something changes, so that the random ones are not all ordinary."""


class Wired(NamedTuple):
    """A part of three chips on rehearsed wires; `lines` are those that were not left out."""

    facts: Facts
    end: RehearsedEnd
    wires: RehearsedWires
    lines: dict[str, Line]
    channel_lines: list[Line]

    @property
    def channels(self) -> int:
        return self.facts.channels * CHIPS

    @property
    def fit(self) -> int:
        """The channels that can be inputs, a bit for each."""
        unfit = {n for n, _ in self.facts.outputs_only}
        return sum(1 << channel for channel in range(self.channels) if channel % self.facts.channels not in unfit)

    def key_driver(self) -> KeyDriver:
        name = self.facts.name
        if self.facts.bus == "spi":
            return SPI_KEY_DRIVERS[name](self.wires.spi(0, 0, 1_000_000), self.lines, CHIPS)
        if self.facts.bus == "i2c":
            return I2C_KEY_DRIVERS[name](self.wires.i2c(1, 400_000), self.facts.addresses[:CHIPS])
        return LINE_KEY_DRIVERS[name]([self.wires.input(gpio, self.facts.pulls[0]) for gpio in GPIOS[:CHIPS]])

    def put(self, levels: int) -> None:
        """Put every channel of a key part high or low."""
        for channel in range(self.channels):
            self.end.twin.set(channel, bool(levels >> channel & 1))

    def driver(self) -> LampDriver:
        name, lines = self.facts.name, self.lines
        if self.facts.bus == "spi":
            return SPI_LAMP_DRIVERS[name](self.wires.spi(0, 0, 1_000_000), lines, CHIPS)
        if self.facts.bus == "i2c":
            addresses = self.facts.addresses[:CHIPS]
            return I2C_LAMP_DRIVERS[name](self.wires.i2c(1, 400_000), lines, addresses, self.facts.pwm_hz or 0)
        return LINE_LAMP_DRIVERS[name](self.channel_lines)

    def shown(self) -> list[int]:
        codes: list[int] = self.end.twin.codes().tolist()
        return codes

    def fail(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Let the bus fail; lines go on."""

        def fails(*_: object) -> bytes:
            raise OSError(errno.EIO, "Input/output error")

        monkeypatch.setattr("bridge.rehearsal.wires.RehearsedSpi.transfer", fails)
        monkeypatch.setattr("bridge.rehearsal.wires.RehearsedI2c.write", fails)
        monkeypatch.setattr("bridge.rehearsal.wires.RehearsedI2c.read", fails)
        monkeypatch.setattr("bridge.rehearsal.wires.RehearsedInput.get", fails)


def wire(facts: Facts, *, bare: bool) -> Wired:
    """Put a part on its wires; `bare` leaves out the lines that may be."""
    wires = RehearsedWires()
    needed = [line for line in facts.lines if not (bare and line.optional)]
    gpios = {line.key: gpio for line, gpio in zip(needed, GPIOS, strict=False)}
    if facts.bus == "spi":
        end: RehearsedEnd = wires.add(facts, CHIPS, 0, 0, gpios)
    elif facts.bus == "i2c":
        end = wires.add_i2c(facts, 1, facts.addresses[:CHIPS], gpios)
    else:
        end = wires.add_lines(facts, GPIOS[:CHIPS])
    lines: dict[str, Line] = {line.key: wires.line(gpios[line.key], line.at_rest) for line in needed}
    plain_lamps = facts.bus is None and facts.serves == "lamps"
    channel_lines: list[Line] = [] if not plain_lamps else [wires.line(gpio, level=False) for gpio in GPIOS[:CHIPS]]
    return Wired(facts, end, wires, lines, channel_lines)


CASES = [(facts, bare) for facts in LAMP_PARTS for bare in sorted({False, any(line.optional for line in facts.lines)})]


@pytest.fixture(params=CASES, ids=lambda case: case[0].name + " bare" * case[1])
def wired(request: pytest.FixtureRequest) -> Iterator[Wired]:
    facts, bare = request.param
    made = wire(facts, bare=bare)
    yield made
    made.wires.close()


def expected(facts: Facts, before: list[int], codes: list[int]) -> list[int]:
    """Return what the lamps must show: the code, or lit and out by the thresholds."""
    if facts.dims:
        return codes
    return [4095 if code >= ON else 0 if code <= OFF else was for was, code in zip(before, codes, strict=True)]


@pytest.mark.parametrize("facts", CATALOGUE.values(), ids=lambda facts: facts.name)
def test_facts_are_sane_and_the_registries_agree(facts: Facts) -> None:
    assert facts.channels > 0
    assert (facts.max_rate_hz >= 1_000_000, facts.bits_per_chip > 0) == (facts.bus is not None,) * 2
    assert len({line.key for line in facts.lines}) == len(facts.lines)
    assert facts.source
    registries = {
        ("lamps", "spi", False): {*SPI_LAMP_DRIVERS},
        ("lamps", "i2c", False): {*I2C_LAMP_DRIVERS},
        ("lamps", None, False): {*LINE_LAMP_DRIVERS},
        ("keys", "spi", False): {*SPI_KEY_DRIVERS},
        ("keys", "i2c", False): {*I2C_KEY_DRIVERS},
        ("keys", None, False): {*LINE_KEY_DRIVERS},
        ("keys", "i2c", True): {*I2C_MATRIX_DRIVERS},
        ("keys", None, True): {*LINE_MATRIX_DRIVERS},
    }
    kind = (facts.serves, facts.bus, facts.matrix)
    assert [registered for registered, names in registries.items() if facts.name in names] == [kind]
    assert (facts.name in MATRIX_TWINS, facts.name in TWINS) == (facts.matrix, not facts.matrix)
    assert all(callable(getattr(TWINS[facts.name](1), line.key)) for line in facts.lines)
    assert (len(facts.addresses) >= CHIPS) == (facts.bus == "i2c")


def test_nothing_lights_until_told(wired: Wired) -> None:
    if "blank" in wired.lines or not isinstance(wired.end.twin, Register):
        assert max(wired.shown()) == 0
    wired.driver()
    assert max(wired.shown()) == 0
    if "blank" in wired.lines:
        wired.end.twin.blank(False)
    assert max(wired.shown()) == 0


def test_what_a_dead_daemon_left_lit_is_dark_before_the_outputs_are_enabled(wired: Wired) -> None:
    wired.driver().write(np.full(wired.channels, FULL))
    assert min(wired.shown()) == 4095
    seen: list[int] = []

    class Watched:
        def set(self, level: bool) -> None:
            blank.set(level)
            seen.append(max(wired.shown()))

        def close(self) -> None: ...

    if "blank" in wired.lines:
        blank = wired.lines["blank"]
        blank.set(True)
        wired.lines["blank"] = Watched()
    wired.driver()
    assert seen == [0] * ("blank" in wired.lines)
    assert max(wired.shown()) == 0


def codes_of(channels: int) -> st.SearchStrategy[list[int]]:
    return st.lists(st.sampled_from(SOME) | st.integers(0, 4095), min_size=channels, max_size=channels)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_the_twin_shows_what_was_written(wired: Wired, data: st.DataObject) -> None:
    driver = wired.driver()
    driver.write(np.zeros(wired.channels, np.uint16))
    before = wired.shown()
    assert max(before) == 0
    for codes in data.draw(st.lists(codes_of(wired.channels), min_size=1, max_size=8)):
        driver.write(np.array(codes, np.uint16))
        before = expected(wired.facts, before, codes)
        assert wired.shown() == before


def test_dark_darkens_even_when_the_bus_has_failed_if_a_line_can(wired: Wired, monkeypatch: pytest.MonkeyPatch) -> None:
    driver = wired.driver()
    driver.write(np.full(wired.channels, FULL))
    assert min(wired.shown()) == 4095
    with monkeypatch.context() as broken:
        wired.fail(broken)
        with pytest.raises(OSError, match="Input/output") if wired.facts.bus else nullcontext():
            driver.dark()
        by_line = "blank" in wired.lines or wired.facts.bus is None
        assert max(wired.shown()) == (0 if by_line else 4095)
    driver.dark()
    if "blank" in wired.lines:
        wired.end.twin.blank(False)
    assert max(wired.shown()) == 0


def test_a_bus_that_fails_is_told_by_write_and_forgotten_once_it_is_back(
    wired: Wired, monkeypatch: pytest.MonkeyPatch
) -> None:
    if wired.facts.bus is None:
        return
    driver = wired.driver()
    full = np.full(wired.channels, FULL)
    with monkeypatch.context() as broken:
        wired.fail(broken)
        assert not driver.check()
        with pytest.raises(OSError, match="Input/output") as told:
            driver.write(full)
        assert told.value.errno == errno.EIO
    driver.write(full)
    assert min(wired.shown()) == 4095


def test_only_a_chip_that_has_lost_its_settings_is_found_and_is_set_up_again(wired: Wired) -> None:
    driver = wired.driver()
    full = np.full(wired.channels, FULL)
    driver.write(full)
    assert not driver.check()
    if not hasattr(wired.end.twin, "upset"):
        return
    for chip in range(CHIPS):
        wired.end.twin.upset(chip)
        assert min(wired.shown()) == 0
        assert driver.check()
        driver.write(full)
        assert min(wired.shown()) == 4095
        assert not driver.check()


@pytest.fixture(params=KEY_PARTS, ids=lambda facts: facts.name)
def keys(request: pytest.FixtureRequest) -> Iterator[Wired]:
    made = wire(request.param, bare=False)
    yield made
    made.wires.close()


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_what_is_read_is_what_the_contacts_are_channel_by_channel(keys: Wired, data: st.DataObject) -> None:
    driver = keys.key_driver()
    keys.put(-1)
    assert driver.read() & keys.fit == keys.fit
    for levels in data.draw(st.lists(st.integers(0, (1 << keys.channels) - 1), min_size=1, max_size=8)):
        keys.put(levels)
        assert driver.read() & keys.fit == levels & keys.fit
        assert driver.read() >> keys.channels == 0
        # A second look at any of them confirms the first.
        assert driver.doubted(driver.read(), (1 << keys.channels) - 1) == 0
        assert driver.doubted(driver.read(), 1) == 0
        assert not driver.check()


def test_each_contact_has_a_channel_of_its_own(keys: Wired) -> None:
    driver = keys.key_driver()
    for channel in range(keys.channels):
        keys.put(~(1 << channel))
        assert driver.read() & keys.fit == keys.fit & ~(1 << channel)


def test_keys_whose_bus_fails_are_not_read_and_are_read_again_once_it_is_back(
    keys: Wired, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = keys.key_driver()
    driver.read()
    keys.put(0)
    with monkeypatch.context() as broken:
        keys.fail(broken)
        assert not driver.check()
        with pytest.raises(OSError, match="Input/output") as told:
            driver.read()
        assert told.value.errno == errno.EIO
    assert driver.read() & keys.fit == 0


def test_only_a_key_chip_that_has_lost_its_settings_is_found_and_its_contacts_are_never_read_wrong(keys: Wired) -> None:
    if not hasattr(keys.end.twin, "upset"):
        return
    driver = keys.key_driver()
    for chip in range(CHIPS):
        assert driver.read() & keys.fit == keys.fit
        assert not driver.check()
        keys.end.twin.upset(chip)
        assert driver.read() & keys.fit == keys.fit
        assert driver.check()
        assert not driver.check()
        keys.end.twin.upset(chip)
        assert driver.check()
        assert driver.read() & keys.fit == keys.fit
        assert not driver.check()


@pytest.mark.parametrize("facts", CATALOGUE.values(), ids=CATALOGUE)
def test_supply_and_levels_are_stated(facts: Facts) -> None:
    electrical = facts.electrical
    assert (electrical is BOARD_LINES) == (facts.bus is None)
    assert 0 < electrical.volts[0] <= electrical.volts[1]
    assert 0.5 <= electrical.high < 1
    assert electrical.source
    if facts.bus is not None:
        assert (electrical.lamps is not None) == (facts.serves == "lamps")
        assert (electrical.lamp_volts > 0) == (facts.serves == "lamps")
        assert (electrical.reference_volts > 0) == (electrical.lamps == "constant")
        assert electrical.speaks is not None or facts.serves == "lamps"
