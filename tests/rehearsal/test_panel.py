import asyncio
from pathlib import Path

import pytest

from bridge.rehearsal.panel import RehearsedPanel
from tests.daemon.panels import small_console
from tests.virtual import run_virtually


def new_panel(folder: Path) -> RehearsedPanel:
    console = small_console(folder)
    return RehearsedPanel(console.parts, console.lamps, console.keys)


def levels(panel: RehearsedPanel) -> int:
    twin = panel._ends["key inputs"].twin
    return int(twin.levels)


def test_at_rest_sentinels_stand_and_every_contact_is_open(tmp_path: Path) -> None:
    panel = new_panel(tmp_path)
    # START (1) closes low, DOOR (2) closes high, 0 always high, 7 always low, the rest held high.
    assert levels(panel) == 0b0111_1011
    assert set(panel.codes().values()) == {0}
    panel.wires.close()


def test_a_thrown_contact_bounces_then_stays(tmp_path: Path) -> None:
    async def main() -> list[list[int]]:
        panel = new_panel(tmp_path)
        loop = asyncio.get_running_loop()
        seen = []
        for throw in range(40):
            panel.throw("START", closed=throw % 2 == 0)
            samples = []
            for _ in range(100):
                samples.append(levels(panel) >> 1 & 1)
                done = loop.create_future()
                loop.call_later(0.0001, done.set_result, None)
                await done
            seen.append(samples)
        panel.wires.close()
        return seen

    seen = run_virtually(main())
    for throw, samples in enumerate(seen):
        settled = throw % 2  # closed reads low
        assert samples[0] == settled
        assert set(samples[35:]) == {settled}
    assert any(len(set(samples)) == 2 for samples in seen)


def test_names_that_are_not_there(tmp_path: Path) -> None:
    panel = new_panel(tmp_path)
    with pytest.raises(KeyError):
        panel.throw("NO SUCH KEY", closed=True)
    with pytest.raises(KeyError):
        panel.plug("no such part", plugged=False)
    with pytest.raises(KeyError):
        panel.upset("no such part")
    panel.wires.close()
