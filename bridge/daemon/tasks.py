"""What the console asks of the core that is linked: to mind the power, to save its machine's state and to restore it.

One task is under way at a time. Whoever asks waits no longer than he says, and is told in words how it came out.
"""

import asyncio
import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from bridge.links.messages import (
    KNOWS_FOR,
    TASK_POWER_OFF,
    TASK_POWER_ON,
    TASK_RESTORE,
    TASK_SAVE,
    Done,
    FromDaemon,
    Knows,
    Task,
    is_state_name,
)

_CALLED = {
    TASK_POWER_OFF: "make ready for the power to go",
    TASK_POWER_ON: "go on with power",
    TASK_SAVE: "save its machine's state",
    TASK_RESTORE: "restore its machine's state",
}


@dataclass(frozen=True)
class Outcome:
    """How a task came out, in a word and in words for people; "not-asked" where there was nobody to ask."""

    state: Literal["done", "failed", "no-answer", "not-asked"]
    words: str


class CoreTasks:
    """The tasks of the core that is linked, sent through `send`; every method runs on the event loop."""

    def __init__(self, send: Callable[[FromDaemon], None]) -> None:
        self._send = send
        self._linked = False
        self._known = 0
        self._numbers = itertools.count(1)
        self._under_way: tuple[int, asyncio.Future[Outcome]] | None = None
        self._power_off: str | None = None

    def came(self) -> None:
        """Begin with a new core, of which it is not known yet what it knows."""
        self._linked, self._known = True, 0

    def knows(self, message: Knows) -> None:
        """Note what the core can be asked for; one that comes while the power is off is told so."""
        self._known = message.tasks
        if self._power_off is not None and self._known & KNOWS_FOR[TASK_POWER_OFF]:
            self._send(Task(next(self._numbers), TASK_POWER_OFF, 0, self._power_off))

    def done(self, message: Done) -> None:
        """Take an answer; one that nobody waits for any more is passed over."""
        if self._under_way is not None and self._under_way[0] == message.number:
            words = f"The emulator says: {message.words}" if message.words else ""
            self._settle(Outcome("failed" if message.failed else "done", words))

    def left(self) -> None:
        """Give up what the core, which is gone, was asked for."""
        self._linked = False
        self._settle(Outcome("no-answer", "The emulator went before it had answered."))

    async def power(self, *, off: bool, why: str, within: float) -> Outcome:
        """Tell the core that power goes or is back, and why; until it is back, cores that come are told that it is off.

        Waits at most `within` seconds for the answer.
        """
        self._power_off = why if off else None
        return await self._ask(TASK_POWER_OFF if off else TASK_POWER_ON, why, within)

    async def save(self, name: str, within: float) -> Outcome:
        """Have the core save its machine's state under a name: 1 to 32 of a-z, 0-9 and -."""
        return await self._named(TASK_SAVE, name, within)

    async def restore(self, name: str, within: float) -> Outcome:
        """Have the core take its machine's state from what was saved under a name."""
        return await self._named(TASK_RESTORE, name, within)

    async def _named(self, task: int, name: str, within: float) -> Outcome:
        if not is_state_name(name):
            return Outcome("not-asked", f'No state can be called "{name}": 1 to 32 of the characters a-z, 0-9 and -.')
        return await self._ask(task, name, within)

    async def _ask(self, task: int, words: str, within: float) -> Outcome:
        if not self._linked:
            return Outcome("not-asked", "No emulator is linked.")
        if not self._known & KNOWS_FOR[task]:
            return Outcome("not-asked", f"This emulator has not said that it can {_CALLED[task]} (KNOWS).")
        self._settle(Outcome("no-answer", "Something else was asked of the emulator before it had answered."))
        number, answer = next(self._numbers), asyncio.get_running_loop().create_future()
        self._under_way = number, answer
        self._send(Task(number, task, round(within * 1000), words))
        try:
            return await asyncio.wait_for(answer, within)
        except TimeoutError:
            asked = f"The emulator was asked to {_CALLED[task]}"
            return Outcome("no-answer", f"{asked}, and gave no answer within {within:g} s.")

    def _settle(self, outcome: Outcome) -> None:
        under_way, self._under_way = self._under_way, None
        if under_way is not None and not under_way[1].done():
            under_way[1].set_result(outcome)
