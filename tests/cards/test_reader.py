import asyncio
import itertools
import math
import threading
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, Unpack

import pytest

from bridge.cards.deck import Card
from bridge.cards.folder import A, Elsewhere, T, at_once, in_thread
from bridge.cards.reader import LOOK_EVERY, Progress, ReadCard, Reader, Settings, Taker
from bridge.cards.slot import Slot, plain
from bridge.clock import SECOND
from tests.cards.bench import MS, Staff, running, text_card
from tests.virtual import VirtualLoop, run_virtually

CYCLE = 120 * MS  # source: arithmetic: 60 s / 500 cards


class Bench(Staff):
    """A reader, a core that wants `hungry` more cards as soon as it has one, and notes of both."""

    def __init__(self, stick: Path | Slot, settings: Settings | None = None, elsewhere: Elsewhere = at_once) -> None:
        super().__init__()
        self.hungry = 0
        self.cards: list[Card] = []
        self.numbers: list[int] = []
        self.askers: list[int] = []
        self.picked: list[int] = []
        self.read: list[int] = []
        self.ended: list[int] = []
        self.last_cards: list[tuple[int, int]] = []
        self.delivered_late: list[int] = []
        self.ended_late: list[int] = []
        taker = Taker(self.deliver, self.end, lambda number, at: self.last_cards.append((number, at)))
        slot = stick if isinstance(stick, Slot) else plain(stick)
        self.reader = Reader(self.clock, settings or Settings(500), slot, taker, self.report, elsewhere)

    def deliver(self, card: ReadCard) -> None:
        self.cards.append(card.card)
        self.numbers.append(card.number)
        self.askers.append(card.asker)
        self.picked.append(card.picked_at)
        self.read.append(card.read_at)
        self.delivered_late.append(self.clock.now() - card.read_at)
        if self.hungry:
            self.hungry -= 1
            self.reader.request()

    def end(self, number: int, at: int) -> None:
        self.ended.append(at)
        self.ended_late.append(self.clock.now() - at)

    def ask(self, cards: int = 1) -> None:
        self.hungry = cards - 1
        self.reader.request()

    async def until_ended(self, cards: int) -> None:
        await self.see(lambda: len(self.ended) >= cards, seconds=200)


Scene = Callable[[Bench], Coroutine[Any, Any, None]]


def play(stick: Path | Slot, scene: Scene, settings: Settings | None = None, late: float = 0.0) -> None:
    async def main() -> None:
        bench = Bench(stick, settings)
        async with running(bench.reader.run()):
            await scene(bench)

    run_virtually(main(), late=late)


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    return tmp_path


def put(stick: Path, cards: int, name: str = "tides.deck") -> list[Card]:
    lines = [f"CARD {n:04d}" for n in range(cards)]
    (stick / name).write_text("".join(f"{line}\n" for line in lines))
    return [text_card(line) for line in lines]


