"""Cards over a link that drops, in the reader's time or the core's own, and what a core is told when it comes.

source: bridge/links/core-link.md, rules 4, 5, 7 and 8.
"""

from pathlib import Path

import pytest

from bridge.cards.deck import MAX_CARDS
from bridge.console.facts import MOST_CARDS
from bridge.links.client import CoreClient
from bridge.links.messages import (
    CardRead,
    CycleEnd,
    Device,
    FromDaemon,
    Hello,
    LastCard,
    Punched,
    Read,
    Welcome,
    encode,
)
from tests.cards.bench import text_card
from tests.daemon.harness import MS, Rig
from tests.daemon.panels import small_console
from tests.daemon.test_daemon import Main, on_small_console
from tests.virtual import run_virtually

CYCLE = 200  # ms; source: arithmetic: 60 s / 300 cards


def put(folder: Path, cards: int) -> None:
    (folder / "reader").mkdir(exist_ok=True)
    (folder / "reader" / "any.deck").write_text("".join(f"CARD {n}\n" for n in range(cards)))


def client(rig: Rig, run: int = 5, *, own_time: bool = False) -> CoreClient:
    return CoreClient(
        str(rig.sockets.core), "trial", [], ["START", "DOOR"], ticks_per_second=1e4, run=run, own_time=own_time
    )


def cards(came: list[tuple[int, FromDaemon]]) -> list[int]:
    """Return the numbers of the cards that came; each has the text of its place in the deck."""
    found = [message for _, message in came if isinstance(message, CardRead)]
    assert [card.card for card in found] == [text_card(f"CARD {card.number - 1}") for card in found]
    return [card.number for card in found]


def cycles(came: list[tuple[int, FromDaemon]]) -> list[int]:
    return [message.number for _, message in came if isinstance(message, CycleEnd)]


class Silent(CoreClient):
    """A core that says neither HAVE nor OWN TIME, as one need not."""

    def _send(self, message: object) -> None:
        if isinstance(message, Read):
            super()._send(message)


async def drop_before_it_is_seen(rig: Rig, core: CoreClient) -> None:
    """Lose the link when a card has been sent that the core has not looked at."""
    await rig.wait(2 * CYCLE)
    core._lost()


