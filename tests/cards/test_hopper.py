import errno
import os
from pathlib import Path

import pytest

from bridge.cards import folder, hopper
from bridge.cards.deck import BLANK_CARD
from bridge.cards.hopper import Hopper, Sight
from tests.cards.bench import text_card


def look(path: Path) -> tuple[str, str]:
    sight = Hopper(path).look()
    return sight.state, sight.words


def test_the_one_deck_is_found(tmp_path: Path) -> None:
    (tmp_path / "TIDES.DECK").write_text("A\n\n")
    for other in (".hidden.deck", "._TIDES.DECK", "notes.txt", "deck"):
        (tmp_path / other).write_text("\0")
    sight = Hopper(tmp_path).look()
    assert (sight.state, sight.words, sight.name) == ("deck", "", "TIDES.DECK")
    assert list(sight.cards) == [text_card("A"), BLANK_CARD]


def test_nothing_to_read(tmp_path: Path) -> None:
    assert look(tmp_path) == ("empty", "no deck on the stick: put one file named *.deck on it")
    (tmp_path / "a.deck").touch()
    assert look(tmp_path) == ("empty", "a.deck has no cards")


def test_too_much_choice(tmp_path: Path) -> None:
    for name in "abcde":
        (tmp_path / f"{name}.deck").touch()
    assert look(tmp_path) == ("choice", "5 decks on the stick: leave one of a.deck, b.deck, c.deck, d.deck, …")
    for name in "abc":
        (tmp_path / f"{name}.deck").unlink()
    assert look(tmp_path) == ("choice", "2 decks on the stick: leave one of d.deck, e.deck")


def test_a_bad_deck_says_why(tmp_path: Path) -> None:
    (tmp_path / "a.deck").write_bytes(b"\xff\n" + b"A" * 81)
    state, words = look(tmp_path)
    assert state == "check"
    assert words.splitlines() == [
        "a.deck, line 1, column 1: byte FF is not UTF-8: save the deck as UTF-8 text",
        "a.deck, line 2, column 81: the line has 81 columns and a card 80: shorten it by 1",
    ]


def test_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hopper, "MAX_CARDS", 3)
    monkeypatch.setattr(hopper, "MAX_BYTES", 12)
    deck = tmp_path / "a.deck"
    deck.write_text("A\n" * 4)
    assert look(tmp_path) == ("check", "a.deck has 4 cards, 3 at most: split it")
    deck.write_text("A" * 13)
    assert look(tmp_path) == ("check", "a.deck has more than 12 bytes: split it")
    deck.write_text("A" * 12)
    assert look(tmp_path) == ("deck", "")


def test_the_largest_deck_fits_both_limits() -> None:
    # source: arithmetic: three bytes of UTF-8 for each of 80 private-use characters, CR LF
    assert (3 * 80 + 2) * hopper.MAX_CARDS <= hopper.MAX_BYTES


def test_no_stick(tmp_path: Path) -> None:
    assert look(tmp_path / "port") == ("not-ready", f"no stick is in: there is no folder {tmp_path}/port")
    (tmp_path / "port").touch()
    assert look(tmp_path / "port")[0] == "not-ready"


@pytest.mark.parametrize("kind", ["link", "folder", "pipe"])
def test_nothing_is_followed_or_waited_for(tmp_path: Path, kind: str) -> None:
    deck = tmp_path / "port" / "a.deck"
    deck.parent.mkdir()
    match kind:
        case "link":
            (tmp_path / "secret").write_text("A\n")
            deck.symlink_to(tmp_path / "secret")
        case "folder":
            deck.mkdir()
        case "pipe":
            os.mkfifo(deck)
    state, words = look(deck.parent)
    assert state == "not-ready"
    assert words.startswith("what is named like a deck is a link, a folder or a pipe")


@pytest.mark.parametrize("call", ["entries", "read"])
@pytest.mark.parametrize("error", [errno.EIO, errno.ENOENT, errno.EACCES, errno.ENODEV])
def test_a_failing_stick_is_a_state_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int
) -> None:
    def fail(*_: object) -> None:
        raise OSError(error, os.strerror(error))

    (tmp_path / "a.deck").write_text("A\n")
    watched = Hopper(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(folder, call, fail)
        sight = watched.look()
        assert sight.state == "not-ready"
        assert sight.words
        assert watched.look() is sight
    assert watched.look().state == "deck"


def test_it_reads_again_only_what_has_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reads: list[str] = []
    read = folder.read

    def noting(path: Path, name: str, limit: int) -> bytes:
        reads.append(name)
        return read(path, name, limit)

    monkeypatch.setattr(folder, "read", noting)
    deck = tmp_path / "a.deck"
    watched = Hopper(tmp_path)

    def seen() -> Sight:
        sight = watched.look()
        assert watched.look() is sight
        return sight

    deck.write_text("A\n")
    first = seen()
    (tmp_path / "notes.txt").touch()
    assert seen() is first
    assert reads == ["a.deck"]
    os.utime(deck, ns=(1, 1))  # another time
    second = seen()
    assert second is not first
    deck.write_text("BB\n")  # another size
    os.utime(deck, ns=(1, 1))
    third = seen()
    assert list(third.cards) == [text_card("BB")]
    (tmp_path / ".new").write_text("CC\n")  # another inode
    os.utime(tmp_path / ".new", ns=(1, 1))
    (tmp_path / ".new").rename(deck)
    assert list(seen().cards) == [text_card("CC")]
    deck.rename(tmp_path / "b.deck")
    assert seen().name == "b.deck"
    assert len(reads) == 5
    (tmp_path / "b.deck").write_text("\t\n")  # a bad one, too
    assert seen().state == "check"
    assert len(reads) == 6


def test_a_crowded_folder_is_not_read_to_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder, "MAX_ENTRIES", 3)
    for n in range(10):
        (tmp_path / f"{n}.deck").touch()
    assert look(tmp_path)[1].startswith("3 decks on the stick")
