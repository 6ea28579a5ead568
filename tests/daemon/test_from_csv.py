"""From a spreadsheet to a panel on which lamps light and keys are seen."""

from pathlib import Path

from bridge.console import load
from bridge.links.client import CoreClient
from bridge.links.messages import Key
from bridge.workshop.check import page
from bridge.workshop.wiring import bring
from tests.daemon.harness import Rig, without_filaments
from tests.virtual import run_virtually

LAMPS = [f"R{row}.{bit}" for row in range(8) for bit in reversed(range(25))]
KEYS = [f"K{row}.{bit}" for row in range(3) for bit in reversed(range(20))]


def spreadsheet() -> str:
    """Return a list of 200 lamps and 60 keys, as a spreadsheet writes it; it names connectors and pins, no channels."""
    lines = ["Sort;Row;Name;Connector;Pin;Wire;Kind"]
    lines += [f"lamp;R{n // 25};{name};J{n // 25 + 1};{n % 25 + 1};WHBU;" for n, name in enumerate(LAMPS)]
    lines += [f"key;K{n // 20};{name};J{n // 20 + 20};{n % 20 + 1};BN;toggle" for n, name in enumerate(KEYS)]
    return "\ufeff" + "\r\n".join(lines) + "\r\n"


def test_a_panel_of_200_lamps_and_60_keys(tmp_path: Path) -> None:
    (tmp_path / "panel.csv").write_text(spreadsheet(), encoding="utf-8", newline="")
    bring(tmp_path / "panel.csv", tmp_path / "panel.toml", None, replace=False)
    console = without_filaments(load(tmp_path / "panel.toml"))
    assert page(console)[0] == "panel: 200 lamps, 60 keys"
    assert [lamp.name for lamp in console.lamps] == LAMPS
    assert [key.name for key in console.keys] == KEYS

    async def main() -> None:
        async with Rig(tmp_path / "state", console) as rig:
            client = CoreClient(str(rig.sockets.core), "trial", LAMPS, KEYS, ticks_per_second=1e4, run=5)
            await rig.talk(client, 20)
            assert client.welcome is not None
            assert (client.welcome.missing_lamps, client.welcome.missing_keys) == ((), ())
            lit = {LAMPS[n] for n in range(0, 200, 7)}
            client.rest(sum(1 << n for n, name in enumerate(LAMPS) if name in lit))
            await rig.talk(client, 100)
            assert {name for name, code in rig.lit().items() if code} == lit
            for name in KEYS:
                rig.daemon.panel.throw(name, closed=True)
                came = [message for _, message in await rig.talk(client, 30) if isinstance(message, Key)]
                assert [(KEYS[key.key], key.closed) for key in came] == [(name, True)]
            client.close()

    run_virtually(main())
