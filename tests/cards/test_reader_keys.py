"""What people do at the reader, key by key and stick by stick, and what it says to them."""

import asyncio
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Unpack

import pytest

from bridge.cards.folder import A, T
from bridge.cards.reader import KeyAct, Settings
from bridge.cards.slot import Slot, Stick
from tests.cards.bench import running, text_card
from tests.cards.test_reader import CYCLE, Bench, play
from tests.virtual import run_virtually

PLAIN = Settings(500)
FINISH = replace(PLAIN, taken_out="finish")
KEYS = replace(PLAIN, load_key="LOAD", start_key="START", stop_key="STOP", end_key="END")
NO_STICK = "no stick is in"
OUT = Stick(0, None, NO_STICK)


def deck(folder: Path, name: str, cards: int) -> None:
    """Put a deck of cards NAME 0, NAME 1 … on a stick, all at once."""
    folder.mkdir(exist_ok=True)
    (folder / ".new").write_text("".join(f"{name} {n}\n" for n in range(cards)))
    (folder / ".new").rename(folder / f"{name}.deck")


def cards_of(name: str, count: int) -> list[bytes]:
    return [text_card(f"{name} {n}") for n in range(count)]


async def press(bench: Bench, *acts: KeyAct) -> None:
    for act in acts:
        bench.reader.press(act)
        await bench.wait(0.05)


def test_load_start_and_stop(tmp_path: Path) -> None:
    deck(tmp_path, "a", 9)

    async def scene(bench: Bench) -> None:
        bench.ask(9)
        await bench.wait(2)
        waits = "; the computer waits for a card"
        assert bench.now == ("not-ready", "a.deck is in the hopper, 9 cards: press LOAD to load it" + waits)
        await press(bench, "start")
        await bench.wait(2)
        assert not bench.cards
        await press(bench, "load")
        assert bench.now == ("not-ready", "a.deck is loaded, 9 cards: press START" + waits)
        await bench.wait(2)
        assert not bench.cards
        await press(bench, "start")
        await bench.until_ended(2)
        await bench.wait(0.01)
        bench.reader.press("stop")  # the third is moving
        await bench.wait(2)
        assert bench.cards == cards_of("a", 3)
        assert bench.now == ("not-ready", "stopped after 3 of 9 cards of a.deck: press START" + waits)
        await press(bench, "load")  # nothing to load in the middle of a deck
        await bench.wait(2)
        assert len(bench.cards) == 3
        await press(bench, "start")
        await bench.until_ended(9)
        assert bench.cards == cards_of("a", 9)
        again = "take the stick out, or put another deck on it, or press LOAD to load again"
        assert bench.now == ("empty", f"a.deck is read to its last card: {again}")
        await press(bench, "start")
        await bench.wait(2)
        await press(bench, "load")
        await bench.wait(1)
        assert bench.now == ("not-ready", "a.deck is loaded, 9 cards: press START")

    play(tmp_path, scene, KEYS)


def test_a_stop_between_the_request_and_the_clutch_keeps_the_card(tmp_path: Path) -> None:
    deck(tmp_path, "a", 2)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "load", "start")
        bench.ask(2)
        await bench.until_ended(1)
        await bench.clock.until(bench.ended[0] - 1)
        bench.reader.press("stop")
        await bench.wait(3)
        assert len(bench.cards) == 1
        pressed = bench.clock.now()
        bench.reader.press("start")
        await bench.until_ended(2)
        assert pressed <= bench.picked[1] <= pressed + CYCLE // 4

    play(tmp_path, scene, KEYS)


def test_load_steps_through_several_decks_by_name_until_a_card_moves(tmp_path: Path) -> None:
    for name in ("b", "a", "c"):
        deck(tmp_path, name, 2)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        assert bench.now == ("choice", "3 decks on the stick, a.deck, b.deck, c.deck: press LOAD for a.deck")
        for name, following in (("a", "b"), ("b", "c"), ("c", "a"), ("a", "b"), ("b", "c")):
            await press(bench, "load")
            words = f"{name}.deck is loaded, 2 cards: press START, or LOAD for {following}.deck"
            assert bench.now == ("not-ready", words)
        bench.ask(2)
        await press(bench, "start")
        await bench.until_ended(1)
        await press(bench, "load")
        await bench.until_ended(2)
        assert bench.cards == cards_of("b", 2)
        await bench.wait(5)
        assert bench.now[0] == "empty"  # nobody has chosen the others
        await press(bench, "load")
        assert bench.now[1].startswith("c.deck is loaded")

    play(tmp_path, scene, KEYS)


