"""Playing a recording: its lamps and its typing on a panel, without the machine.

What a panel cannot do by itself, or should not, is told in words, when it happened: keys, hoppers, the keyboard. No
card is moved: the reader would read what lies in it today, and the punch would fill somebody's stick.
"""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bridge.clock import SECOND, LoopClock
from bridge.errors import ConsoleError
from bridge.kit.trace.record import Record, Recording
from bridge.kit.trace.words import Teller
from bridge.links.client import FRAME, CoreClient
from bridge.links.messages import (
    CardRead,
    Device,
    Done,
    Hello,
    Key,
    Keyboard,
    Lamps,
    LastCard,
    Message,
    Punch,
    Task,
    Type,
)

LINKED_WITHIN = 10 * SECOND
"""Nanoseconds."""
_HOPPERS = ("reader", "punch")


@dataclass(frozen=True)
class Manner:
    """How a recording is played: so many times faster, silences cut down to `skip` seconds, and again and again."""

    speed: float = 1.0
    skip: float | None = None
    loop: bool = False


def is_told(message: Message | None) -> bool:
    """Return whether something is told in words: what hands, hoppers and the console itself did."""
    if isinstance(message, Device):
        return message.device in _HOPPERS
    return isinstance(message, CardRead | Punch | LastCard | Key | Keyboard | Task | Done)


def schedule(records: Sequence[Record], manner: Manner) -> list[tuple[int, Record]]:
    """Return (nanoseconds after the start, record) for each record that is played, in order.

    A silence is time in which the machine stands still: between two frames of a running machine nothing is cut out.
    """
    plan: list[tuple[int, Record]] = []
    at = before = 0
    for record in records:
        if not isinstance(record.message, Lamps | Type | Hello) and not is_told(record.message):
            continue
        gap = record.at - before if plan else 0
        running = isinstance(record.message, Lamps) and record.message.elapsed > 0
        if manner.skip is not None and not running:
            gap = min(gap, round(manner.skip * SECOND))
        at += round(gap / manner.speed)
        before = record.at
        plan.append((at, record))
    return plan


class Player:
    """A core that shows a recording at the console at `path`: it has the recorded lamps, and no keys.

    `say` gets a line of words for each thing that is not shown.
    """

    def __init__(
        self, path: Path, recording: Recording, manner: Manner, say: Callable[[str], None] = lambda _: None
    ) -> None:
        hellos = [record.message for record in recording.records if isinstance(record.message, Hello)]
        if not hellos:
            raise ConsoleError("There is no core in this recording: nothing can be played.")
        self._lamps = list(dict.fromkeys(name for hello in hellos for name in hello.lamps))
        self._plan = schedule(recording.records, manner)
        self._loop = manner.loop
        self._say = say
        self._teller = Teller()
        self._place: npt.NDArray[np.intp] = np.zeros(0, np.intp)
        self._to_type = b""
        self.client = CoreClient(
            str(path), f"recording of {hellos[0].name}", self._lamps, [], ticks_per_second=hellos[0].ticks_per_second
        )

    async def play(self, clock: LoopClock) -> None:
        """Play to the end, or for ever; raises ConsoleError when no console lets it in."""
        try:
            await self._link(clock)
            for _ in itertools.count() if self._loop else range(1):
                start, self._teller = clock.now(), Teller()
                for at, record in self._plan:
                    await self._until(clock, start + at)
                    self._show(record)
                # What was played last has to be seen, and typed.
                await self._until(clock, clock.now() + FRAME)
                while self._to_type and self.client.connected:
                    await self._until(clock, clock.now() + FRAME)
        finally:
            self.client.close()

    async def _link(self, clock: LoopClock) -> None:
        deadline = clock.now() + LINKED_WITHIN
        while not self.client.connected:
            if clock.now() > deadline or self.client.refusal:
                why = self.client.refusal or "is it running? --state names its state folder"
                raise ConsoleError(f"The console does not let the recording in: {why}.")
            await self._until(clock, clock.now() + FRAME)

    async def _until(self, clock: LoopClock, when: int) -> None:
        """Serve the link until then."""
        while True:
            now = clock.now()
            self.client.poll(now)
            self._to_type = self._to_type[self.client.type(self._to_type) :]
            self.client.send_due(now)
            if now >= when:
                return
            await clock.until(min(when, now + FRAME))

    def _show(self, record: Record) -> None:
        match record.message:
            case Hello() as hello:
                self._tell(record)
                self._place = np.array([self._lamps.index(name) for name in hello.lamps], np.intp)
            case Lamps() as lamps:
                stand = np.zeros(len(self._lamps), np.uint8)
                lit = np.unpackbits(np.frombuffer(lamps.bits, np.uint8), bitorder="little")[: len(self._place)]
                stand[self._place] = lit
                bits = int.from_bytes(np.packbits(stand, bitorder="little").tobytes(), "little")
                if not lamps.elapsed:
                    self.client.rest(bits)
                    return
                on_time = np.zeros(len(self._lamps), np.uint32)
                on_time[self._place] = np.frombuffer(lamps.on_time, "<u4")
                self.client.count(bits, lamps.elapsed, on_time)
            case Type() as typed if self.client.device("typewriter").state:
                self._to_type += typed.codes
            case _:
                self._tell(record)

    def _tell(self, record: Record) -> None:
        words = self._teller.tell(record)
        assert words is not None  # noqa: S101 -- only of lamps is there nothing new
        self._say(words)
