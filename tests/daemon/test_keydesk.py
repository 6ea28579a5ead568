"""Keys that turn, that exclude each other and that are stuck, from the contact to the core, in a whole daemon."""

from pathlib import Path

from bridge.console import load
from bridge.links.client import CoreClient
from bridge.links.messages import Device, Key
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

TEXT = """\
format = 1
name = "Keys"

[[part]]
name = "keys"
type = "GPIO inputs"
gpios = "16, 20, 21"
wires = "real"

[[key]]
name = "START"
kind = "momentary"
part = "keys"
channel = 0
stuck_s = 2

[[key]]
name = "STOP"
kind = "toggle"
part = "keys"
channel = 1

[[key]]
name = "POWER"
kind = "push-on/push-off"
part = "keys"
channel = 2

[[interlock]]
keys = ["START", "STOP"]
"""
NAMES = ("START", "STOP", "POWER")


def test_what_is_told_of_keys_that_turn_exclude_each_other_or_are_stuck(tmp_path: Path) -> None:
    file = tmp_path / "keys.toml"
    file.write_text(TEXT)

    async def main() -> None:
        async with Rig(tmp_path, load(file)) as rig:
            client = CoreClient(str(rig.sockets.core), "test", [], NAMES, ticks_per_second=1e4, run=1)
            await rig.talk(client, 100)

            async def told(milliseconds: float = 100) -> list[object]:
                came = [message for _, message in await rig.talk(client, milliseconds)]
                return [
                    (NAMES[m.key], m.closed) if isinstance(m, Key) else (m.device, m.state)
                    for m in came
                    if isinstance(m, Key | Device)
                ]

            for closed in (True, False):
                rig.daemon.panel.throw("POWER", closed=True)
                assert await told() == [("POWER", closed)]
                rig.daemon.panel.throw("POWER", closed=False)
                assert await told() == []
            rig.daemon.panel.throw("START", closed=True)
            assert await told() == [("START", True)]
            rig.daemon.panel.throw("STOP", closed=True)
            assert await told() == [("keys START, STOP", "impossible")]
            assert await told(3000) == [("key START", "stuck")]
            assert await told(3000) == []
            rig.daemon.panel.throw("START", closed=False)
            assert await told() == [
                ("keys START, STOP", "ready"),
                ("START", False),
                ("STOP", True),
                ("key START", "ready"),
            ]
            assert "held for 2 seconds" in next(said.words for said in rig.states if said.state == "stuck")
            assert "let go of all but one" in next(said.words for said in rig.states if said.state == "impossible")
            client.close()

    run_virtually(main())
