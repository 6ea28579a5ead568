"""The spool: what it keeps, what it mends, and what it sets aside."""

import asyncio
import os
import struct
from pathlib import Path

import pytest

from bridge.cards import spool
from bridge.cards.folder import at_once
from bridge.cards.ledger import Deck, Ledger, Taken
from bridge.cards.spool import Spool, SpoolError, load
from tests.cards.bench import text_card

RUN = 0xC0FFEE


def opened(folder: Path) -> Spool:
    return Spool(folder, at_once, load(folder))


def filled(folder: Path, cards: int) -> Ledger:
    """Keep so many cards, all but the last one safe in deck 1, and return what is known then."""
    kept = opened(folder)

    async def fill() -> None:
        for number in range(1, cards + 1):
            await kept.take(Taken(RUN, number, text_card(f"CARD {number}")))
            if number == 1:
                await kept.goes_to(Deck(1))
            if number < cards:
                kept.settle()

    asyncio.run(fill())
    return kept.ledger


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_what_was_kept_is_found_again(tmp_path: Path) -> None:
    ledger = filled(tmp_path, 3)
    found = load(tmp_path)
    assert found.words == ()
    assert found.ledger.as_plain() == ledger.as_plain()
    assert found.ledger.owed == Taken(RUN, 3, text_card("CARD 3"))
    # source: arithmetic: two lines of seven bytes
    assert found.ledger.deck is not None
    assert (found.ledger.deck.number, found.ledger.deck.size) == (1, 14)


def test_the_last_card_is_noted_as_safe(tmp_path: Path) -> None:
    filled(tmp_path, 1)
    kept = opened(tmp_path)
    kept.settle()
    asyncio.run(kept.note())
    assert load(tmp_path).ledger.owed is None


@pytest.mark.parametrize("cut", range(1, 185, 7))
def test_a_record_cut_short_was_never_there(tmp_path: Path, cut: int) -> None:
    filled(tmp_path, 2)
    file = tmp_path / "cards-1.spool"
    file.write_bytes(file.read_bytes()[:-cut])
    found = load(tmp_path)
    assert found.words == ()
    # Cut by more than the last record, it has lost a second one: 180 bytes are a card's.
    assert found.ledger.owed is not None
    assert found.ledger.owed.number == 1
    filled(tmp_path, 1)
    assert load(tmp_path).words == ()


def test_nuls_where_data_should_be_are_what_a_power_cut_leaves(tmp_path: Path) -> None:
    ledger = filled(tmp_path, 2)
    file = tmp_path / "cards-1.spool"
    file.write_bytes(file.read_bytes() + bytes(400))
    found = load(tmp_path)
    assert (found.words, found.ledger.as_plain()) == ((), ledger.as_plain())


def test_damage_in_the_middle_is_set_aside_and_the_rest_is_used(tmp_path: Path) -> None:
    filled(tmp_path, 20)
    file = tmp_path / "cards-1.spool"
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)
    found = load(tmp_path)
    (words,) = found.words
    assert "the record of punched cards is damaged at byte" in words
    assert words.endswith("It was kept as cards-1.spool.aside-1.")
    assert found.ledger.owed is not None
    assert found.ledger.owed.number == 20
    assert files(tmp_path) == ["cards-1.spool.aside-1", "cards-2.spool"]
    assert (tmp_path / "cards-1.spool.aside-1").read_bytes() == bytes(data)
    assert load(tmp_path).words == ()


def test_another_version_is_set_aside_and_told(tmp_path: Path) -> None:
    filled(tmp_path, 2)
    file = tmp_path / "cards-1.spool"
    data = bytearray(file.read_bytes())
    struct.pack_into("<H", data, 20, 7)
    file.write_bytes(data)
    found = load(tmp_path)
    (words,) = found.words
    assert "has version 7, and only 1 can be read here; a card that was on its way may be punched again" in words
    assert files(tmp_path) == ["cards-1.spool.aside-1", "cards-2.spool"]
    assert found.ledger.runs == {}


@pytest.mark.parametrize("content", [b"not a spool at all, but somebody's text", b"\xff" * 1000])
def test_what_is_no_spool_is_set_aside(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "cards-3.spool").write_bytes(content)
    (words,) = load(tmp_path).words
    assert "damaged at byte" in words
    assert files(tmp_path) == ["cards-3.spool.aside-1", "cards-4.spool"]


def test_an_unreadable_spool_is_told_and_nothing_is_removed(tmp_path: Path) -> None:
    (tmp_path / "cards-1.spool").mkdir()
    found = load(tmp_path)
    assert "cannot be read" in found.words[0]
    assert files(tmp_path) == ["cards-1.spool", "cards-2.spool"]


def test_it_does_not_grow_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spool, "LONGEST", 2000)
    ledger = filled(tmp_path, 200)
    (file,) = tmp_path.iterdir()
    assert file.stat().st_size < 2000 + 2 * 200 + len(spool._beginning(1, ledger))
    assert load(tmp_path).ledger.as_plain() == ledger.as_plain()


def test_an_older_file_that_could_not_be_removed_is_superseded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spool, "LONGEST", 600)

    def refuses(*_: object) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "unlink", refuses)
        ledger = filled(tmp_path, 20)
    assert len(files(tmp_path)) > 1
    assert load(tmp_path).ledger.as_plain() == ledger.as_plain()
    assert len(files(tmp_path)) == 1


def test_a_disk_that_keeps_nothing_is_told_and_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(tmp_path, 1)
    kept = opened(tmp_path)
    before = kept.ledger.as_plain()

    def refuses(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuses)
    with pytest.raises(SpoolError, match=r"own storage does not keep cards \(No space left on device\): see to "):
        asyncio.run(kept.take(Taken(RUN, 2, text_card("B"))))
    assert kept.ledger.as_plain() == before


def test_a_spool_that_somebody_took_away_is_begun_again_with_all_that_is_known(tmp_path: Path) -> None:
    filled(tmp_path, 3)
    kept = opened(tmp_path)
    (tmp_path / "cards-1.spool").unlink()
    kept.settle()
    with pytest.raises(SpoolError):
        asyncio.run(kept.take(Taken(RUN, 4, text_card("D"))))
    asyncio.run(kept.take(Taken(RUN, 4, text_card("D"))))
    assert load(tmp_path).ledger.as_plain() == kept.ledger.as_plain()
    assert [*load(tmp_path).ledger.runs[RUN]] == [1, 2, 3, 4]


def test_a_disk_that_cannot_sync_at_the_start_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = filled(tmp_path, 3)

    def refuses(_: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refuses)
        found = load(tmp_path)
    assert (found.number, found.ledger.as_plain()) == (0, ledger.as_plain())
    assert files(tmp_path) == ["cards-1.spool"]