@pytest.mark.parametrize("away", [10, 1000])
def test_a_card_that_moves_when_the_link_drops_waits_for_its_run(tmp_path: Path, away: int) -> None:
    put(tmp_path, 3)

    async def main(rig: Rig) -> None:
        core = client(rig)
        await rig.talk(core, 600)
        core.read_card()
        await rig.talk(core, CYCLE // 2)
        core.close()
        await rig.wait(away)
        came = await rig.talk(core, 1000)
        assert cards(came) == [1]
        assert cycles(came) == [1]
        core.read_card()
        assert cards(await rig.talk(core, 1000)) == [2]
        core.close()

    on_small_console(tmp_path, main)


def test_a_card_sent_and_not_got_is_sent_again_and_one_got_is_not(tmp_path: Path) -> None:
    put(tmp_path, 4)

    async def main(rig: Rig) -> None:
        core = client(rig)
        await rig.talk(core, 600)
        core.read_card()
        await rig.talk(core, 2)
        await drop_before_it_is_seen(rig, core)
        assert cards(await rig.talk(core, 1000)) == [1]
        core.read_card()
        got: list[tuple[int, FromDaemon]] = []
        while not cards(got):
            got += await rig.talk(core, 1)
        assert (cards(got), cycles(got)) == ([2], [])
        core.close()
        await rig.wait(1000)
        core.read_card()
        came = await rig.talk(core, 2000)
        assert cards(came) == [3]
        assert cycles(came) == [2, 3]  # that of the second had not come
        core.close()

    on_small_console(tmp_path, main)


def test_a_core_that_says_nothing_never_gets_a_card_twice(tmp_path: Path) -> None:
    put(tmp_path, 4)

    async def main(rig: Rig) -> None:
        core = Silent(str(rig.sockets.core), "trial", [], [], ticks_per_second=1e4, run=5)
        await rig.talk(core, 600)
        core.read_card()
        await rig.talk(core, CYCLE // 2)
        core.close()  # while the card moves: it was surely not sent
        await rig.wait(1000)
        assert cards(await rig.talk(core, 1000)) == [1]
        core.read_card()
        await rig.talk(core, 2)
        await drop_before_it_is_seen(rig, core)  # it may have come
        assert cards(await rig.talk(core, 1000)) == [3]
        core.close()

    on_small_console(tmp_path, main)


@pytest.mark.parametrize("later", [0, 1000])
def test_another_run_starts_afresh(tmp_path: Path, later: int) -> None:
    put(tmp_path, 5)

    async def main(rig: Rig) -> None:
        first, second = client(rig), client(rig, run=6)
        await rig.talk(first, 600)
        first.read_card()
        await rig.talk(first, CYCLE // 2)
        first.close()
        await rig.talk(second, 100)
        second.close()  # it was there, but asked for nothing
        assert cards(await rig.talk(first, 1000)) == [1]
        first.read_card()
        await rig.talk(first, CYCLE // 2)
        first.close()
        await rig.wait(later)
        second.read_card()
        assert cards(await rig.talk(second, 1000)) == [3]
        second.close()
        assert cards(await rig.talk(first, 1000)) == [4]
        first.close()

    on_small_console(tmp_path, main)


def test_what_a_core_has_counts_only_before_it_asks(tmp_path: Path) -> None:
    put(tmp_path, 3)

    async def main(rig: Rig) -> None:
        core = client(rig)
        await rig.talk(core, 600)
        core.read_card()
        assert cards(await rig.talk(core, 600)) == [1]
        core._have = type(core._have)(0, 0)
        core._send(core._have)
        core.read_card()
        assert cards(await rig.talk(core, 600)) == [2]
        core.close()

    on_small_console(tmp_path, main)


def test_a_daemon_started_anew_owes_nothing(tmp_path: Path) -> None:
    put(tmp_path, 2)

    async def main() -> None:
        core: CoreClient | None = None
        for _ in range(2):
            async with Rig(tmp_path, small_console(tmp_path)) as rig:
                core = core or client(rig)
                await rig.talk(core, 700)
                core.read_card()
                await rig.talk(core, 2)
                await drop_before_it_is_seen(rig, core)
                # Of this daemon it has no card: not even the one whose number it knows.
                assert cards(await rig.talk(core, 1000)) == [1]
                core.close()

    run_virtually(main())


def test_after_the_welcome_every_device_is_told(tmp_path: Path) -> None:
    put(tmp_path, 1)

    async def main(rig: Rig) -> None:
        await rig.wait(1000)
        for run in (5, 6):
            core = client(rig, run)
            came = [message for _, message in await rig.talk(core, 50)]
            core.close()
            await rig.wait(50)
            assert isinstance(came[0], Welcome)
            told = {m.device: (m.state, m.words) for m in came if isinstance(m, Device)}
            assert told.keys() == {"reader", "punch", "key inputs", "lamp drivers"}
            assert told["reader"] == ("ready", "any.deck: 1 of 1 card to read")

    on_small_console(tmp_path, main)


KEYS = 'start_key = "START"\nend_key = "DOOR"\n'


def with_keys(folder: Path, main: Main) -> None:
    async def wrapped() -> None:
        async with Rig(folder, small_console(folder, reader=KEYS)) as rig:
            await main(rig)

    run_virtually(wrapped())


def test_keys_of_the_panel_work_the_reader_and_still_reach_the_core(tmp_path: Path) -> None:
    put(tmp_path, 2)

    async def main(rig: Rig) -> None:
        core = client(rig)
        core.read_card()
        assert cards(await rig.talk(core, 1000)) == []
        state = rig.state_of("reader")
        assert state is not None
        assert state.words == "any.deck is loaded, 2 cards: press START; the computer waits for a card"
        await rig.press("START")
        assert cards(await rig.talk(core, 1000)) == [1]
        await rig.throw("DOOR", closed=True)
        core.read_card()
        came = await rig.talk(core, 1000)
        assert next(m.number for _, m in came if isinstance(m, LastCard)) == 2
        kinds = [type(m) for _, m in came if isinstance(m, CardRead | CycleEnd | LastCard)]
        assert kinds == [CardRead, CycleEnd, LastCard]
        core.close()

    with_keys(tmp_path, main)


def test_the_last_card_is_told_again_to_its_run_until_another_is_read(tmp_path: Path) -> None:
    put(tmp_path, 1)

    async def main(rig: Rig) -> None:
        def last(came: list[tuple[int, FromDaemon]]) -> list[int]:
            return [m.number for _, m in came if isinstance(m, LastCard)]

        core, other = client(rig), client(rig, run=6)
        await rig.press("START")
        core.read_card()
        assert cards(await rig.talk(core, 1000)) == [1]
        await rig.press("DOOR")
        assert last(await rig.talk(core, 100)) == [1]
        core.close()
        assert last(await rig.talk(other, 300)) == []
        other.close()
        assert last(await rig.talk(core, 300)) == [1]
        (tmp_path / "reader" / "second.deck").write_text("CARD 1\n")
        await rig.wait(1000)
        await rig.press("START")
        core.read_card()
        assert cards(await rig.talk(core, 1000)) == [2]
        core.close()
        assert last(await rig.talk(core, 300)) == []
        core.close()

    with_keys(tmp_path, main)


def test_a_core_that_keeps_its_own_time_gets_cards_at_once(tmp_path: Path) -> None:
    put(tmp_path, 100)

    async def main(rig: Rig) -> None:
        core = client(rig, own_time=True)
        await rig.talk(core, 1000)
        begin = rig.clock.now()
        seen: list[int] = []
        while len(seen) < 50:
            core.read_card()
            seen += cards(await rig.talk(core, 1))
        assert seen == list(range(1, 51))
        assert rig.clock.now() - begin < 50 * CYCLE * MS / 50
        core.close()
        # The next one keeps the reader's time.
        core = client(rig, run=6)
        await rig.talk(core, 300)
        core.read_card()
        came = await rig.talk(core, CYCLE // 2)
        assert cards(came) == []
        assert cards(await rig.talk(core, CYCLE)) == [51]
        core.close()

    on_small_console(tmp_path, main)


def test_a_core_that_keeps_its_own_time_has_cards_punched_at_once(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        core = client(rig, own_time=True)
        await rig.talk(core, 1000)
        begin = rig.clock.now()
        seen: list[int] = []
        while len(seen) < 20:
            if core._wanted.punch is None:
                core.punch(text_card("A"))
            seen += [message.number for _, message in await rig.talk(core, 1) if isinstance(message, Punched)]
        assert seen == list(range(1, 21))
        # source: arithmetic: 20 cards at 100 a minute take 12 s.
        assert rig.clock.now() - begin < 200 * MS
        core.close()
        core = client(rig, run=6)
        await rig.talk(core, 300)
        core.punch(text_card("B"))
        came = await rig.talk(core, 300)
        assert not [message for _, message in came if isinstance(message, Punched)]
        core.close()

    on_small_console(tmp_path, main)


def test_the_longest_deck_fits_the_stacker_that_is_never_full() -> None:
    assert MAX_CARDS == MOST_CARDS


def test_an_older_core_is_served_as_before(tmp_path: Path) -> None:
    # source: core-link.md: HAVE and OWN TIME need not be sent.
    put(tmp_path, 1)

    async def main(rig: Rig) -> None:
        core = Silent(str(rig.sockets.core), "trial", [], [], ticks_per_second=1e4, run=5)
        await rig.talk(core, 600)
        core.read_card()
        assert cards(await rig.talk(core, 1000)) == [1]
        core.close()

    assert encode(Hello(1, 1, 1, 1.0, "x", (), ()))[4] == 1
    on_small_console(tmp_path, main)