def test_500_cards_take_a_minute_however_late_each_wake_up(stick: Path) -> None:
    deck = put(stick, 500)

    async def scene(bench: Bench) -> None:
        bench.ask(500)
        await bench.until_ended(500)
        # source: arithmetic and tests/references/card-throughput.tsv: 500 cards a minute are 120 ms a card
        minute, tolerance = 60 * SECOND, 60 * SECOND * 0.0005
        assert abs(bench.ended[-1] - bench.picked[0] - minute) < tolerance
        assert abs(bench.ended[-1] + bench.ended_late[-1] - bench.picked[0] - minute) < tolerance
        assert bench.picked == [bench.picked[0] + n * CYCLE for n in range(500)]
        assert bench.read == [at + CYCLE * 3 // 4 for at in bench.picked]
        assert bench.ended == [at + CYCLE for at in bench.picked]
        # The clock was as bad as promised, and no lateness was handed on.
        assert 4 * MS < max(bench.delivered_late) <= 6 * MS
        assert 4 * MS < max(bench.ended_late) <= 6 * MS
        assert min(bench.delivered_late + bench.ended_late) >= 0
        assert bench.cards == deck
        assert bench.numbers == list(range(1, 501))

    play(stick, scene, late=0.005)


@pytest.mark.parametrize(("after", "waits"), [(-25, 0), (-1, 0), (2, 30), (29, 30), (30, 30), (31, 60), (119, 120)])
def test_a_request_after_the_cycle_waits_for_the_next_latch_point(stick: Path, after: int, waits: int) -> None:
    put(stick, 2)

    async def scene(bench: Bench) -> None:
        bench.ask()
        await bench.see(lambda: len(bench.cards) == 1)
        await bench.clock.until(bench.picked[0] + CYCLE + after * MS)
        bench.reader.request()
        await bench.until_ended(2)
        # source: arithmetic: four latch points in a cycle of 120 ms
        assert bench.picked[1] - bench.ended[0] == waits * MS

    play(stick, scene)


def test_asking_twice_gives_one_card(stick: Path) -> None:
    put(stick, 3)

    async def scene(bench: Bench) -> None:
        bench.ask()
        bench.reader.request()
        await bench.see(lambda: bench.now[0] == "feeding")
        await bench.wait(0.05)
        bench.reader.request()
        await bench.wait(2)
        assert bench.numbers == [1]
        assert bench.now == ("ready", "tides.deck: 2 of 3 cards to read")

    play(stick, scene)


def test_pace_hurries_the_reader(stick: Path) -> None:
    put(stick, 10)

    async def scene(bench: Bench) -> None:
        bench.ask(10)
        await bench.until_ended(10)
        assert bench.ended[-1] - bench.picked[0] == 10 * CYCLE // 8

    play(stick, scene, Settings(500, pace=8))


def test_at_pace_infinity_cards_come_at_once_and_the_loop_still_turns(stick: Path) -> None:
    deck = put(stick, 200)

    async def scene(bench: Bench) -> None:
        turns = 0
        start = bench.clock.now()
        bench.ask(200)
        while len(bench.ended) < 200:
            await bench.clock.until(0)
            turns += 1
        assert bench.cards == deck
        assert bench.clock.now() == start
        assert turns >= 200

    play(stick, scene, Settings(500, pace=math.inf))


def test_a_stalled_loop_is_not_made_up_for(stick: Path) -> None:
    put(stick, 20)

    async def scene(bench: Bench) -> None:
        bench.ask(20)
        await bench.until_ended(5)
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        loop.jump(3.0)  # as if the machine had slept
        await bench.until_ended(20)
        gaps = [b - a for a, b in itertools.pairwise(bench.picked)]
        assert sorted(gaps)[:-1] == [CYCLE] * 18
        assert 3 * SECOND <= gaps[5] < 3 * SECOND + 2 * CYCLE

    play(stick, scene)


def test_what_the_reader_says(stick: Path) -> None:
    async def scene(bench: Bench) -> None:
        await bench.see(lambda: bool(bench.states))
        no_deck = "no deck on the stick: put one file named *.deck on it"
        assert bench.now == ("empty", no_deck)
        bench.reader.request()
        assert bench.now == ("empty", no_deck + "; the computer waits for a card")
        nothing = bench.reader.progress
        assert nothing is None
        put(stick, 2)
        await bench.until_ended(1)
        assert bench.now == ("ready", "tides.deck: 1 of 2 cards to read")
        assert bench.reader.progress == Progress("tides.deck", 1, 2)
        bench.reader.request()
        await bench.until_ended(2)
        end = "tides.deck is read to its last card: take the stick out, or put another deck on it"
        assert bench.now == ("empty", end)
        assert bench.reader.progress == Progress("tides.deck", 2, 2)
        assert all(a != b for a, b in itertools.pairwise(bench.states))
        assert {state.device for state in bench.states} == {"reader"}
        states = [state.state for state in bench.states]
        assert states == ["empty", "empty", "feeding", "ready", "feeding", "empty"]

    play(stick, scene)


def test_a_deck_read_through_is_not_read_again_until_it_was_away(stick: Path) -> None:
    put(stick, 1)

    async def scene(bench: Bench) -> None:
        bench.ask(2)
        await bench.wait(60)
        assert bench.numbers == [1]
        away = (stick / "tides.deck").rename(stick / ".hidden")
        await bench.wait(1)
        assert bench.now[1].startswith("no deck on the stick")
        away.rename(stick / "tides.deck")
        await bench.until_ended(2)
        assert bench.cards[0] == bench.cards[1]

    play(stick, scene)


def test_a_deck_written_anew_is_read(stick: Path) -> None:
    put(stick, 1)

    async def scene(bench: Bench) -> None:
        bench.ask(3)
        await bench.until_ended(1)
        put(stick, 2)
        await bench.until_ended(3)
        assert bench.cards[1:] == [text_card("CARD 0000"), text_card("CARD 0001")]

    play(stick, scene)


def test_a_deck_that_goes_stops_at_a_card_and_the_next_serves_the_request(stick: Path) -> None:
    put(stick, 100)

    async def scene(bench: Bench) -> None:
        bench.ask(200)
        await bench.until_ended(10)
        (stick / "tides.deck").unlink()
        gone = bench.clock.now()
        await bench.wait(5)
        read = len(bench.cards)
        assert bench.ended[-1] <= gone + LOOK_EVERY + CYCLE
        assert len(bench.ended) == read
        state, words = bench.now
        assert state == "empty"
        assert words.startswith(f"tides.deck was taken out after {read} of 100 cards; no deck on the stick: put")
        deck = put(stick, 3, "second.deck")
        await bench.until_ended(read + 3)
        assert bench.cards[read:] == deck

    play(stick, scene)


def test_a_stick_that_is_pulled_and_put_back(stick: Path) -> None:
    port = stick / "port"
    port.mkdir()
    put(port, 100)

    async def scene(bench: Bench) -> None:
        bench.ask(4)
        await bench.until_ended(4)
        port.rename(stick / "elsewhere")
        await bench.wait(1)
        assert bench.now == (
            "not-ready",
            f"tides.deck was taken out after 4 of 100 cards; no stick is in: there is no folder {port}",
        )
        said = len(bench.states)
        await bench.wait(60)
        assert len(bench.states) == said
        (stick / "elsewhere").rename(port)
        await bench.wait(1)
        assert bench.now == ("ready", "tides.deck: 100 of 100 cards to read")

    play(port, scene)


def test_a_deck_that_comes_late_is_picked_when_it_has_come(stick: Path) -> None:
    async def scene(bench: Bench) -> None:
        bench.ask()
        await bench.wait(100.01)
        put(stick, 1)
        put_at = bench.clock.now()
        await bench.until_ended(1)
        assert put_at < bench.picked[0] <= put_at + LOOK_EVERY + CYCLE

    play(stick, scene)


def test_a_deck_that_goes_before_the_clutch_takes_hold_stays_whole(stick: Path) -> None:
    put(stick, 1)

    async def scene(bench: Bench) -> None:
        await bench.wait(1.1)
        bench.reader.request()
        assert bench.now == ("feeding", "reading tides.deck")
        (stick / "tides.deck").unlink()
        await bench.wait(300)
        assert not bench.ended
        assert bench.now[0] == "empty"

    play(stick, scene, Settings(1))  # a latch point every 15 s


def test_forgetting_drops_the_request(stick: Path) -> None:
    async def scene(bench: Bench) -> None:
        bench.reader.request()
        bench.reader.forget()
        put(stick, 3)
        await bench.wait(5)
        assert not bench.ended
        bench.reader.request()
        await bench.until_ended(1)
        assert bench.cards == [text_card("CARD 0000")]

    play(stick, scene)


def test_a_moving_card_is_read_for_whom_it_was_picked(stick: Path) -> None:
    put(stick, 3)

    async def scene(bench: Bench) -> None:
        await bench.wait(1)
        bench.reader.request(asker=1)
        await bench.wait(0.05)
        bench.reader.forget()
        bench.reader.request(asker=1)  # the same again, back while the card still moves: it is that card
        bench.reader.request(asker=2)  # another
        await bench.wait(2)
        assert bench.askers == [1, 2]
        assert bench.cards == [text_card("CARD 0000"), text_card("CARD 0001")]
        assert bench.ended == [bench.picked[0] + CYCLE, bench.picked[0] + 2 * CYCLE]

    play(stick, scene)


def test_a_stick_that_hangs_stops_neither_the_loop_nor_the_deck_in_memory(stick: Path) -> None:
    deck = put(stick, 20)
    looks = 0

    async def first_look_only(call: Callable[[Unpack[A]], T], *arguments: *A) -> T:
        nonlocal looks
        looks += 1
        if looks > 1:
            await asyncio.Event().wait()
        return call(*arguments)

    async def main() -> None:
        bench = Bench(stick, elsewhere=first_look_only)
        async with running(bench.reader.run()):
            bench.ask(20)
            await bench.until_ended(20)
            assert bench.cards == deck
            assert looks == 2

    run_virtually(main())


def test_in_real_time_the_folder_is_looked_at_in_a_thread(stick: Path) -> None:
    deck = put(stick, 3)
    threads: set[int] = set()

    async def noting(call: Callable[[Unpack[A]], T], *arguments: *A) -> T:
        def noted() -> T:
            threads.add(threading.get_ident())
            return call(*arguments)

        return await in_thread(noted)

    async def main() -> None:
        bench = Bench(stick, Settings(500, pace=math.inf), noting)
        async with running(bench.reader.run()):
            bench.ask(3)
            await bench.until_ended(3)
            assert bench.cards == deck

    asyncio.run(main())
    assert threads
    assert threading.get_ident() not in threads
