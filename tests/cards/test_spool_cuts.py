"""What the spool and the stacker owe to file systems that lose, keep and give back what they should not."""

import random

import pytest

from bridge.cards import folder, spool
from bridge.cards.ledger import Ledger, Taken
from bridge.cards.spool import load
from tests.cards.bench import text_card
from tests.cards.crashes import STATE, World
from tests.cards.faultyfs import FaultyOs, PowerCut, Volume

OWED = Taken(7, 1, text_card("OWED"))
CHANGES = 30
"""More changes of the file system than there are in setting one file aside."""


def record(number: int, at: int, card: Taken) -> bytes:
    return spool._record(number, at, spool._Kind.CARD, spool._CARD.pack(*card))


def damaged() -> bytes:
    """A file of the spool with a card, damage, and the card that is owed."""
    data = spool._beginning(1, Ledger())
    data += record(1, len(data), Taken(7, 0, text_card("BEFORE")))
    data += b"?" * 50
    return data + record(1, len(data), OWED)


@pytest.mark.parametrize("keep", [0, 0.5, 1])
@pytest.mark.parametrize("changes", range(CHANGES))
def test_a_power_cut_while_a_file_is_set_aside_loses_neither_it_nor_what_it_told(
    monkeypatch: pytest.MonkeyPatch, changes: int, keep: float
) -> None:
    # source: tests/references/fat-rename.tsv: a renamed file that is not synced itself may be empty afterwards
    system = FaultyOs()
    system.mounted[str(STATE)] = disk = Volume(random.Random(changes))
    monkeypatch.setattr(folder, "os", system)
    folder.make(STATE, "cards-1.spool", damaged())
    system.cut_after = changes
    try:
        load(STATE)
    except PowerCut:
        system.forget()
        assert changes < CHANGES - 1, "there are more changes than are cut at"
    system.cut_after = None
    disk.lose(keep)
    assert load(STATE).ledger.owed == OWED
    assert damaged() in disk.copy_of_cache().values()


def test_a_record_that_an_older_file_left_on_the_disk_is_not_one_of_this_file(monkeypatch: pytest.MonkeyPatch) -> None:
    # FAT does not clear clusters: what a removed file held can stand beyond the end of another.
    system = FaultyOs()
    system.mounted[str(STATE)] = Volume(random.Random(0))
    monkeypatch.setattr(folder, "os", system)
    beginning = spool._beginning(2, Ledger())
    assert len(beginning) == len(spool._beginning(1, Ledger()))
    folder.make(STATE, "cards-2.spool", beginning + record(1, len(beginning), OWED))
    assert load(STATE).ledger.owed is None


def test_a_stick_that_comes_back_before_its_card_is_safe_elsewhere_goes_on_in_its_deck() -> None:
    world = World(0)
    try:
        world.send()
        world.fail(1000)
        world.send()
        world.insert(1)
        world.fail(1000)
        world.wait(2)  # the card is tried on this stick too
        assert len(world.safe) == 1
        world.insert(0)
        world.fail(0)
        world.wait(5)
        assert len(world.safe) == 2
        (deck,) = world.sticks[0].copy_of_cache().values()
        assert deck.count(b"\n") == 2
        world.settle()
    finally:
        world.close()
