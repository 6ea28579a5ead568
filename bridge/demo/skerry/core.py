"""The Skerry Mk 2 as a core: the processor at its pace, joined to a console through the core link and nothing else."""

import math
import struct
from collections import deque
from collections.abc import Sequence

from bridge.clock import SECOND
from bridge.demo.skerry.panel import KEYS, LAMPS
from bridge.demo.skerry.processor import Processor
from bridge.links.client import CoreClient
from bridge.links.messages import CardRead, FromDaemon, Key, Punched, Welcome

CYCLE = 96_000
"""Nanoseconds a machine cycle takes; it is also the link's tick."""
SLICE = 5_000_000
"""Nanoseconds between looks at the link while the machine runs."""
REST = SECOND // 10
"""Nanoseconds between looks while it does not."""
MOST_CYCLES = 2_000
"""Cycles between looks at the link, so that a slow board falls behind its pace rather than going deaf."""

_COLUMNS = struct.Struct("<80H")


class _Outside:
    """The devices round the processor, as the link brings them; cards and acknowledgements each come once, in order."""

    def __init__(self, client: CoreClient) -> None:
        self._client = client
        self._cards: deque[Sequence[int]] = deque()
        self._asked = 0
        self._to_punch: deque[bytes] = deque()
        self._acknowledged = 0

    def ask_card(self) -> None:
        self._asked += 1
        self._client.read_card()

    def take_card(self) -> Sequence[int] | None:
        return self._cards.popleft() if self._cards else None

    def send_card(self, columns: Sequence[int]) -> None:
        self._to_punch.append(_COLUMNS.pack(*columns))
        if len(self._to_punch) == 1:
            self._client.punch(self._to_punch[0])

    def take_acknowledgement(self) -> bool:
        told = self._acknowledged > 0
        self._acknowledged -= told
        return told

    def type(self, code: int) -> bool:
        return self._client.type(bytes([code])) == 1

    def card_came(self, card: bytes) -> None:
        self._cards.append(_COLUMNS.unpack(card))
        self._asked -= 1
        if self._asked:
            self._client.read_card()

    def card_punched(self) -> None:
        self._to_punch.popleft()
        self._acknowledged += 1
        if self._to_punch:
            self._client.punch(self._to_punch[0])


class SkerryCore:
    """One Skerry Mk 2 on the console at socket `path`. Whoever calls `advance` owns the clock."""

    def __init__(self, path: str, run: int = 0) -> None:
        self.client = CoreClient(path, "Skerry Mk 2", LAMPS, KEYS, ticks_per_second=SECOND / CYCLE, run=run)
        self._outside = _Outside(self.client)
        self.processor = Processor(self._outside)
        self._closed = [False] * len(KEYS)
        self._done_until = 0

    def advance(self, now: int) -> int:
        """Take what the console sent, run the cycles that are due at `now`, show the lamps; return when to look again.

        Times are monotonic nanoseconds. Look earlier when the link's descriptor has something to read.
        """
        for message in self.client.poll(now):
            self._take(message)
        processor = self.processor
        if not processor.running:
            self._done_until = now
            self.client.rest(processor.lamps)
            self.client.send_due(now)
            return now + REST
        cycle = CYCLE / self.client.pace
        due = MOST_CYCLES if math.isinf(self.client.pace) else min(MOST_CYCLES, int((now - self._done_until) / cycle))
        done = processor.run(due, self.client.cycle)
        if processor.waiting and done < due:
            # A cycle of waiting changes nothing: count them all at once.
            self.client.cycle(processor.lamps, due - done if cycle else 1)
            done = due
        self._done_until = now if done == MOST_CYCLES else self._done_until + round(done * cycle)
        self.client.send_due(now)
        return now + (SLICE if processor.waiting or not math.isinf(self.client.pace) else 0)

    def _take(self, message: FromDaemon) -> None:
        match message:
            case Welcome():
                for n, name in enumerate(KEYS):
                    closed = bool(message.closed[n // 8] >> n % 8 & 1)
                    # A press that happened while nobody listened is not a press now; levels count as they stand.
                    if "." in name:
                        self._key(n, closed=closed)
                    self._closed[n] = closed
            case Key():
                self._key(message.key, closed=bool(message.closed))
            case CardRead():
                self._outside.card_came(message.card)
            case Punched():
                self._outside.card_punched()

    def _key(self, n: int, *, closed: bool) -> None:
        if self._closed[n] != closed:
            self._closed[n] = closed
            self.processor.key(KEYS[n], closed)
