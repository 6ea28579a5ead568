"""The card reader: takes one card from the deck for each request, in its own time."""

import asyncio
import contextlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from bridge.cards.clutch import Clutch
from bridge.cards.code import X3_26, CardCode
from bridge.cards.deck import MAX_CARDS, Card, shown
from bridge.cards.folder import Elsewhere, Identity, in_thread, trouble
from bridge.cards.hopper import Sight, look
from bridge.cards.slot import Slot, Stick
from bridge.clock import SECOND, LoopClock, paced
from bridge.report import DeviceState, Report, on_change

READ_AT = 0.75
"""The part of a card cycle after which the last column has passed the read station."""

LOOK_EVERY = SECOND // 2
"""How often the hopper is looked at, in nanoseconds, unless the reader is hurried."""
LOOK_AT_MOST = SECOND // 20
"""How often it is looked at however hurried the reader is."""

_AT_FIRST = Sight("not-ready", "looking at the stick")

KeyAct = Literal["load", "start", "stop", "end"]


@dataclass(frozen=True)
class Settings:
    """How a reader is built: cards a minute, `pace` times as many, and what becomes of a deck that is `taken_out`.

    The keys are called by these names in what the reader says; "" is a key it does not have.
    """

    cards_per_minute: float
    pace: float = 1.0
    taken_out: Literal["stop", "finish"] = "stop"
    stacker_cards: int = MAX_CARDS
    load_key: str = ""
    start_key: str = ""
    stop_key: str = ""
    end_key: str = ""
    code: CardCode = X3_26


class ReadCard(NamedTuple):
    """A card that passed the read station, the `number`-th of this reader, and who had asked for it."""

    asker: int
    number: int
    picked_at: int
    read_at: int
    card: Card


@dataclass(frozen=True)
class Taker:
    """Takes what the reader has to tell: a card; the end of a card's cycle and the last of all cards, with its number.

    `cycle_end(number, at)` follows each `card`; `last_card(number, at)` says that the staff expect no card after that.
    """

    card: Callable[[ReadCard], None]
    cycle_end: Callable[[int, int], None]
    last_card: Callable[[int, int], None]


class Progress(NamedTuple):
    """How far the deck in the hopper is read."""

    deck: str
    read: int
    cards: int


