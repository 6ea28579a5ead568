"""The reader under everything a visitor, a plug and a core can do to it, in any order, against what it promises.

The promises are the reader's (bridge/cards/reader.py) and the link's (bridge/links/core-link.md, rules 4 and 5); the
clutch's arithmetic is done here anew: 60 s / cards a minute, four latch points a cycle.
"""

import asyncio
import bisect
import itertools
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple, Unpack

from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from bridge.cards.deck import MAX_CARDS
from bridge.cards.folder import A, T
from bridge.cards.reader import LOOK_EVERY, READ_AT, KeyAct, ReadCard, Reader, Settings, Taker
from bridge.cards.slot import Slot, Stick
from bridge.clock import LoopClock
from bridge.console import load
from bridge.daemon.core import CoreDesk
from bridge.links.client import CoreClient
from bridge.links.core import CoreLink
from bridge.links.messages import CardRead, CycleEnd, FromDaemon
from bridge.report import DeviceState
from tests.cards.bench import MS, text_card
from tests.virtual import VirtualLoop

CARDS_PER_MINUTE = 300
CYCLE = 200 * MS
TOOTH = CYCLE // 4
LATE = 0.003
SLOW = 70 * MS
ONE, STACK = ["a"], ["1", "2"]
STICKS: tuple[list[str], ...] = (ONE, ONE, ONE, ONE, STACK, STACK, ["a", "b"], ["a", "bad"], ["bad"], [])
STATES = {"not-ready", "empty", "ready", "feeding", "check", "choice", "stacker-full"}
NO_STICK = "no stick is in: put one with a deck on it into the reader"


class Place(NamedTuple):
    """Which card it is: of which deck, counted from 0."""

    deck: int
    card: int


class Core:
    """One run of a core, and what it got."""

    def __init__(self, path: str, run: int, own_time: bool) -> None:
        self.client = CoreClient(path, "trial", [], [], ticks_per_second=1e4, run=run, own_time=own_time)
        self.run = run
        self.own_time = own_time
        self.wanted = 0
        self.got: list[CardRead] = []
        self.ended: list[int] = []

    def look(self, now: int) -> None:
        for message in self.client.poll(now):
            self._take(message)

    def want(self, cards: int) -> None:
        if cards and not self.wanted:
            self.client.read_card()
        self.wanted += cards

    def _take(self, message: FromDaemon) -> None:
        if isinstance(message, CardRead):
            self.got.append(message)
            self.wanted -= 1
            if self.wanted:
                self.client.read_card()
        elif isinstance(message, CycleEnd):
            self.ended.append(message.number)


