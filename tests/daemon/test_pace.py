"""Card rates as a core on the link sees them, with every wake-up late."""

from pathlib import Path

import pytest

from bridge.links.client import CoreClient
from bridge.links.messages import CardRead, CycleEnd
from tests.daemon.harness import MS, Rig
from tests.daemon.panels import small_console
from tests.tables import rows
from tests.virtual import run_virtually

CARDS = 500
LATE = 0.005
WITHIN = 0.0005


@pytest.mark.parametrize("seed", [1, 2])
def test_five_hundred_cards_a_minute_take_a_minute(tmp_path: Path, seed: int) -> None:
    # source: card-throughput.tsv: 500 cards a minute are 120 ms a card, so 500 cycles are 60 s.
    expected = CARDS * next(float(row[1]) for row in rows("card-throughput.tsv") if row[0] == "500")
    assert expected == 60_000.0

    async def main() -> tuple[float, float]:
        (tmp_path / "reader").mkdir()
        (tmp_path / "reader" / "long.deck").write_text("A\n" * CARDS)
        console = small_console(tmp_path, cards_per_minute=500)
        async with Rig(tmp_path, console) as rig:
            client = CoreClient(str(rig.sockets.core), "trial", [], [], ticks_per_second=1e4, run=1)
            picked = first_seen = last_seen = 0
            ended = 0
            while not client.connected:
                await rig.talk(client, 5)
            client.read_card()
            while ended < CARDS:
                for seen, message in await rig.talk(client, 1):
                    if isinstance(message, CardRead):
                        client.read_card()
                        if message.number == 1:
                            picked, first_seen = message.picked_at, seen - (message.read_at - message.picked_at)
                    elif isinstance(message, CycleEnd):
                        ended, last, last_seen = message.number, message.at, seen
            client.close()
        return (last - picked) / MS, (last_seen - first_seen) / MS

    by_stamp, by_arrival = run_virtually(main(), late=LATE, seed=seed)
    assert by_stamp == pytest.approx(expected, rel=WITHIN)
    assert by_arrival == pytest.approx(expected, rel=WITHIN)
