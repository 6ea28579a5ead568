"""The card punch: punches what it is sent, card by card, and says so only when the card is safe."""

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Callable

from bridge.cards.clutch import Clutch
from bridge.cards.deck import Card
from bridge.cards.folder import Room
from bridge.cards.ledger import Taken, mark, taken
from bridge.cards.spool import Spool, SpoolError, Written
from bridge.cards.stacker import LONGEST_LINE, Stacker
from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState, Report, on_change

PUNCHED_AT = 0.75
"""The part of a card cycle after which a card is punched and acknowledged; it is written meanwhile."""

LOOK_EVERY = SECOND // 2
"""How often the punch looks whether a stick is in, and how soon a card that could not be written is tried again."""

PATIENCE = 64 * SECOND
"""How long at most it waits until it tries again what keeps failing."""

QUEUE = 8
"""How many cards may wait to be punched."""

Punched = Callable[[int, int, int], None]
"""Takes the run and the number of a card that is safe, and when it was."""


class Punch:
    """A punch of `cards_per_minute`, hurried by `pace`, with its `stacker` and `spool`; `run()` is the machine.

    Cards start at latch points of the clutch, as in the reader, and each is acknowledged by `punched(run, number, at)`
    at PUNCHED_AT of its cycle, or as soon after that as spool and stick have it for good; while `at_once` is set a
    cycle takes no time. A card that the spool owes
    from an earlier life of the daemon is punched first.

    A blank stick is a stack of `blank_cards`, or of as many as it has room for: whenever one is put in, also the same
    again, the punch's hopper is full again.

    States, told to `report` when they or their words change: "ready", "punching", "not-ready" (the card is kept and
    tried again) and "empty" (no blank cards).
    """

    def __init__(
        self,
        clock: LoopClock,
        cards_per_minute: float,
        pace: float,
        stacker: Stacker,
        spool: Spool,
        punched: Punched,
        report: Report,
        blank_cards: int,
    ) -> None:
        self._clock = clock
        self._speed = cards_per_minute, pace
        self._stacker = stacker
        self._spool = spool
        self._punched = punched
        self._report = on_change(report)
        self._load = self._blank = blank_cards
        self.at_once = False
        self._filled_at = 0
        self._jobs: deque[tuple[Taken, int]] = deque()
        if spool.ledger.owed is not None:
            self._jobs.append((spool.ledger.owed, clock.now()))
        self._room: Room | None = None
        self._trouble = "looking at the stick"
        self._failure = ""
        self._moving = False
        self._news = asyncio.Event()
        self._came = asyncio.Event()
        self._has_room = asyncio.Event()

    def punch(self, run: int, number: int, card: Card) -> bool:
        """Punch a card. `run` names the core's run, `number` the card in it, growing from card to card.

        A card that is safe already is acknowledged at once and not punched again; one that still waits is not added
        twice. Returns False, and does not take the card, if QUEUE cards wait: the core did not wait for its turn.
        Raises CardRefusedError for another card under a number that was used, and for one that comes after its turn.
        """
        waiting = {job.number: mark(job.card) for job, _ in self._jobs if job.run == run}
        if taken(self._spool.ledger.runs.get(run, {}) | waiting, number, card):
            if number not in waiting:
                self._punched(run, number, self._clock.now())
        elif len(self._jobs) >= QUEUE:
            return False
        else:
            self._jobs.append((Taken(run, number, card), self._clock.now()))
            self._news.set()
            self._announce()
        return True

    @property
    def written(self) -> Written:
        """What the punched cards cost, on spool and stick together."""
        return self._spool.written.plus(*self._stacker.written)

    async def run(self) -> None:
        """Be the machine, until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._feed())

    async def _watch(self) -> None:
        slot = self._stacker.slot
        while True:
            stick = slot.stick
            look = await self._stacker.look()
            if look.came:
                self._refill()
            self._room, self._trouble = look.room, look.words
            if look.room is not None:
                self._has_room.set()
            self._announce()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY / SECOND):
                    await slot.changed(stick)

    def _refill(self) -> None:
        self._blank = self._load
        self._filled_at = self._clock.now()
        self._failure = ""
        self._came.set()
        self._news.set()

    async def _feed(self) -> None:
        free = self._clock.now()
        clutch, instant = Clutch(free, *self._speed), Clutch(free, self._speed[0], math.inf)
        while True:
            if not self._jobs or not self._blank:
                await self._idle()
                continue
            using = instant if self.at_once else clutch
            picked_at = using.latch(max(free, self._jobs[0][1], self._filled_at))
            await self._clock.until(picked_at)
            free = await self._cycle(picked_at, using.cycle)

    async def _idle(self) -> None:
        """Wait for news; if none comes soon, let the disk know that the last card is safe."""
        self._news.clear()
        if self._spool.unnoted:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY / SECOND):
                    await self._news.wait()
                return
            try:
                await self._spool.note()
            except SpoolError as error:
                self._failure = str(error)
                self._announce()
        await self._news.wait()

    async def _cycle(self, picked_at: int, cycle: int) -> int:
        card, _ = self._jobs[0]
        self._blank -= 1
        self._moving = True
        self._announce()
        punched_at = max(picked_at + round(cycle * PUNCHED_AT), await self._keep(card))
        await self._clock.until(punched_at)
        self._jobs.popleft()
        self._punched(card.run, card.number, punched_at)
        end = max(picked_at + cycle, punched_at)
        await self._clock.until(end)
        self._moving = False
        self._announce()
        return end

    async def _keep(self, card: Taken) -> int:
        """Have the card on spool and stick, however long it takes; return when it was safe."""
        pause = LOOK_EVERY
        while True:
            self._came.clear()
            try:
                if self._spool.ledger.owed != card:
                    await self._spool.take(card)
                while self._room is None:
                    self._has_room.clear()
                    await self._has_room.wait()
                await self._stacker.add()
            except (OSError, SpoolError) as error:
                self._failure = self._stacker.words(error) if isinstance(error, OSError) else str(error)
                self._announce()
            else:
                self._failure = ""
                self._announce()
                return self._clock.now()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause / SECOND):
                    await self._came.wait()
            pause = min(2 * pause, PATIENCE)

    def _announce(self) -> None:
        self._report(self._state())

    def _state(self) -> DeviceState:
        waiting = f"; cards waiting: {len(self._jobs)}" if self._jobs else ""
        # What is wrong with the stick that is in now comes first: it may be another than the one that failed.
        if trouble := self._trouble or self._failure:
            return DeviceState("punch", "not-ready", trouble + waiting)
        if self._moving or (self._jobs and self._blank):
            return DeviceState("punch", "punching")
        if not self._blank:
            words = "no blank cards are left: take the stick out, and put it or another one in"
            return DeviceState("punch", "empty", words + waiting)
        room = self._room.free // LONGEST_LINE if self._room is not None else 0
        return DeviceState("punch", "ready", f"{min(self._blank, room)} blank cards")
