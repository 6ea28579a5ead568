"""What the tests of the card machines share."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

from bridge.cards.code import HOLES
from bridge.cards.deck import Card, card_of
from bridge.clock import SECOND, LoopClock
from bridge.report import DeviceState

MS = SECOND // 1000


def text_card(text: str) -> Card:
    return card_of([HOLES[ord(c)] for c in text])


@contextlib.asynccontextmanager
async def running(machine: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Run a machine as long as the block lasts; what kills the machine fails the test."""
    task = asyncio.create_task(machine)
    try:
        yield
        assert not task.done(), "the machine stopped by itself"
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Staff:
    """Keeps what a machine reported, and looks at the clock for the test."""

    def __init__(self) -> None:
        self.clock = LoopClock()
        self.states: list[DeviceState] = []

    def report(self, state: DeviceState) -> None:
        self.states.append(state)

    @property
    def now(self) -> tuple[str, str]:
        return self.states[-1].state, self.states[-1].words

    async def wait(self, seconds: float) -> None:
        await self.clock.until(self.clock.now() + round(seconds * SECOND))

    async def see(self, condition: Callable[[], bool], seconds: float = 10) -> None:
        """Wait until the condition holds, looked at every millisecond."""
        for _ in range(round(seconds * 1000)):
            if condition():
                return
            await self.wait(0.001)
        raise AssertionError(f"not seen within {seconds} s; states: {self.states[-3:]}")