def test_a_look_that_was_under_way_when_load_was_pressed_does_not_count(tmp_path: Path) -> None:
    for name in "ab":
        deck(tmp_path, name, 2)

    async def main() -> None:
        async def slow(call: Callable[[Unpack[A]], T], *arguments: *A) -> T:
            found = call(*arguments)
            await bench.wait(0.3)
            return found

        bench = Bench(tmp_path, KEYS, slow)
        async with running(bench.reader.run()):
            await bench.see(lambda: bool(bench.states) and bench.now[0] == "choice")
            deck(tmp_path, "c", 2)
            await bench.wait(0.6)  # the third deck has been listed, and nobody has heard of it yet
            bench.reader.press("load")
            await bench.wait(2)
            assert bench.now == ("not-ready", "a.deck is loaded, 2 cards: press START, or LOAD for b.deck")

    run_virtually(main())


def test_without_keys_several_decks_are_nobodys_choice(tmp_path: Path) -> None:
    for name in "ab":
        deck(tmp_path, name, 2)

    async def scene(bench: Bench) -> None:
        bench.ask(4)
        await bench.wait(5)
        assert not bench.cards
        todo = "leave one, or begin their names with 1, 2, 3 … to have them read in this order"
        waits = "; the computer waits for a card"
        assert bench.now == ("choice", f"2 decks on the stick, a.deck, b.deck: {todo}{waits}")
        (tmp_path / "a.deck").rename(tmp_path / "2 a.deck")
        (tmp_path / "b.deck").rename(tmp_path / "1 b.deck")
        await bench.until_ended(4)
        assert bench.cards == cards_of("b", 2) + cards_of("a", 2)

    play(tmp_path, scene)


def test_the_end_key_tells_the_computer_after_the_last_card(tmp_path: Path) -> None:
    deck(tmp_path, "a", 3)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "load", "end")  # as good as "start"
        assert bench.now == ("ready", "a.deck: 3 of 3 cards to read; the computer is told when the last one is read")
        bench.ask(4)
        await bench.until_ended(3)
        assert bench.last_cards == [(3, bench.ended[2])]
        await bench.wait(2)
        assert bench.now[0] == "empty"
        assert bench.now[1].endswith("; the computer has been told that no card follows; the computer waits for a card")
        await press(bench, "end")
        assert [number for number, _ in bench.last_cards] == [3, 3]
        # The request stands, and the next deck serves it.
        deck(tmp_path, "b", 1)
        await bench.wait(1)
        await press(bench, "load", "start")
        await bench.until_ended(4)
        assert bench.cards[3:] == cards_of("b", 1)
        assert "no card follows" not in bench.now[1]

    play(tmp_path, scene, KEYS)


def test_with_nothing_in_the_hopper_the_end_is_told_at_once(tmp_path: Path) -> None:
    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "end")
        assert [number for number, _ in bench.last_cards] == [0]

    play(tmp_path, scene, KEYS)


def test_the_end_is_not_told_of_cards_that_were_taken_away(tmp_path: Path) -> None:
    deck(tmp_path, "a", 3)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "load", "end")
        bench.ask(1)
        await bench.until_ended(1)
        (tmp_path / "a.deck").unlink()
        await bench.wait(2)
        assert not bench.last_cards

    play(tmp_path, scene, KEYS)


def test_the_end_is_told_though_the_stick_goes_while_the_last_card_moves(tmp_path: Path) -> None:
    deck(tmp_path / "s", "a", 1)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "load", "end")
        bench.ask(1)
        await bench.see(lambda: bench.now[0] == "feeding")
        await bench.wait(0.05)
        slot.put(OUT)
        await bench.wait(1)
        assert bench.cards == cards_of("a", 1)
        assert bench.last_cards == [(1, bench.ended[0])]

    play(slot, scene, KEYS)


@pytest.mark.parametrize("key", ["start", "end"])
def test_a_full_stacker_stops_the_deck_until_a_key_says_that_it_is_empty(tmp_path: Path, key: KeyAct) -> None:
    deck(tmp_path, "a", 7)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        await press(bench, "load", "start")
        bench.ask(7)
        await bench.wait(5)
        assert len(bench.cards) == 3
        waits = "; the computer waits for a card"
        assert bench.now == ("stacker-full", "the stacker is full, with 3 cards: empty it and press START" + waits)
        await press(bench, key)
        await bench.wait(5)
        assert len(bench.cards) == 6
        assert bench.now[0] == "stacker-full"

    play(tmp_path, scene, replace(KEYS, stacker_cards=3))


def test_a_stick_that_is_taken_out_takes_the_cards_in_the_stacker_with_it(tmp_path: Path) -> None:
    deck(tmp_path / "s", "a", 3)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        bench.ask(6)
        await bench.wait(3)
        deck(tmp_path / "s", "b", 3)
        await bench.wait(3)
        assert bench.cards == cards_of("a", 3)
        assert bench.now[:1] == ("stacker-full",)
        assert "3 cards: take the stick out" in bench.now[1]
        slot.put(Stick(2, tmp_path / "s"))
        await bench.wait(1)
        assert bench.now[0] == "choice"
        (tmp_path / "s" / "a.deck").unlink()
        await bench.until_ended(6)
        assert bench.cards[3:] == cards_of("b", 3)

    play(slot, scene, replace(PLAIN, stacker_cards=3))


