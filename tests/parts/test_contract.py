"""One contract for every part in the catalogue that drives lamps: driver against twin, over its wires."""

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.parts.catalogue import CATALOGUE, KEY_DRIVERS, LAMP_DRIVERS, TWINS
from bridge.parts.facts import Facts, LampDriver
from bridge.parts.onoff import OFF, ON
from bridge.rehearsal.wires import RehearsedSpi, RehearsedWires

CHIPS = 3
LAMP_PARTS = [facts for facts in CATALOGUE.values() if facts.serves == "lamps"]
GPIOS = (24, 25, 5, 6)


class Wired(NamedTuple):
    facts: Facts
    end: RehearsedSpi
    wires: RehearsedWires
    lines: dict[str, Any]

    def driver(self) -> LampDriver:
        return LAMP_DRIVERS[self.facts.name](self.wires.spi(0, 0, 1_000_000), self.lines, CHIPS)

    def shown(self) -> list[int]:
        codes: list[int] = self.end.twin.codes().tolist()
        return codes


@pytest.fixture(params=LAMP_PARTS, ids=lambda facts: facts.name)
def wired(request: pytest.FixtureRequest) -> Iterator[Wired]:
    facts: Facts = request.param
    wires = RehearsedWires()
    gpios = {line.key: gpio for line, gpio in zip(facts.lines, GPIOS, strict=False)}
    end = wires.add(facts, CHIPS, 0, 0, gpios)
    lines = {line.key: wires.line(gpios[line.key], line.at_rest) for line in facts.lines}
    yield Wired(facts, end, wires, lines)
    wires.close()


def expected(facts: Facts, before: list[int], codes: list[int]) -> list[int]:
    """Return what the lamps must show: the code, or lit and out by the thresholds."""
    if facts.pwm_hz is not None:
        return codes
    return [4095 if code >= ON else 0 if code <= OFF else was for was, code in zip(before, codes, strict=True)]


@pytest.mark.parametrize("facts", CATALOGUE.values(), ids=lambda facts: facts.name)
def test_facts_are_sane_and_the_registries_agree(facts: Facts) -> None:
    assert facts.channels > 0
    assert facts.bits_per_chip % facts.channels == 0
    assert facts.max_rate_hz >= 1_000_000
    assert len({line.key for line in facts.lines}) == len(facts.lines)
    assert facts.source
    assert (facts.name in LAMP_DRIVERS, facts.name in KEY_DRIVERS) == (facts.serves == "lamps", facts.serves == "keys")
    assert all(callable(getattr(TWINS[facts.name](1), line.key)) for line in facts.lines)


def test_nothing_lights_until_told(wired: Wired) -> None:
    assert max(wired.shown()) == 0
    wired.driver()
    assert max(wired.shown()) == 0
    wired.end.twin.blank(False)
    assert max(wired.shown()) == 0


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=8))
def test_the_twin_shows_what_was_written(wired: Wired, seeds: list[int]) -> None:
    driver = wired.driver()
    before = wired.shown()
    for seed in seeds:
        codes: npt.NDArray[np.uint16] = np.random.default_rng(seed).integers(
            0, 4096, wired.facts.channels * CHIPS, dtype=np.uint16
        )
        driver.write(codes)
        before = expected(wired.facts, before, codes.tolist())
        assert wired.shown() == before


def test_dark_darkens_even_when_the_bus_has_failed(wired: Wired, monkeypatch: pytest.MonkeyPatch) -> None:
    driver = wired.driver()
    driver.write(np.full(wired.facts.channels * CHIPS, 4095, np.uint16))
    assert min(wired.shown()) == 4095

    def fails(_: bytes) -> bytes:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(wired.end, "transfer", fails)
        with pytest.raises(OSError, match="Input/output"):
            driver.dark()
        assert max(wired.shown()) == 0
    driver.dark()
    wired.end.twin.blank(False)
    assert max(wired.shown()) == 0