class Reader:
    """A reader with a `slot` for a stick; `run()` is the machine.

    Every card starts at a latch point of the clutch (see `Clutch`), is read at READ_AT of its cycle and handed to
    `taker`, whoever is still there to want it. Numbers count the cards picked since the reader was made, from 1. Times
    are nanoseconds of `clock`, and those of the machine, not of the wake-up that noticed them. A request made before a
    cycle ends is served by the next cycle, at once after it; one made later waits for the next latch point, at most a
    quarter cycle. While `at_once` is set a cycle takes no time.

    States, told to `report` when they or their words change: "empty", "ready", "feeding", "check", "not-ready",
    "choice" and "stacker-full". Only "ready" and "feeding" pick cards. A deck that was read through does not count any
    more until it was off the stick, the stick was out, or it is loaded by key. What is put beside a deck that is being
    read waits for its end.
    """

    def __init__(
        self,
        clock: LoopClock,
        settings: Settings,
        slot: Slot,
        taker: Taker,
        report: Report,
        elsewhere: Elsewhere = in_thread,
    ) -> None:
        self._clock = clock
        self._settings = settings
        self._slot = slot
        self._taker = taker
        self._report = on_change(report)
        self._elsewhere = elsewhere
        self._look_every = max(LOOK_AT_MOST, paced(LOOK_EVERY, settings.pace))
        self.at_once = False
        # What is on the stick.
        self._known: tuple[Identity, ...] | None = None
        self._passed: frozenset[Identity] = frozenset()
        self._chosen = ""
        self._look_again = asyncio.Event()
        # What is in the hopper, and what waits behind it.
        self._sight = _AT_FIRST
        self._next: Sight | None = None
        self._out = False
        self._read = 0
        self._unread = ""
        # What the keys have said.
        self._loading = False
        self._loaded = False
        self._started = False
        self._last: int | None = None
        self._told_last = False
        # The cards on their way.
        self._number = 0
        self._stacked = 0
        self._request: int | None = None
        self._picked_for: int | None = None
        self._moving = ""
        self._free_since: int | None = None
        self._news = asyncio.Event()

    def request(self, asker: int = 0) -> None:
        """Ask for one card; asking again before it has been read changes nothing. `asker` comes back with the card."""
        if self._picked_for != asker and self._request is None:
            self._request = asker
            self._changed()

    def forget(self) -> None:
        """Drop the request, since who asked is gone; a card that is already moving is read for them all the same."""
        self._request = None
        self._changed()

    def press(self, key: KeyAct) -> None:
        """Do what a key of the reader's panel says.

        "load" takes the deck that is in the hopper, also one that was read through; of several it takes the next by
        name each time, as long as no card has moved. "start" lets the loaded deck feed, "stop" ends that at the next
        card's boundary. "end" is "start" and says that no cards follow those in the reader: after the last one
        `Taker.last_card` is told, at once if there is none. "start" and "end" mean that the stacker has been emptied.
        """
        left = self._left() if self._loaded else 0
        match key:
            case "load":
                self._load_key()
            case "start":
                self._started = left > 0
                self._stacked = 0
            case "stop":
                self._started = False
            case "end":
                self._started = left > 0
                self._stacked = 0
                self._last = self._number + left
        self._tell_last(self._clock.now())
        self._changed()

    @property
    def progress(self) -> Progress | None:
        """How far the deck is read; None if there is no deck."""
        cards = len(self._sight.images)
        return Progress(self._sight.name, self._read, cards) if cards else None

    async def run(self) -> None:
        """Be the machine, until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._watch())
            tasks.create_task(self._feed())

    # What is on the stick.

    async def _watch(self) -> None:
        while True:
            stick = self._slot.stick
            async with asyncio.TaskGroup() as tasks:
                following = tasks.create_task(self._follow(stick))
                await self._slot.changed(stick)
                following.cancel()

    async def _follow(self, stick: Stick) -> None:
        """Look at one stick again and again: a look that hangs ends when another stick comes."""
        self._chosen = ""
        self._loading = False
        if stick.folder is None or self._sight is not _AT_FIRST:
            self._saw(Sight("not-ready", stick.words or _AT_FIRST.words))
        while stick.folder is not None:
            self._look_again.clear()
            try:
                sight = await self._elsewhere(
                    look, stick.folder, self._known, self._passed, self._chosen, self._settings.code
                )
            except OSError as error:
                sight = Sight("not-ready", trouble(error, stick.folder))
            if sight is not None and not self._look_again.is_set():
                self._saw(sight)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._look_every / SECOND):
                    await self._look_again.wait()

    def _saw(self, sight: Sight) -> None:
        hand = self._sight
        self._known = None if sight.state == "not-ready" else sight.decks
        self._passed &= set(sight.decks)
        if not set(hand.parts) <= set(sight.decks):
            self._stacked = 0
            self._out = True
        left = self._left()
        if left and self._read and (not self._out or self._settings.taken_out == "finish"):
            self._next = sight
        elif hand.images.size and not left and not self._out and sight.state == "empty":
            pass  # nothing is beside the deck that was read through
        elif self._loading or (sight.state, sight.words, sight.parts) != (hand.state, hand.words, hand.parts):
            self._put(sight)
        self._changed()

    def _put(self, sight: Sight) -> None:
        """Put what was seen into the hopper in place of what is there."""
        if self._read and self._left():
            self._unread = f"{self._sight.name} was taken out after {self._read} of {_cards(self._sight)}; "
        elif sight.images.size:
            self._unread = ""
        if self._last != self._number:  # the cards it was said of are gone
            self._last = None
        self._sight, self._next = sight, None
        self._out = False
        self._read = 0
        self._loaded = self._loading or not self._settings.load_key
        self._started = not self._settings.start_key
        self._loading = self._told_last = False
        self._free_since = None

    def _load_key(self) -> None:
        sight = self._sight
        left = self._left()
        if left and (self._read or self._moving):
            return
        if left and not self._loaded:
            self._loaded = True
        elif sight.choice or (sight.images.size and not left):
            self._chosen = self._next_choice(self._chosen)
            self._passed = frozenset()
            self._known = None
            self._loading = True
            self._look_again.set()

    def _next_choice(self, after: str) -> str:
        choice = self._sight.choice
        if not choice:
            return ""
        return choice[(choice.index(after) + 1) % len(choice) if after in choice else 0]

    # What moves.

    async def _feed(self) -> None:
        free = self._clock.now()
        settings = self._settings
        clutch = Clutch(free, settings.cards_per_minute, settings.pace)
        instant = Clutch(free, settings.cards_per_minute, math.inf)
        while True:
            since = self._free_since
            if since is None:
                self._news.clear()
                await self._news.wait()
                continue
            using = instant if self.at_once else clutch
            picked_at = using.latch(max(free, since))
            await self._clock.until(picked_at)
            if since == self._free_since:
                free = picked_at + using.cycle
                await self._cycle(picked_at, free)

    async def _cycle(self, picked_at: int, end: int) -> None:
        assert self._request is not None  # noqa: S101 -- nothing is picked for nobody
        asker, card = self._request, self._sight.card(self._read)
        self._request, self._picked_for = None, asker
        self._read += 1
        self._number += 1
        self._stacked += 1
        self._told_last = False
        self._unread = ""
        self._moving = self._sight.name
        self._changed()
        read_at = picked_at + round((end - picked_at) * READ_AT)
        await self._clock.until(read_at)
        self._picked_for = None
        self._taker.card(ReadCard(asker, self._number, picked_at, read_at, card))
        await self._clock.until(end)
        self._moving = ""
        self._taker.cycle_end(self._number, end)
        self._tell_last(end)
        if not self._left():
            self._read_through()
        self._changed()

    def _read_through(self) -> None:
        if self._next is not None and self._out:
            self._put(self._next)
        elif self._sight.images.size:
            self._passed = frozenset(self._sight.decks)
            self._known, self._next = None, None
            self._look_again.set()

    def _tell_last(self, at: int) -> None:
        if self._last == self._number and not self._moving:
            self._last = None
            self._told_last = True
            self._taker.last_card(self._number, at)

    def _left(self) -> int:
        return len(self._sight.images) - self._read

    def _may_feed(self) -> bool:
        full = self._stacked >= self._settings.stacker_cards
        return bool(self._loaded and self._started and self._left() and not full and self._request is not None)

    def _changed(self) -> None:
        if not self._may_feed():
            self._free_since = None
        elif self._free_since is None:
            self._free_since = self._clock.now()
            self._news.set()
        self._report(self._state())

    # What it says.

    def _state(self) -> DeviceState:
        if self._moving:
            return DeviceState("reader", "feeding", f"reading {self._moving}")
        state, words = self._deck_state() if self._sight.images.size else self._no_deck_state()
        if self._request is not None and state != "feeding":
            words += "; the computer waits for a card"
        return DeviceState("reader", state, words)

    def _deck_state(self) -> tuple[str, str]:
        sight, keys, left = self._sight, self._settings, self._left()
        cards = _cards(sight)
        if not left:
            again = f", or press {keys.load_key} to load again" if keys.load_key else ""
            words = f"{sight.name} is read to its last card: take the stick out, or put another deck on it{again}"
            return "empty", words + self._told()
        if not self._loaded or not self._started or self._stacked >= keys.stacker_cards:
            return self._held_state(cards)
        if self._request is not None:
            return "feeding", f"reading {sight.name}"
        out = "; its stick is out" if self._out else ""
        last = "; the computer is told when the last one is read" if self._last is not None else ""
        return "ready", f"{sight.name}: {left} of {cards} to read{self._notes()}{out}{last}"

    def _held_state(self, cards: str) -> tuple[str, str]:
        """Say what keeps the deck from moving, and who can help."""
        sight, keys = self._sight, self._settings
        if not self._loaded:
            return "not-ready", f"{sight.name} is in the hopper, {cards}: press {keys.load_key} to load it"
        if self._stacked >= keys.stacker_cards:
            todo = f"empty it and press {keys.start_key}" if keys.start_key else "take the stick out"
            return "stacker-full", f"the stacker is full, with {self._stacked} cards: {todo}"
        if self._read:
            return "not-ready", f"stopped after {self._read} of {cards} of {sight.name}: press {keys.start_key}"
        following = shown(self._next_choice(sight.parts[0].name))
        other = f", or {keys.load_key} for {following}" if sight.choice and keys.load_key else ""
        return "not-ready", f"{sight.name} is loaded, {cards}: press {keys.start_key}{other}{self._notes()}"

    def _no_deck_state(self) -> tuple[str, str]:
        sight, keys = self._sight, self._settings
        words = self._unread + sight.words
        if sight.choice:
            words += (
                f": press {keys.load_key} for {shown(sight.choice[0])}"
                if keys.load_key
                else ": leave one, or begin their names with 1, 2, 3 … to have them read in this order"
            )
        return sight.state, words + self._told()

    def _notes(self) -> str:
        """Say what is to be noted about a deck, until its first card moves."""
        return "" if self._read else "".join(f"; {note}" for note in self._sight.notes)

    def _told(self) -> str:
        return "; the computer has been told that no card follows" if self._told_last else ""


def _cards(sight: Sight) -> str:
    count = len(sight.images)
    return f"{count} card" + "s" * (count != 1)
