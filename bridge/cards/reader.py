"""The card reader: takes one card from the deck for each request, in its own time."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from bridge.cards.clutch import Clutch
from bridge.cards.deck import Card
from bridge.cards.folder import Elsewhere, in_thread
from bridge.cards.hopper import Hopper, Sight
from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState, Report, on_change

READ_AT = 0.75
"""The part of a card cycle after which the last column has passed the read station."""

LOOK_EVERY = SECOND // 2
"""How often the hopper is looked at, in nanoseconds."""

Deliver = Callable[[Card, int, int, int], None]
"""Takes a card, its number, when it was picked and when it was read."""

CycleEnded = Callable[[int, int], None]
"""Takes a card's number, and when its cycle ended."""


class Progress(NamedTuple):
    """How far the deck in the hopper is read."""

    deck: str
    read: int
    cards: int


class _Request(NamedTuple):
    at: int


class Reader:
    """A reader of `cards_per_minute`, hurried by `pace`, with the stick at `folder`; `run()` is the machine.

    Every card starts at a latch point of the clutch (see `Clutch`), is read at READ_AT of its cycle, and handed to
    `deliver(card, number, picked_at, read_at)`; at the end of the cycle comes `cycle_ended(number, at)`. `number`
    counts the cards picked since the reader was made, from 1. Times are nanoseconds of `clock`, and those of the
    machine, not of the wake-up that noticed them. A request made before a cycle ends is served by the next cycle, at
    once after it; one made later waits for the next latch point, at most a quarter cycle.

    States, told to `report` when they or their words change: "empty", "ready", "feeding", "check", "not-ready" and
    "choice". A deck that was read through stays "empty" until the stick is taken out or what is on it changes; a deck
    that is taken out stops after the card that is moving.
    """

    def __init__(
        self,
        clock: LoopClock,
        cards_per_minute: float,
        pace: float,
        folder: Path,
        deliver: Deliver,
        cycle_ended: CycleEnded,
        report: Report,
        elsewhere: Elsewhere = in_thread,
    ) -> None:
        self._clock = clock
        self._speed = cards_per_minute, pace
        self._hopper = Hopper(folder)
        self._deliver = deliver
        self._cycle_ended = cycle_ended
        self._report = on_change(report)
        self._elsewhere = elsewhere
        self._request: _Request | None = None
        self._sight: Sight | None = None
        self._loaded_at = 0
        self._read = 0
        self._number = 0
        self._unread = ""
        self._moving = ""
        self._news = asyncio.Event()

    def request(self) -> None:
        """Ask for one card; asking again before it is delivered changes nothing."""
        if not self._request:
            self._request = _Request(self._clock.now())
            self._news.set()
            self._announce()

    def forget(self) -> None:
        """Drop the request, since who asked is gone. A card that is already moving goes to the stacker undelivered."""
        self._request = None
        self._announce()

    @property
    def progress(self) -> Progress | None:
        """How far the deck is read; None if there is no deck."""
        sight = self._sight
        return Progress(sight.name, self._read, len(sight.cards)) if sight and sight.cards else None

    async def run(self) -> None:
        """Be the machine, until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._feed())

    async def _watch(self) -> None:
        while True:
            sight = await self._elsewhere(self._hopper.look)
            if sight is not self._sight:
                self._load(sight)
            await self._clock.until(self._clock.now() + LOOK_EVERY)

    def _load(self, sight: Sight) -> None:
        was = self.progress
        started = was is not None and 0 < was.read < was.cards
        self._unread = f"{was.deck} went after {was.read} of {was.cards} cards; " if was and started else ""
        self._sight = sight
        self._loaded_at = self._clock.now()
        self._read = 0
        self._news.set()
        self._announce()

    async def _feed(self) -> None:
        free = self._clock.now()
        clutch = Clutch(free, *self._speed)
        while True:
            request, sight = self._request, self._sight
            if not request or not sight or not self._left():
                self._news.clear()
                await self._news.wait()
                continue
            picked_at = clutch.latch(max(free, request.at, self._loaded_at))
            await self._clock.until(picked_at)
            if request is self._request and sight is self._sight:
                free = picked_at + clutch.cycle
                await self._cycle(sight, request, picked_at, free)

    async def _cycle(self, sight: Sight, request: _Request, picked_at: int, end: int) -> None:
        card = sight.cards[self._read]
        self._read += 1
        self._number += 1
        self._moving = sight.name
        self._announce()
        read_at = picked_at + round((end - picked_at) * READ_AT)
        await self._clock.until(read_at)
        if request is self._request:
            self._request = None
            self._deliver(card, self._number, picked_at, read_at)
        await self._clock.until(end)
        self._moving = ""
        self._cycle_ended(self._number, end)
        self._announce()

    def _left(self) -> int:
        return len(self._sight.cards) - self._read if self._sight else 0

    def _announce(self) -> None:
        self._report(self._state())

    def _state(self) -> DeviceState:
        sight, left = self._sight, self._left()
        if self._moving:
            return DeviceState("reader", "feeding", f"reading {self._moving}")
        if not sight:
            return DeviceState("reader", "not-ready", "looking at the stick")
        if left and self._request:
            return DeviceState("reader", "feeding", f"reading {sight.name}")
        if left:
            return DeviceState("reader", "ready", f"{sight.name}: {left} of {len(sight.cards)} cards to read")
        waiting = "; the machine waits for a card" if self._request else ""
        if sight.cards:
            words = f"{sight.name} is read to its last card: take the stick out, or put another deck on it"
            return DeviceState("reader", "empty", words + waiting)
        return DeviceState("reader", sight.state, self._unread + sight.words + waiting)
