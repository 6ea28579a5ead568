"""Lamps on I2C chips, on an on/off shift register and on plain lines, in a whole daemon and under `dark`."""

import asyncio
import json
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from bridge.console import load
from bridge.daemon.dark import dark
from bridge.errors import ConsoleError
from bridge.links.client import CoreClient
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

TEXT = """\
format = 1
name = "Other"

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 1_000_000
wires = "real"

[[part]]
name = "near"
type = "PCA9685"
chips = 1
bus = "cabinet"
address = 0x40
blank = 25

[[part]]
name = "far"
type = "PCA9685"
chips = 1
bus = "cabinet"
address = 0x41

[[part]]
name = "shifted"
type = "74HC595"
chips = 1
bus = "panel"
select = 0
latch = 24

[[part]]
name = "plain"
type = "GPIO"
gpios = "12-13"
wires = "real"

[[lamp]]
name = "NEAR"
part = "near"
channel = 3

[[lamp]]
name = "FAR"
part = "far"
channel = 15

[[lamp]]
name = "SHIFTED"
part = "shifted"
channel = 7

[[lamp]]
name = "PLAIN"
part = "plain"
channel = 1
"""
NAMES = ["NEAR", "FAR", "SHIFTED", "PLAIN"]
Main = Callable[[Rig, CoreClient], Coroutine[Any, Any, None]]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "other.toml"
    path.write_text(TEXT)
    return path


def on(file: Path, main: Main) -> None:
    async def wrapped() -> None:
        async with Rig(file.parent, load(file)) as rig:
            client = CoreClient(str(rig.sockets.core), "trial", NAMES, [], ticks_per_second=1e4, run=5)
            await rig.talk(client, 20)
            await main(rig, client)
            client.close()

    run_virtually(wrapped())


def states(rig: Rig) -> list[tuple[str, str]]:
    """Return what the parts have said of themselves, in order."""
    return [(said.device, said.state) for said in rig.states if said.device in {"near", "far", "shifted", "plain"}]


def test_every_kind_of_part_lights_and_darkens(file: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        assert rig.lit() == dict.fromkeys(NAMES, 0)
        client.rest(0b1111)
        await rig.talk(client, 80)
        assert rig.lit() == dict.fromkeys(NAMES, 4095)
        client.rest(0b0101)
        await rig.talk(client, 80)
        assert list(rig.lit().values()) == [4095, 0, 4095, 0]
        client.close()
        await rig.wait(80)
        assert rig.lit() == dict.fromkeys(NAMES, 0)
        assert sorted(states(rig)) == [("far", "ready"), ("near", "ready"), ("plain", "ready"), ("shifted", "ready")]

    on(file, main)


def test_a_chip_that_comes_off_is_said_and_tried_each_second_and_the_others_go_on(file: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        client.rest(0b1111)
        await rig.talk(client, 80)
        rig.daemon.panel.plug("far", plugged=False)
        client.rest(0b0000)
        await rig.talk(client, 20)
        assert list(rig.lit().values()) == [0, 4095, 0, 0]
        state = rig.state_of("far")
        assert state is not None
        assert state.state == "not-ready"
        assert "the chip at 0x41: Remote I/O error" in state.words
        rig.daemon.panel.plug("far", plugged=True)
        await rig.talk(client, 1020)
        assert rig.lit() == dict.fromkeys(NAMES, 0)
        assert states(rig)[4:] == [("far", "not-ready"), ("far", "ready")]

    on(file, main)


def test_a_chip_that_is_not_there_at_the_start_keeps_no_other_dark(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A part whose chips nobody has plugged in yet: the daemon starts, and says so.
    monkeypatch.setattr("bridge.rehearsal.panel.RehearsedPanel._end", unplugged("far"))

    async def main(rig: Rig, client: CoreClient) -> None:
        client.rest(0b1111)
        await rig.talk(client, 80)
        assert list(rig.lit().values()) == [4095, 0, 4095, 4095]
        assert [state for part, state in states(rig) if part == "far"] == ["not-ready"]
        rig.daemon.panel.plug("far", plugged=True)
        await rig.talk(client, 1020)
        assert rig.lit() == dict.fromkeys(NAMES, 4095)

    on(file, main)


def unplugged(name: str) -> Callable[..., Any]:
    from bridge.rehearsal.panel import RehearsedPanel  # noqa: PLC0415 -- before it is patched

    as_it_is = RehearsedPanel._end

    def end(panel: RehearsedPanel, part: Any) -> Any:
        made = as_it_is(panel, part)
        made.plugged = part.name != name
        return made

    return end


def test_a_chip_whose_supply_dips_is_lit_again_within_a_second_and_said_once(file: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        client.rest(0b1111)
        await rig.talk(client, 80)
        reader, writer = await asyncio.open_unix_connection(str(rig.sockets.rehearsal))
        writer.write(json.dumps({"do": "upset", "part": "far"}).encode() + b"\n")
        assert await reader.readline() == b"{}\n"
        writer.close()
        assert list(rig.lit().values()) == [4095, 0, 4095, 4095]
        await rig.talk(client, 2100)
        assert rig.lit() == dict.fromkeys(NAMES, 4095)
        assert states(rig)[4:] == [("far", "upset"), ("far", "ready")]

    on(file, main)


@pytest.mark.parametrize(("brightness", "calm"), [(0.2, False), (1, True), (0.2, True)])
def test_lamps_that_are_lit_or_out_are_lit_however_dim_the_others_are(
    file: Path, brightness: float, calm: bool
) -> None:
    file.write_text(f"{TEXT}\n[lamps]\nbrightness = {brightness}\ncalm = {str(calm).lower()}\n")

    async def main(rig: Rig, client: CoreClient) -> None:
        client.rest(0b1111)
        await rig.talk(client, 2000)
        shown = rig.lit()
        assert shown["NEAR"] == pytest.approx(4095 * brightness * (0.5 if calm else 1), abs=1)
        assert (shown["SHIFTED"], shown["PLAIN"]) == (4095, 4095)

    on(file, main)


def test_dark_reaches_every_kind_of_part(file: Path) -> None:
    assert dark(load(file), rehearse=True) == ["near", "far", "shifted", "plain"]


def test_what_is_not_installed_is_said_for_every_kind_of_wire(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("spidev", "smbus2", "gpiozero.pins.lgpio"):
        monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ConsoleError) as told:
        dark(load(file), rehearse=False)
    lines = str(told.value).splitlines()
    assert [line.split(":")[0] for line in lines] == ["GPIO25", "I2C1", "GPIO24", "SPI0", "GPIO12", "GPIO13"]


def test_dark_names_the_chip_that_does_not_answer(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Deaf:
        def __init__(self, _: int) -> None: ...

        def write_i2c_block_data(self, address: int, *_: object) -> None:
            raise OSError(121, "Remote I/O error")

        def close(self) -> None: ...

    module = ModuleType("smbus2")
    module.SMBus = Deaf  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "smbus2", module)
    for name in ("spidev", "gpiozero.pins.lgpio"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(ConsoleError, match=r"far: bus cabinet does not answer \(the chip at 0x41: Remote I/O error\)"):
        dark(load(file), rehearse=False)
