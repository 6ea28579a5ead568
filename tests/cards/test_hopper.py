import errno
import os
import pickle
import re
from pathlib import Path

import pytest

from bridge.cards import folder, hopper
from bridge.cards.code import BUILT_IN, holes
from bridge.cards.deck import BLANK_CARD, MAX_BYTES, MAX_CARDS, Card, card_of
from bridge.cards.folder import Identity
from bridge.cards.hopper import Sight
from tests.cards.bench import text_card


def see(path: Path, passed: frozenset[Identity] = frozenset(), chosen: str = "") -> Sight:
    sight = hopper.look(path, passed=passed, chosen=chosen)
    assert sight is not None
    return sight


def cards(sight: Sight) -> list[Card]:
    return [sight.card(n) for n in range(len(sight.images))]


def look(path: Path) -> tuple[str, str]:
    sight = see(path)
    return sight.state, sight.words


def test_the_one_deck_is_found(tmp_path: Path) -> None:
    (tmp_path / "TIDES.DECK").write_text("A\n\n")
    for other in (".hidden.deck", "._TIDES.DECK", "notes.txt", "deck"):
        (tmp_path / other).write_text("\0")
    sight = see(tmp_path)
    assert (sight.state, sight.words, sight.name) == ("deck", "", "TIDES.DECK")
    assert cards(sight) == [text_card("A"), BLANK_CARD]


def test_nothing_to_read(tmp_path: Path) -> None:
    assert look(tmp_path) == ("empty", "no deck on the stick: put one file named *.deck on it")
    (tmp_path / "a.deck").touch()
    assert look(tmp_path) == ("empty", "a.deck has no cards")


def test_several_decks_are_a_choice(tmp_path: Path) -> None:
    for name in "abcde":
        (tmp_path / f"{name}.deck").write_text(name)
    assert look(tmp_path) == ("choice", "5 decks on the stick, a.deck, b.deck, c.deck, d.deck, …")
    assert see(tmp_path).choice == ("a.deck", "b.deck", "c.deck", "d.deck", "e.deck")
    chosen = see(tmp_path, chosen="d.deck")
    assert (chosen.state, chosen.name, cards(chosen)) == ("deck", "d.deck", [text_card("d")])
    assert chosen.choice == ("a.deck", "b.deck", "c.deck", "d.deck", "e.deck")
    for name in "abc":
        (tmp_path / f"{name}.deck").unlink()
    assert look(tmp_path) == ("choice", "2 decks on the stick, d.deck, e.deck")
    assert see(tmp_path, chosen="a.deck").state == "choice"


@pytest.mark.parametrize(
    ("names", "order"),
    [
        (["2 tide.deck", "1 loader.deck"], "12"),
        (["02-tide.DECK", "01-loader.deck", "3.deck"], "123"),
        ([f"{n}.deck" for n in range(1, 12)], "123456789ab"),
        (["1 loader.deck", "3 tide.deck"], None),  # the second is missing
        (["1 loader.deck", "1 tide.deck"], None),
        (["0 loader.deck", "1 tide.deck"], None),
        (["1 loader.deck", "tide.deck"], None),
        (["1961.deck", "1962.deck"], None),
        (["2 tide.deck"], "2"),  # one deck is the deck, whatever its name
    ],
)
def test_numbered_decks_are_read_in_that_order(tmp_path: Path, names: list[str], order: str | None) -> None:
    # source: common practice, no source: what a visitor would try who is to stack a program and its data
    for name in names:
        (tmp_path / name).write_text(f"{int(re.sub('[^0-9]', '', name) or 0):x}\n")
    sight = see(tmp_path)
    if order is None:
        assert sight.state == "choice"
    else:
        assert sight.state == "deck"
        assert cards(sight) == [text_card(place) for place in order]


def test_a_stack_is_named_by_its_decks(tmp_path: Path) -> None:
    for n in range(1, 4):
        (tmp_path / f"{n}.deck").write_text("A\n")
    assert see(tmp_path).name == "1.deck + 2.deck + 3.deck"
    for n in range(4, 7):
        (tmp_path / f"{n}.deck").write_text("A\n")
    assert see(tmp_path).name == "1.deck and 5 more"


def test_one_bad_deck_of_a_stack_holds_it_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "1.deck").write_text("A\n")
    (tmp_path / "2.deck").write_text("A" * 81)
    assert see(tmp_path).state == "check"
    assert see(tmp_path).words.startswith("2.deck, line 1, column 81")
    monkeypatch.setattr(hopper, "MAX_CARDS", 3)
    (tmp_path / "2.deck").write_text("A\n" * 3)
    assert look(tmp_path) == ("check", "1.deck + 2.deck has 4 cards, 3 at most: split it")


def test_decks_that_passed_do_not_count_until_they_change(tmp_path: Path) -> None:
    (tmp_path / "a.deck").write_text("A\n")
    passed = frozenset(see(tmp_path).decks)
    no_new = "no new deck on the stick: take it out, or put another deck on it"
    assert (see(tmp_path, passed).state, see(tmp_path, passed).words) == ("empty", no_new)
    (tmp_path / "b.deck").write_text("B\n")
    assert see(tmp_path, passed).name == "b.deck"
    assert [deck.name for deck in see(tmp_path, passed).decks] == ["a.deck", "b.deck"]
    (tmp_path / "b.deck").unlink()
    (tmp_path / "a.deck").write_text("AA\n")
    assert see(tmp_path, passed).name == "a.deck"


