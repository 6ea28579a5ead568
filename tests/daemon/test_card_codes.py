"""The card code of a hopper's decks, from the description to the core and back."""

from dataclasses import replace
from pathlib import Path

from bridge.cards.card import card_of
from bridge.cards.code import holes
from bridge.console.facts import CardCode
from bridge.links.messages import CardRead, Punched
from tests.daemon.harness import Rig
from tests.daemon.panels import small_console
from tests.daemon.test_reader_link import client
from tests.virtual import run_virtually

OWN = CardCode("harbour", "scientific", {"£": "12-8-7"})


def test_a_deck_is_read_in_the_code_of_its_reader(tmp_path: Path) -> None:
    (tmp_path / "reader").mkdir()
    (tmp_path / "reader" / "any.deck").write_text("(£+\n", encoding="utf-8")
    console = small_console(tmp_path)
    assert console.reader is not None
    console = replace(console, reader=replace(console.reader, code=OWN))

    async def main() -> None:
        async with Rig(tmp_path, console) as rig:
            core = client(rig)
            await rig.talk(core, 600)
            core.read_card()
            came = await rig.talk(core, 1000)
            cards = [message.card for _, message in came if isinstance(message, CardRead)]
            assert cards == [card_of([holes("0-8-4"), holes("12-8-7"), holes("12")])]
            core.close()

    run_virtually(main())


def test_a_deck_is_punched_in_the_code_of_its_punch_and_goes_on_in_it(tmp_path: Path) -> None:
    console = small_console(tmp_path)
    assert console.punch is not None
    console = replace(console, punch=replace(console.punch, code=OWN))
    card = card_of([holes("0-8-4"), holes("12-8-7"), holes("12"), 0, holes("12-8-5")])

    async def main(run: int) -> None:
        async with Rig(tmp_path, console) as rig:
            core = client(rig, run)
            await rig.talk(core, 600)
            core.punch(card)
            came = await rig.talk(core, 3000)
            assert [message for _, message in came if isinstance(message, Punched)]
            core.close()

    for run in (5, 6):  # the second daemon finds the deck as the first one left it
        run_virtually(main(run))
    (deck,) = (tmp_path / "punch").glob("*.deck")
    assert deck.read_text(encoding="utf-8") == 2 * f"(£+ {chr(0xE000 + holes('12-8-5'))}\n"
