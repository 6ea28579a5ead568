"""An event loop whose time jumps to the next deadline, so that no test waits."""

import asyncio
import random
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _JumpingSelector(selectors.EpollSelector):
    """Polls for real input; with none, hands the wait to the loop's virtual clock instead of sleeping."""

    loop: "VirtualLoop"

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if timeout is None:
            ready = super().select(self.loop.patience)
            if not ready:
                raise RuntimeError("dead-lock: nothing is scheduled on this loop and no input came")
            return ready
        self.loop.jump(timeout)
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """Virtual time from 1,000 s on; `late` (seconds) makes every wake-up late by a random part of it.

    Everything that runs under it must live in one process and one thread: a peer outside cannot know that time has
    jumped. With nothing scheduled it waits for real input up to `patience` real seconds, then fails: a dead-lock ends.
    """

    patience = 5.0

    def __init__(self, late: float = 0.0, seed: int = 0) -> None:
        selector = _JumpingSelector()
        selector.loop = self
        self._virtual = 1000.0
        self._late = late
        self._random = random.Random(seed)
        super().__init__(selector)

    def time(self) -> float:
        return self._virtual

    def jump(self, seconds: float) -> None:
        self._virtual += max(seconds, 0.0) + self._late * self._random.random()


def run_virtually(main: Coroutine[Any, Any, T], late: float = 0.0, seed: int = 0) -> T:
    """Run a coroutine on a fresh virtual loop and return what it returns; what a callback raises is raised here too."""
    raised: list[BaseException] = []

    def loop() -> VirtualLoop:
        virtual = VirtualLoop(late, seed)
        virtual.set_exception_handler(
            lambda _, context: raised.append(context.get("exception") or RuntimeError(context["message"]))
        )
        return virtual

    with asyncio.Runner(loop_factory=loop) as runner:
        result = runner.run(main)
    for error in raised:
        raise error
    return result
