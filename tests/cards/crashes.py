"""A punch, its spool and a handful of sticks on a file system that fails, and what must hold whatever happens to them.

Every card is another one, so that where it ended up can be told. What the core was told is safe must be on the sticks
in the end, once and in the order of the acknowledgements; of what it was not told, at most the card that was on its way
when the core or the power went, once too.
"""

import asyncio
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, TypeVarTuple

import pytest

from bridge.cards import folder, spool
from bridge.cards.deck import Card, parse
from bridge.cards.punch import Punch
from bridge.cards.slot import Slot, Stick
from bridge.cards.spool import Spool, load
from bridge.cards.stacker import Stacker
from bridge.clock import LoopClock
from bridge.report import DeviceState
from tests.cards.bench import text_card
from tests.cards.faultyfs import BLOCK, FaultyOs, PowerCut, Volume
from tests.virtual import VirtualLoop

PORT, STATE = Path("/port"), Path("/state")
STICKS = 3
CARDS_PER_MINUTE = 6000
"""As fast as cards need be for something to happen to each of them."""
NO_STICK = "no stick is in"

T = TypeVar("T")
A = TypeVarTuple("A")


class World:
    """Steps are methods; each lets some time pass. `close` ends it, `settle` before that checks what must hold."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.cuts = 0
        self._loop = VirtualLoop(seed=seed)
        self._loop.set_exception_handler(lambda *_: None)
        self._os = FaultyOs()
        self._patch = pytest.MonkeyPatch()
        self._patch.setattr(folder, "os", self._os)
        # A file of the spool is followed by the next one every few dozen cards.
        self._patch.setattr(spool, "LONGEST", 1 << 12)
        self.sticks = [Volume(self.rng, 1 << 13) for _ in range(STICKS)]
        for inode, stick in enumerate(self.sticks, 10):
            stick.inode = inode
        self._os.mounted[str(STATE)] = self._disk = Volume(self.rng, 1 << 22)
        self._slot = Slot(Stick(0, None, NO_STICK))
        self.port: Volume | None = None
        self._insertions = 0
        self._stall = 0.0
        self._run, self._number, self._texts = 1, 0, 0
        self.owed: tuple[int, int, Card] | None = None
        """The card the core has sent and was not told to be safe."""
        self.safe: list[Card] = []
        self.maybe: list[Card] = []
        """Cards that were on their way when the core that sent them went."""
        self.insert(0)
        self._start()

    # What happens --------------------------------------------------------------------------------------------------

    def send(self) -> None:
        """Let the core send its next card, or the one it is still owed again."""
        if self.owed is None:
            self._texts += 1
            self._number += 1
            # Lines of many lengths, so that blocks are torn everywhere.
            card = text_card(f"{self._texts} " + "X" * self.rng.randint(0, 60))
            self.owed = self._run, self._number, card
        run, number, card = self.owed
        assert self._punch.punch(run, number, card)
        self.wait(0.02)

    def wait(self, seconds: float) -> None:
        """Let time pass; the power may go meanwhile."""
        self._do(asyncio.sleep(seconds))

    def insert(self, which: int) -> None:
        """Put a stick in; the one that is in comes out first."""
        self.pull()
        self.port = self.sticks[which]
        self._os.mounted[str(PORT)] = self.port
        self._insertions += 1
        self._slot.put(Stick(self._insertions, PORT))

    def pull(self) -> None:
        """Pull the stick out: what was not synced may be lost, or not, or in part."""
        if self.port is None:
            return
        del self._os.mounted[str(PORT)]
        self.port.lose(self.rng.choice([0, 0.5, 1]))
        self.port = None
        self._slot.put(Stick(self._insertions, None, NO_STICK))

    def fill(self, cards: int) -> None:
        """Let the stick that is in have room for so many cards more, or for many again."""
        if self.port is not None:
            self.port.capacity += cards * 2 * BLOCK - self.port.free() if cards else 1 << 13

    def protect(self) -> None:
        """Move the write protection of the stick that is in."""
        if self.port is not None:
            self.port.read_only = not self.port.read_only

    def fail(self, syncs: int) -> None:
        """Let so many syncs of the stick that is in fail."""
        if self.port is not None:
            self.port.failing = syncs

    def fail_storage(self) -> None:
        """Let a sync of the console's own disk fail."""
        self._disk.failing = 1

    def stall(self, seconds: float) -> None:
        """Let every call on a file system take so long from now on."""
        self._stall = seconds

    def new_core(self) -> None:
        """Let the core crash and another start: it knows nothing of the card that was under way."""
        self._forget_core()

    def kill(self) -> None:
        """Kill the daemon: the cache lives on, nothing else does."""
        self._stop()
        self._os.forget()
        self._start()

    def cut(self, changes: int) -> None:
        """Cut the power after so many more changes of a file system."""
        self._os.cut_after = changes

    # What must hold ------------------------------------------------------------------------------------------------

    def settle(self) -> None:
        """Mend everything, let every stick be seen once more, and check where each card is."""
        self._os.cut_after = None
        self._stall = 0.0
        self._disk.failing = 0
        for stick in self.sticks:
            stick.failing, stick.read_only = 0, False
            stick.capacity = 1 << 20
        if self.owed is not None:
            self.send()
        self.wait(5)  # calls that were stalled come to their end
        for which in range(STICKS):
            self.insert(which)
            self.wait(1)
        for _ in range(140):  # seconds, more than the punch's patience
            if self.owed is not None:
                self.wait(1)
        assert self.owed is None, "the card that is owed never became safe"
        self.pull()
        self._check()

    def close(self) -> None:
        """End it."""
        self._stop()
        self._patch.undo()
        self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        self._loop.close()

    def _check(self) -> None:
        decks: dict[int, list[Card]] = {}
        for stick in self.sticks:
            for name, content in stick.copy_of_cache().items():
                assert name.startswith("punched-"), name
                number = int(name.removeprefix("punched-").removesuffix(".deck"))
                assert number not in decks, f"two sticks have {name}"
                decks[number] = parse(content, name)
        found = [card for number in sorted(decks) for card in decks[number]]
        assert len(found) == len(set(found)), "a card was punched twice"
        known = {*self.safe, *self.maybe}
        assert all(card in known for card in found), "a card was punched that nobody sent"
        acknowledged = set(self.safe)
        assert [card for card in found if card in acknowledged] == self.safe, "an acknowledged card is lost or moved"

    # The machinery -------------------------------------------------------------------------------------------------

    def _start(self) -> None:
        try:
            self._loop.run_until_complete(self._begin())
        except PowerCut:
            self._power_cut()

    async def _begin(self) -> None:
        kept = Spool(STATE, self._elsewhere, load(STATE))
        stacker = Stacker(self._slot, self._elsewhere, kept)
        self._punch = Punch(LoopClock(), CARDS_PER_MINUTE, 1.0, stacker, kept, self._punched, self._report, 1 << 20)
        self._task = asyncio.create_task(self._punch.run())

    def _stop(self) -> None:
        self._task.cancel()
        self._loop.run_until_complete(asyncio.gather(self._task, return_exceptions=True))

    async def _elsewhere(self, call: Callable[[*A], T], /, *words: *A) -> T:
        if self._stall:
            await asyncio.sleep(self._stall)
        return call(*words)

    def _do(self, what: Any) -> None:
        async def both() -> None:
            waiting = asyncio.ensure_future(what)
            await asyncio.wait({waiting, self._task}, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            await asyncio.gather(waiting, return_exceptions=True)

        self._loop.run_until_complete(both())
        if self._task.done():
            error = self._task.exception()
            assert error is not None, "the punch stopped by itself"
            if not _is_cut(error):
                raise error
            self._power_cut()

    def _power_cut(self) -> None:
        self.cuts += 1
        self._os.cut_after = None
        self._os.forget()
        self._disk.lose(self.rng.choice([0, 0.5, 1]))
        if self.port is not None:
            self.port.lose(self.rng.choice([0, 0.5, 1]))
        if self.rng.random() < 0.5:
            self._forget_core()  # else the core was on another machine, and sends again what it is owed
        self._insertions += 1
        if self.port is not None:
            self._slot.put(Stick(self._insertions, PORT))
        self._start()
        if self.owed is not None and self.rng.random() < 0.5:
            run, number, card = self.owed
            assert self._punch.punch(run, number, card)

    def _forget_core(self) -> None:
        if self.owed is not None:
            self.maybe.append(self.owed[2])
        self.owed = None
        self._run += 1
        self._number = 0

    def _punched(self, run: int, number: int, at: int) -> None:
        if self.owed is not None and (run, number) == self.owed[:2]:
            self.safe.append(self.owed[2])
            self.owed = None

    def _report(self, state: DeviceState) -> None:
        assert state.words or state.state in {"punching", "ready"}


def _is_cut(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_is_cut(one) for one in error.exceptions)
    return isinstance(error, PowerCut)


WAITS = (0.001, 0.01, 0.3, 1, 5)
STEPS: tuple[tuple[int, Callable[[World, random.Random], None]], ...] = (
    (30, lambda world, _: world.send()),
    (6, lambda world, rng: world.wait(rng.choice(WAITS))),
    (8, lambda world, rng: world.insert(rng.randrange(STICKS))),
    (4, lambda world, _: world.pull()),
    (3, lambda world, rng: world.fill(rng.choice([0, 0, 1, 3]))),
    (2, lambda world, _: world.protect()),
    (3, lambda world, rng: world.fail(rng.choice([0, 1, 3]))),
    (2, lambda world, _: world.fail_storage()),
    (2, lambda world, rng: world.stall(rng.choice([0, 0, 0.004, 1.0]))),
    (4, lambda world, _: world.new_core()),
    (5, lambda world, _: world.kill()),
    (12, lambda world, rng: world.cut(rng.randrange(12))),
)
"""How often what happens on a bad day."""


def step(world: World, rng: random.Random) -> None:
    """Let one thing happen."""
    weights, steps = zip(*STEPS, strict=True)
    rng.choices(steps, weights)[0](world, rng)


def crash(world: World, rng: random.Random) -> None:
    """Let the core send a card and the power go meanwhile, on a stick that is in and has room."""
    if world.port is None or rng.random() < 0.1:
        world.insert(rng.randrange(STICKS))
    world.cut(rng.randrange(6))
    world.send()