@pytest.mark.parametrize("settings", [PLAIN, FINISH])
def test_a_stick_put_back_at_once_is_put_in_again(tmp_path: Path, settings: Settings) -> None:
    deck(tmp_path / "s", "a", 2)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        bench.ask(4)
        await bench.until_ended(2)
        await bench.wait(0.2)
        slot.put(Stick(2, tmp_path / "s"))
        await bench.until_ended(4)
        assert bench.cards == cards_of("a", 2) * 2

    play(slot, scene, settings)


def test_a_deck_in_hand_stops_when_its_stick_is_taken_out(tmp_path: Path) -> None:
    deck(tmp_path / "s", "a", 20)
    deck(tmp_path / "t", "b", 1)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        bench.ask(99)
        await bench.until_ended(4)
        await bench.wait(0.01)
        slot.put(OUT)
        await bench.wait(3)
        assert bench.cards == cards_of("a", 5)  # the fifth was moving
        words = f"a.deck was taken out after 5 of 20 cards; {NO_STICK}; the computer waits for a card"
        assert bench.now == ("not-ready", words)
        slot.put(Stick(2, tmp_path / "t"))
        await bench.until_ended(6)
        assert bench.cards[5:] == cards_of("b", 1)
        assert "taken out" not in bench.now[1]

    play(slot, scene)


def test_a_deck_in_hand_may_be_finished_and_the_next_stick_follows(tmp_path: Path) -> None:
    deck(tmp_path / "s", "a", 20)
    deck(tmp_path / "t", "b", 2)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        bench.ask(5)
        await bench.until_ended(5)
        slot.put(OUT)
        await bench.wait(1)
        assert bench.now == ("ready", "a.deck: 15 of 20 cards to read; its stick is out")
        slot.put(Stick(2, tmp_path / "t"))
        bench.ask(99)
        await bench.until_ended(22)
        assert bench.cards == cards_of("a", 20) + cards_of("b", 2)
        assert bench.picked[20] == bench.ended[19]  # without a pause
        slot.put(Stick(3, None, NO_STICK))
        await bench.wait(1)
        assert bench.now == ("not-ready", f"{NO_STICK}; the computer waits for a card")

    play(slot, scene, FINISH)


def test_a_deck_of_which_no_card_moved_goes_with_its_stick(tmp_path: Path) -> None:
    deck(tmp_path / "s", "a", 20)
    slot = Slot(Stick(1, tmp_path / "s"))

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        slot.put(OUT)
        bench.ask(5)
        await bench.wait(2)
        assert not bench.cards
        assert bench.now[0] == "not-ready"

    play(slot, scene, FINISH)


def test_decks_put_on_one_after_another_are_one_job(tmp_path: Path) -> None:
    deck(tmp_path, "program", 2)

    async def scene(bench: Bench) -> None:
        bench.ask(6)
        await bench.until_ended(2)
        await bench.wait(1)
        deck(tmp_path, "data", 2)
        await bench.until_ended(4)
        deck(tmp_path, "more", 2)
        await bench.until_ended(6)
        assert bench.cards == cards_of("program", 2) + cards_of("data", 2) + cards_of("more", 2)
        assert bench.numbers == [1, 2, 3, 4, 5, 6]
        bench.reader.request()
        await bench.wait(5)
        assert len(bench.cards) == 6

    play(tmp_path, scene)


def test_what_is_put_beside_a_deck_that_is_being_read_waits_for_its_end(tmp_path: Path) -> None:
    deck(tmp_path, "program", 20)

    async def scene(bench: Bench) -> None:
        bench.ask(99)
        await bench.until_ended(3)
        (tmp_path / "a folder.deck").mkdir()
        await bench.wait(1)
        deck(tmp_path, "data", 2)
        (tmp_path / "a folder.deck").rmdir()
        await bench.until_ended(22)
        assert bench.cards == cards_of("program", 20) + cards_of("data", 2)

    play(tmp_path, scene)


def test_notes_on_a_deck_are_said_until_its_first_card_moves(tmp_path: Path) -> None:
    (tmp_path / "a.deck").write_text("A\tB\nC\n")

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        assert bench.now[1].startswith("a.deck: 2 of 2 cards to read; ")
        assert "tab" in bench.now[1]
        bench.ask()
        await bench.until_ended(1)
        assert bench.now == ("ready", "a.deck: 1 of 2 cards to read")

    play(tmp_path, scene)


