"""Keys on I2C chips and on lines of the board, from the contact to the core, in a whole daemon."""

from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.console import load
from bridge.daemon.chains import CHECK
from bridge.links.client import CoreClient
from bridge.links.messages import Key
from tests.daemon.harness import MS, Rig
from tests.virtual import run_virtually

TEXT = """\
format = 1
name = "Keys"

[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[part]]
name = "cabinet keys"
type = "MCP23017"
chips = 2
bus = "cabinet"
address = 0x20

[[part]]
name = "door keys"
type = "GPIO inputs"
gpios = "16, 20"
pull = "up"
wires = "real"
always_low = [1]

[[part]]
name = "order keys"
type = "MCP23017 matrix"
bus = "cabinet"
address = 0x27
rows = "0-1"
columns = "8-9"
diodes = true

[[part]]
name = "number keys"
type = "GPIO matrix"
rows = "5-6"
columns = "12-13"
diodes = false
wires = "real"

[[key]]
name = "ORDER KEY"
kind = "momentary"
part = "order keys"
channel = 3

[[key_row]]
name = "N"
kind = "momentary"
numbers = "0-3"
part = "number keys"
channels = "0-3"

[[key]]
name = "CABINET KEY"
kind = "momentary"
report = "first contact"
part = "cabinet keys"
channel = 0

[[key]]
name = "FAR KEY"
kind = "toggle"
settle_ms = 30
part = "cabinet keys"
channel = 30

[[key]]
name = "DOOR KEY"
kind = "toggle"
part = "door keys"
channel = 0
"""
NAMES = ["CABINET KEY", "FAR KEY", "DOOR KEY", "ORDER KEY", "N.0", "N.1", "N.2", "N.3"]
Main = Callable[[Rig, CoreClient], Coroutine[Any, Any, None]]


def on_panel(folder: Path, main: Main) -> None:
    file = folder / "keys.toml"
    file.write_text(TEXT)

    async def wrapped() -> None:
        async with Rig(folder, load(file)) as rig:
            client = CoreClient(str(rig.sockets.core), "trial", [], NAMES, ticks_per_second=1e4, run=5)
            await rig.talk(client, 50)
            await main(rig, client)
            client.close()

    run_virtually(wrapped())


async def told(rig: Rig, client: CoreClient, milliseconds: float = 50) -> list[tuple[str, bool]]:
    """Return the keys the core is told of meanwhile."""
    came = await rig.talk(client, milliseconds)
    return [(NAMES[message.key], bool(message.closed)) for _, message in came if isinstance(message, Key)]


def states(rig: Rig, part: str) -> list[str]:
    return [said.state for said in rig.states if said.device == part]


@pytest.mark.parametrize("name", NAMES)
def test_each_key_is_told_once_a_throw(tmp_path: Path, name: str) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        for closed in (True, False, True):
            rig.daemon.panel.throw(name, closed=closed)
            assert await told(rig, client, 60) == [(name, closed)]
        assert states(rig, "cabinet keys") == states(rig, "door keys") == ["ready"]

    on_panel(tmp_path, main)


def test_a_chip_whose_supply_dips_throws_no_key_and_is_said_to_have_been_upset(tmp_path: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        rig.daemon.panel.throw("FAR KEY", closed=True)
        await told(rig, client)
        for _ in range(50):
            rig.daemon.panel.upset("cabinet keys")
            assert await told(rig, client, 37) == []
        await told(rig, client, 2 * CHECK / MS)
        assert states(rig, "cabinet keys") == ["ready", *["upset", "ready"] * 2]
        assert "of these keys had lost" in next(said for said in rig.states if said.state == "upset").words
        rig.daemon.panel.throw("FAR KEY", closed=False)
        assert await told(rig, client) == [("FAR KEY", False)]

    on_panel(tmp_path, main)


def test_keys_whose_cable_comes_off_are_held_and_come_as_they_stand_when_it_is_back(tmp_path: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        for name in ("CABINET KEY", "FAR KEY", "DOOR KEY"):
            rig.daemon.panel.throw(name, closed=True)
        await told(rig, client)
        for part in ("cabinet keys", "door keys"):
            rig.daemon.panel.plug(part, plugged=False)
        assert await told(rig, client, 3000) == []
        assert states(rig, "cabinet keys") == ["ready", "not-ready"]
        assert states(rig, "door keys") == ["ready", "cable"]
        state = rig.state_of("cabinet keys")
        assert state is not None
        assert "the chip at 0x20: Remote I/O error" in state.words
        rig.daemon.panel.throw("FAR KEY", closed=False)
        rig.daemon.panel.upset("cabinet keys")
        for part in ("cabinet keys", "door keys"):
            rig.daemon.panel.plug(part, plugged=True)
        assert await told(rig, client, 1100) == [("FAR KEY", False)]
        assert states(rig, "cabinet keys") == ["ready", "not-ready", "ready"]
        assert states(rig, "door keys") == ["ready", "cable", "ready"]

    on_panel(tmp_path, main)


def test_keys_that_hide_others_in_a_matrix_without_diodes_are_said_and_none_is_made_up(tmp_path: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        for name in ("N.0", "N.1"):
            rig.daemon.panel.throw(name, closed=True)
            assert await told(rig, client) == [(name, True)]
        rig.daemon.panel.throw("N.2", closed=True)
        assert await told(rig, client) == []
        assert states(rig, "number keys") == ["ready", "ghosts"]
        rig.daemon.panel.throw("N.1", closed=False)
        assert sorted(await told(rig, client)) == [("N.1", False), ("N.2", True)]
        assert states(rig, "number keys") == ["ready", "ghosts", "ready"]

    on_panel(tmp_path, main)


def test_a_key_is_told_as_soon_as_its_description_says(tmp_path: Path) -> None:
    async def main(rig: Rig, client: CoreClient) -> None:
        thrown = rig.clock.now()
        for name in ("CABINET KEY", "DOOR KEY", "FAR KEY"):
            rig.daemon.panel.throw(name, closed=True)
        came = {NAMES[said.key]: at - thrown for at, said in await rig.talk(client, 60) if isinstance(said, Key)}
        # source: arithmetic: 3 ms of bounce, the window, the scans before and after it, and a millisecond to the core.
        assert came["CABINET KEY"] <= (3 + 2 * 4 + 1) * MS
        assert 10 * MS <= came["DOOR KEY"] <= (3 + 10 + 2 * 4 + 1) * MS
        assert 30 * MS <= came["FAR KEY"] <= (3 + 30 + 2 * 4 + 1) * MS

    on_panel(tmp_path, main)