class ReaderModel(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.loop = VirtualLoop(LATE)
        self.runner = asyncio.Runner(loop_factory=lambda: self.loop)
        self.temporary = tempfile.TemporaryDirectory(prefix="reader-")
        self.folder = Path(self.temporary.name)
        self.insertions = itertools.count(1)
        self.decks = itertools.count(1)
        self.cards: dict[bytes, Place] = {}
        self.lengths: dict[int, int] = {}
        self.stick: Path | None = None
        self.newest = 0
        self.picked: list[tuple[ReadCard, Place]] = []
        self.states: list[DeviceState] = []
        self.since: list[int] = []
        self.cores: list[Core] = []
        self.runs = itertools.count(1)
        self.loads: list[int] = []
        self.pulls: list[int] = []
        self.begun: int | None = None
        self.stopped_at: int | None = None
        self.last_cards: list[int] = []

    @initialize(
        taken_out=st.sampled_from(["stop", "finish"]),
        keys=st.booleans(),
        stacker=st.sampled_from([4, MAX_CARDS]),
        slow=st.booleans(),
    )
    def build(self, taken_out: str, keys: bool, stacker: int, slow: bool) -> None:
        self.finish = taken_out == "finish"
        self.keys = keys
        self.slow = slow
        plain = Settings(CARDS_PER_MINUTE, taken_out="finish" if self.finish else "stop")
        named = replace(
            plain, stacker_cards=stacker, load_key="LOAD", start_key="START", stop_key="STOP", end_key="END"
        )
        self.settings = named if keys else plain
        self.runner.run(self._begin())

    async def _begin(self) -> None:
        description = self.folder / "bare.toml"
        description.write_text('format = 1\nname = "Bare"\n')
        self.clock = LoopClock()
        self.origin = self.clock.now()
        self.slot = Slot(Stick(0, None, NO_STICK))
        self.desk = CoreDesk(load(description), 1.0)
        self.link = CoreLink(self.desk, lambda _: None)
        self.desk.send = self.link.send
        await self.link.serve(self.folder / "core.sock")
        taker = Taker(self._read, self.desk.cycle_end, self._last_card)
        self.reader = Reader(self.clock, self.settings, self.slot, taker, self._said, self._elsewhere)
        self.desk.devices.reader = self.reader
        self.task = asyncio.create_task(self.reader.run())
        self._new_core(own_time=False)
        await self._run(10)

    async def _elsewhere(self, call: Callable[[Unpack[A]], T], /, *arguments: *A) -> T:
        found = call(*arguments)
        if self.slow:  # what comes of it may be true no longer
            await self.clock.until(self.clock.now() + SLOW)
        return found

    # What is noted.

    def _said(self, state: DeviceState) -> None:
        self.states.append(state)
        self.since.append(self.clock.now())
        self.desk.device(state)

    def _last_card(self, number: int, at: int) -> None:
        self.last_cards.append(number)
        self.desk.last_card(number, at)

    def _read(self, card: ReadCard) -> None:
        place = self.cards[card.card]
        self._check_pick(card, place)
        self.picked.append((card, place))
        self.desk.card(card)

    def _check_pick(self, card: ReadCard, place: Place) -> None:
        # It was feeding when it picked the card, and has been since: nothing else delivers.
        at_pick = bisect.bisect_right(self.since, card.picked_at) - 1
        assert {state.state for state in self.states[at_pick:]} == {"feeding"}
        core = next(core for core in self.cores if core.run == card.asker)
        assert card.number == len(self.picked) + 1
        if not core.own_time:
            assert card.read_at - card.picked_at == round(CYCLE * READ_AT)
            assert (card.picked_at - self.origin) % TOOTH == 0
        if self.stopped_at is not None:
            assert card.picked_at <= self.stopped_at
        # Every card follows the one before, or is the first of a deck that somebody put there.
        before = self.picked[-1] if self.picked else None
        if before is not None and not self._own_time(before[0]):
            assert card.picked_at - before[0].picked_at >= CYCLE
        if before is None or place != Place(before[1].deck, before[1].card + 1):
            assert place.card == 0
            assert self.begun is None or self._since(self.loads, self.begun) or self._in_stack(place)
            whole = before is None or before[1].card + 1 == self.lengths[before[1].deck]
            assert whole or (self._since(self.pulls, before[0].picked_at) and not self.finish)  # type: ignore[index]
        if place.card == 0:
            self.begun = card.picked_at

    def _since(self, times: list[int], moment: int) -> bool:
        """Tell whether something was done since, or so shortly before that the reader had not yet seen it."""
        return bool(times) and times[-1] >= moment - LOOK_EVERY - SLOW

    def _in_stack(self, place: Place) -> bool:
        return self.picked[-1][1] == Place(place.deck - 1, self.lengths[place.deck - 1] - 1)

    def _own_time(self, card: ReadCard) -> bool:
        return next(core.own_time for core in self.cores if core.run == card.asker)

    # What happens.

    def _new_core(self, *, own_time: bool) -> None:
        self.cores.append(Core(str(self.folder / "core.sock"), next(self.runs), own_time))

    @property
    def core(self) -> Core:
        return self.cores[-1]

    async def _run(self, milliseconds: float) -> None:
        end = self.clock.now() + round(milliseconds * MS)
        while self.clock.now() < end:
            self.core.look(self.clock.now())
            await self.clock.until(self.clock.now() + 7 * MS)
        if self.task.done():
            self.task.result()

    def _write(self, stick: Path, name: str, cards: int) -> int:
        deck = next(self.decks)
        lines = [f"DECK {deck} CARD {card}" for card in range(cards)]
        for card, line in enumerate(lines):
            self.cards[text_card(line)] = Place(deck, card)
        self.lengths[deck] = cards
        hidden = stick / ".new"
        hidden.write_text("".join(f"{line}\n" for line in lines))
        hidden.rename(stick / name)
        return deck

    def _insert(self, stick: Path) -> None:
        self.stick = stick
        self.loads.append(self.clock.now())
        self.slot.put(Stick(next(self.insertions), stick))

    @rule(names=st.sampled_from(STICKS), cards=st.integers(1, 30), helped=st.sampled_from([True, True, False]))
    def insert(self, names: list[str], cards: int, helped: bool) -> None:
        if self.stick is not None:
            self.pull()
        stick = self.folder / f"stick-{next(self.insertions)}"
        stick.mkdir()
        for name in names:
            if name == "bad":
                (stick / "bad.deck").write_bytes(b"\xff\n")
            else:
                self.newest = self._write(stick, f"{name}.deck", cards)
        self._insert(stick)
        self.wait(3)
        if helped:
            self._press_what_is_said()

    @precondition(lambda self: self.stick is not None)
    @rule()
    def pull(self) -> None:
        self.pulls.append(self.clock.now())
        self.stick = None
        self.slot.put(Stick(next(self.insertions), None, NO_STICK))

    @precondition(lambda self: self.stick is not None)
    @rule(away=st.sampled_from([0, 10, 300]))
    def replug(self, away: int) -> None:
        stick = self.stick
        self.pull()
        if away:
            self.wait(away)
        assert stick is not None
        self._insert(stick)

    @precondition(lambda self: self.stick is not None)
    @rule(cards=st.integers(1, 4))
    def put_another_beside(self, cards: int) -> None:
        assert self.stick is not None
        name = f"z{next(self.insertions)}.deck"
        self._write(self.stick, name, cards)
        self.loads.append(self.clock.now())

    @rule(milliseconds=st.sampled_from([3, 40, 130, 200, 700, 2500]))
    def wait(self, milliseconds: float) -> None:
        self.runner.run(self._run(milliseconds))

    @rule(cards=st.integers(1, 60))
    def want(self, cards: int) -> None:
        self.core.want(cards)

    @rule(away=st.sampled_from([0, 60, 250, 900]))
    def lose_the_link(self, away: int) -> None:
        self.core.client._lost()
        if away:
            self.core.client._next_try = self.clock.now() + away * MS
            self.wait(away)

    @rule(blind=st.sampled_from([160, 200, 250]))
    def lose_the_link_with_what_it_brought(self, blind: int) -> None:
        self.runner.run(self.clock.until(self.clock.now() + blind * MS))
        self.core.client._lost()

    @rule(own_time=st.booleans())
    def crash(self, own_time: bool) -> None:
        self.core.client.close()
        self._new_core(own_time=own_time)

    @precondition(lambda self: len(self.cores) > 1)
    @rule()
    def an_older_run_comes_back(self) -> None:
        self.core.client.close()
        self.cores.append(self.cores.pop(-2))

    def _press_what_is_said(self) -> None:
        for _ in range(3):
            self.wait(100)
            for act in ("load", "start"):
                if self.states[-1].state != "empty" and f"press {act.upper()}" in self.states[-1].words:
                    self.press(act)

    @precondition(lambda self: self.keys)
    @rule(act=st.sampled_from(["load", "start", "start", "start", "stop", "end"]))
    def press(self, act: KeyAct) -> None:
        if act == "load":
            self.loads.append(self.clock.now())
        self.stopped_at = self.clock.now() if act == "stop" else None if act in {"start", "end"} else self.stopped_at
        self.reader.press(act)

    # What always holds.

    @invariant()
    def every_state_has_words(self) -> None:
        for state in self.states:
            assert state.device == "reader"
            assert state.state in STATES
            assert state.words
            assert state.words == state.words.strip()

    @invariant()
    def each_run_gets_its_cards_in_order_and_once(self) -> None:
        askers = {card.number: card.asker for card, _ in self.picked}
        images = {card.number: card for card, _ in self.picked}
        for core in self.cores:
            numbers = [card.number for card in core.got]
            assert numbers == sorted(set(numbers))
            for card in core.got:
                assert askers[card.number] == core.run
                told = images[card.number]
                assert (card.card, card.picked_at, card.read_at) == (told.card, told.picked_at, told.read_at)
            owed = [number for number, asker in askers.items() if asker == core.run and number not in numbers]
            for number in owed:
                # Only the last of all can be missing, or one after which another run's card was read.
                assert askers.get(number + 1) != core.run

    @invariant()
    def the_last_card_is_one_that_was_read(self) -> None:
        assert all(number <= len(self.picked) for number in self.last_cards)

    def teardown(self) -> None:
        try:
            if hasattr(self, "reader"):
                self._a_good_deck_is_read_to_its_end()
                self.every_state_has_words()
                self.each_run_gets_its_cards_in_order_and_once()
        finally:
            self.runner.run(self._stop())
            self.runner.close()
            self.temporary.cleanup()

    def _a_good_deck_is_read_to_its_end(self) -> None:
        """Whatever happened: a stick with one deck, and the keys the words name, and the cards come."""
        self.insert(["a"], 9, helped=True)
        deck = self.newest
        self.core.want(max(0, 60 - self.core.wanted))
        for _ in range(60):
            self.wait(400)
            self._press_what_is_said()
            if any(self.cards[card.card] == Place(deck, 8) for card in self.core.got):
                break
        got = [self.cards[card.card] for card in self.core.got]
        assert [place for place in got if place.deck == deck] == [Place(deck, card) for card in range(9)]

    async def _stop(self) -> None:
        for core in self.cores:
            core.client.close()
        if hasattr(self, "task"):
            self.task.cancel()
            await asyncio.gather(self.task, return_exceptions=True)
            self.link.close()
            for _ in range(3):
                await asyncio.sleep(0)


TestReaderModel = ReaderModel.TestCase
TestReaderModel.settings = settings(max_examples=100, stateful_step_count=30, phases=[Phase.generate])