def test_a_look_that_hangs_ends_when_another_stick_comes(tmp_path: Path) -> None:
    deck(tmp_path / "good", "a", 1)
    slot = Slot(Stick(1, tmp_path / "bad"))

    async def hangs_on_the_bad_one(call: Callable[[Unpack[A]], T], *arguments: *A) -> T:
        if str(tmp_path / "bad") in repr(arguments):
            await asyncio.Event().wait()
        return call(*arguments)

    async def main() -> None:
        bench = Bench(slot, elsewhere=hangs_on_the_bad_one)
        async with running(bench.reader.run()):
            bench.ask()
            await bench.wait(5)
            slot.put(Stick(2, tmp_path / "good"))
            await bench.until_ended(1)
            assert bench.cards == cards_of("a", 1)

    run_virtually(main())


def test_a_call_that_fails_is_a_state(tmp_path: Path) -> None:
    deck(tmp_path, "a", 1)
    failing = True

    async def failing_at_first(call: Callable[[Unpack[A]], T], *arguments: *A) -> T:
        if failing:
            raise TimeoutError(110, "trial")
        return call(*arguments)

    async def main() -> None:
        nonlocal failing
        bench = Bench(tmp_path, elsewhere=failing_at_first)
        async with running(bench.reader.run()):
            await bench.wait(2)
            assert bench.now == ("not-ready", "the stick does not answer: take it out and try another")
            failing = False
            bench.ask()
            await bench.until_ended(1)

    run_virtually(main())


def test_at_once_a_cycle_takes_no_time_and_then_the_clutch_again(tmp_path: Path) -> None:
    deck(tmp_path, "a", 60)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        bench.reader.at_once = True
        begin = bench.clock.now()
        bench.ask(50)
        await bench.until_ended(50)
        assert bench.ended[-1] == begin
        bench.reader.at_once = False
        await bench.wait(0.013)
        bench.ask(2)
        await bench.until_ended(52)
        assert bench.picked[51] - bench.picked[50] == CYCLE
        assert bench.cards == cards_of("a", 52)

    play(tmp_path, scene)


README = Path(__file__).parents[2] / "README.md"


def said_in_a_visit(folder: Path) -> set[tuple[str, str]]:
    """Return all that the reader says while one visitor does what there is to do."""
    stick = folder / "stick"
    deck(stick, "tides", 5)
    slot = Slot(Stick(0, None, "no stick is in: put one with a deck on it into the reader"))

    async def with_keys(bench: Bench) -> None:
        await bench.wait(0.1)
        slot.put(Stick(1, stick))
        bench.reader.request()
        await bench.wait(1)
        bench.reader.forget()
        await press(bench, "load", "start")
        bench.ask()
        await bench.until_ended(1)
        await press(bench, "stop", "start")
        bench.ask(4)
        await bench.wait(2)
        bench.reader.press("start")
        await bench.wait(2)
        bench.reader.press("end")
        await bench.wait(2)
        deck(stick, "heights", 3)
        (stick / "tides.deck").write_text("NEW\n")
        await bench.wait(1)
        await press(bench, "load", "load")

    async def without(bench: Bench) -> None:
        (stick / "tides.deck").unlink()
        await bench.wait(1)
        bench.ask()
        await bench.until_ended(1)
        (stick / "heights.deck").unlink()
        await bench.wait(1)
        deck(stick, "a", 1)
        deck(stick, "b", 1)
        await bench.wait(1)
        (stick / "b.deck").unlink()
        (stick / "a.deck").write_text("é\n")
        await bench.wait(1)

    said: set[tuple[str, str]] = set()

    def visit(scene: Callable[[Bench], object], settings: Settings, place: Slot | Path) -> None:
        async def noted(bench: Bench) -> None:
            await scene(bench)  # type: ignore[misc]
            said.update((state.state, state.words) for state in bench.states)

        play(place, noted, settings)

    visit(with_keys, replace(KEYS, stacker_cards=3), slot)
    visit(without, PLAIN, stick)
    return said


@pytest.mark.skipif(not README.exists(), reason="there is no README beside these tests")
def test_the_readme_says_what_the_reader_says(tmp_path: Path) -> None:
    rows = set(re.findall(r"^\| `([a-z-]+)` \| “(.+?)” \|", README.read_text(encoding="utf-8"), re.MULTILINE))
    said = said_in_a_visit(tmp_path)
    # The first line, without what comes of its being a visit of many acts.
    first = {
        (state, re.sub(r"^.* was taken out after .*? cards; |; the computer.*|\n.*", "", words))
        for state, words in said
    }
    assert rows - {(state, words.removesuffix(", or press LOAD to load again")) for state, words in first} == set()
    states = {"not-ready", "empty", "ready", "feeding", "check", "choice", "stacker-full"}
    assert {state for state, _ in rows} == {state for state, _ in said} == states