@pytest.mark.parametrize(
    "litter",
    # source: common practice, no source: what desktop systems, office programs and editors leave on sticks
    [
        *("._a.deck", ".Trash-1000", ".Spotlight-V100", ".fseventsd", "System Volume Information", "desktop.ini"),
        *("Thumbs.db", "~$a.deck", "~a.deck", "a.deck~", "#a.deck#", "a.deck.bak", "a.deck.swp", ".a.deck.swp"),
    ],
)
def test_litter_is_no_deck(tmp_path: Path, litter: str) -> None:
    (tmp_path / "a.deck").write_text("A\n")
    (tmp_path / litter).write_bytes(b"\0\xff")
    assert see(tmp_path).name == "a.deck"


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
    assert (3 * 80 + 2) * MAX_CARDS <= MAX_BYTES


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
def test_a_failing_stick_is_a_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int) -> None:
    def fail(*_: object) -> None:
        raise OSError(error, os.strerror(error))

    (tmp_path / "a.deck").write_text("A\n")
    monkeypatch.setattr(folder, call, fail)
    sight = see(tmp_path)
    assert sight.state == "not-ready"
    assert sight.words
    # What was listed is known, so that a deck that is being read is not given up for another's fault.
    assert [deck.name for deck in sight.decks] == (["a.deck"] if call == "read" else [])


def test_it_reads_again_only_what_has_changed(tmp_path: Path) -> None:
    deck = tmp_path / "a.deck"
    known: tuple[Identity, ...] | None = None

    def news() -> Sight | None:
        nonlocal known
        sight = hopper.look(tmp_path, known)
        if sight is not None:
            known = sight.decks
            assert hopper.look(tmp_path, known) is None
        return sight

    deck.write_text("A\n")
    assert news() is not None
    (tmp_path / "notes.txt").touch()
    assert news() is None
    os.utime(deck, ns=(1, 1))  # another time
    assert news() is not None
    deck.write_text("BB\n")  # another size
    os.utime(deck, ns=(1, 1))
    third = news()
    assert third is not None
    assert cards(third) == [text_card("BB")]
    (tmp_path / ".new").write_text("CC\n")  # another inode
    os.utime(tmp_path / ".new", ns=(1, 1))
    (tmp_path / ".new").rename(deck)
    fourth = news()
    assert fourth is not None
    assert cards(fourth) == [text_card("CC")]
    deck.rename(tmp_path / "b.deck")
    assert news() is not None
    (tmp_path / "b.deck").unlink()
    gone = news()
    assert gone is not None
    assert gone.state == "empty"


def test_a_crowded_folder_is_refused_not_half_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder, "MAX_ENTRIES", 3)
    for n in range(3):
        (tmp_path / f"{n}.txt").touch()
    assert look(tmp_path)[0] == "empty"
    (tmp_path / "a.deck").write_text("A\n")
    state, words = look(tmp_path)
    assert state == "not-ready"
    assert words.startswith("more than 10,000 files and folders lie side by side on the stick")


def test_what_is_seen_can_cross_to_another_process(tmp_path: Path) -> None:
    (tmp_path / "a.deck").write_text("A\nB\n")
    sight = see(tmp_path)
    again = pickle.loads(pickle.dumps(sight, protocol=5))  # noqa: S301 -- our own
    assert cards(again) == cards(sight) == [text_card("A"), text_card("B")]
    assert (again.state, again.decks, again.parts) == (sight.state, sight.decks, sight.parts)


def test_a_deck_that_may_not_be_read_is_no_fault_of_the_stick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a\n.deck").write_text("A\n")

    def denied(path: Path, *_: object, **__: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr(os, "open", denied)
    words = "a\\x0a.deck may not be opened: let everybody read and write the file, or try another stick"
    assert look(tmp_path) == ("not-ready", words)


def test_a_deck_is_read_in_the_code_of_the_hopper(tmp_path: Path) -> None:
    (tmp_path / "a.deck").write_text("A+(\n")
    sight = hopper.look(tmp_path, code=BUILT_IN["scientific"])
    assert sight is not None
    assert cards(sight) == [card_of([holes("12-1"), holes("12"), holes("0-8-4")])]
    sight = hopper.look(tmp_path, code=BUILT_IN["commercial"])
    assert sight is not None
    assert (sight.state, "card code commercial" in sight.words) == ("check", True)


@pytest.mark.parametrize(("decks", "state"), [(100, "choice"), (101, "check")])
def test_nobody_chooses_among_very_many_decks(tmp_path: Path, decks: int, state: str) -> None:
    for n in range(decks):
        (tmp_path / f"TIDE {n} A.deck").write_text("A\n")
    sight = hopper.look(tmp_path)
    assert sight is not None
    assert (sight.state, len(sight.decks)) == (state, decks)
    for deck in tmp_path.iterdir():
        deck.unlink()
    emptied = hopper.look(tmp_path, sight.decks)
    assert emptied is not None
    assert emptied.state == "empty"
