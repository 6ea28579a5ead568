"""The card punch: punches what it is sent, card by card, and says so only when the card is safe on the stick."""

import asyncio
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from bridge.cards.clutch import Clutch
from bridge.cards.deck import Card, print_deck
from bridge.cards.folder import Elsewhere, in_thread
from bridge.cards.stacker import Stacker
from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState, Report, on_change

PUNCHED_AT = 0.75
"""The part of a card cycle after which a card is punched and acknowledged; the file is written meanwhile."""

LOOK_EVERY = SECOND // 2
"""How often an idle punch looks whether a stick is in, and a card that could not be written is tried again."""

QUEUE = 8
"""How many cards may wait to be punched."""

RUNS = 16
"""Of how many runs it is remembered what was punched."""

Punched = Callable[[int, int, int], None]
"""Takes the run and the number of a card that is safe, and when it was."""


class _Job(NamedTuple):
    run: int
    number: int
    card: Card
    at: int


class Punch:
    """A punch of `cards_per_minute`, hurried by `pace`, with the stick at `folder`; `run()` is the machine.

    Cards start at latch points of the clutch, as in the reader, and each is acknowledged by `punched(run, number, at)`
    at PUNCHED_AT of its cycle, or as soon after that as the stick has it for good. What was acknowledged is on the
    stick; at most one card more can be.

    States, told to `report` when they or their words change: "ready", "punching", "not-ready" (the card is kept and
    tried again) and "empty" (no blank cards; `refill()` loads `blank_cards` again).
    """

    def __init__(
        self,
        clock: LoopClock,
        cards_per_minute: float,
        pace: float,
        folder: Path,
        punched: Punched,
        report: Report,
        blank_cards: int,
        elsewhere: Elsewhere = in_thread,
    ) -> None:
        self._clock = clock
        self._speed = cards_per_minute, pace
        self._stacker = Stacker(folder)
        self._punched = punched
        self._report = on_change(report)
        self._elsewhere = elsewhere
        self._load = self._blank = blank_cards
        self._filled_at = 0
        self._jobs: deque[_Job] = deque()
        self._done: dict[int, int] = {}
        self._trouble = "looking at the stick"
        self._moving = False
        self._news = asyncio.Event()

    def punch(self, run: int, number: int, card: Card) -> bool:
        """Punch a card. `run` names the core's run, `number` the card in it, growing from card to card.

        A card that was punched before is acknowledged at once and not punched again; one that still waits is not added
        twice. Returns False, and does not take the card, if QUEUE cards wait: the core did not wait for its turn.
        """
        if number <= self._done.get(run, -1):
            self._punched(run, number, self._clock.now())
        elif not any((job.run, job.number) == (run, number) for job in self._jobs):
            if len(self._jobs) >= QUEUE:
                return False
            self._jobs.append(_Job(run, number, card, self._clock.now()))
            self._news.set()
            self._announce()
        return True

    def refill(self) -> None:
        """Load the hopper with blank cards again."""
        self._blank = self._load
        self._filled_at = self._clock.now()
        self._news.set()
        self._announce()

    async def run(self) -> None:
        """Be the machine, until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._feed())

    async def _watch(self) -> None:
        while True:
            trouble = await self._elsewhere(self._stacker.trouble)
            if not self._moving:
                self._trouble = trouble
                self._announce()
            await self._clock.until(self._clock.now() + LOOK_EVERY)

    async def _feed(self) -> None:
        free = self._clock.now()
        clutch = Clutch(free, *self._speed)
        while True:
            if not self._jobs or not self._blank:
                self._news.clear()
                await self._news.wait()
                continue
            picked_at = clutch.latch(max(free, self._jobs[0].at, self._filled_at))
            await self._clock.until(picked_at)
            free = await self._cycle(picked_at, clutch.cycle)

    async def _cycle(self, picked_at: int, cycle: int) -> int:
        job = self._jobs[0]
        self._blank -= 1
        self._moving = True
        self._announce()
        punched_at = max(picked_at + round(cycle * PUNCHED_AT), await self._write(job.card))
        await self._clock.until(punched_at)
        self._jobs.popleft()
        self._remember(job)
        self._punched(job.run, job.number, punched_at)
        end = max(picked_at + cycle, punched_at)
        await self._clock.until(end)
        self._moving = False
        self._announce()
        return end

    async def _write(self, card: Card) -> int:
        """Write the card however long it takes; return when it was safe."""
        line = print_deck([card]).encode()
        while True:
            try:
                await self._elsewhere(lambda: self._stacker.add(line))
            except OSError as error:
                self._trouble = self._stacker.words(error)
                self._announce()
                await self._clock.until(self._clock.now() + LOOK_EVERY)
            else:
                self._trouble = ""
                self._announce()
                return self._clock.now()

    def _remember(self, job: _Job) -> None:
        self._done[job.run] = job.number
        if len(self._done) > RUNS:
            del self._done[next(iter(self._done))]

    def _announce(self) -> None:
        self._report(self._state())

    def _state(self) -> DeviceState:
        waiting = f"; cards waiting: {len(self._jobs)}" if self._jobs else ""
        if self._trouble:
            return DeviceState("punch", "not-ready", self._trouble + waiting)
        if self._moving or (self._jobs and self._blank):
            return DeviceState("punch", "punching")
        if not self._blank:
            return DeviceState("punch", "empty", "no blank cards are left: load the punch's hopper" + waiting)
        return DeviceState("punch", "ready", f"{self._blank} blank cards")
