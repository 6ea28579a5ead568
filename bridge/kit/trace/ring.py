"""The last while of the core link, bounded in time and in bytes, and how things stood when it begins."""

from collections import deque
from collections.abc import Iterator
from dataclasses import replace

from bridge.clock import SECOND
from bridge.kit.trace.record import Record
from bridge.links.messages import Hello, Key, Lamps, Welcome, encode


class Ring:
    """Keeps records of the last `seconds`, at most so many `bytes` of messages."""

    def __init__(self, seconds: float, most_bytes: int) -> None:
        self._span, self._most = round(seconds * SECOND), most_bytes
        self._kept: deque[tuple[Record, int]] = deque()
        self._bytes = 0
        self._hello: Record | None = None
        self._welcome: Record | None = None
        self._lamps: Record | None = None

    def add(self, record: Record) -> None:
        """Keep a record, and forget what is too old for it."""
        size = 0 if record.message is None else len(encode(record.message))
        self._kept.append((record, size))
        self._bytes += size
        while self._kept[0][0].at < record.at - self._span or self._bytes > self._most:
            oldest, size = self._kept.popleft()
            self._bytes -= size
            self._pass(oldest)

    def records(self) -> Iterator[Record]:
        """Yield how things stood at the beginning, then what is kept."""
        for standing in (self._hello, self._welcome, self._lamps):
            if standing is not None:
                yield standing
        for record, _ in self._kept:
            yield record

    def _pass(self, record: Record) -> None:
        """Let a record take effect on how things stand."""
        match record.message:
            case Hello():
                self._hello, self._welcome, self._lamps = record, None, None
            case Welcome():
                self._welcome = record
            case Key() as key if self._welcome is not None and isinstance(self._welcome.message, Welcome):
                closed = bytearray(self._welcome.message.closed)
                bit = 1 << key.key % 8
                closed[key.key // 8] = closed[key.key // 8] | bit if key.closed else closed[key.key // 8] & ~bit
                self._welcome = replace(self._welcome, message=replace(self._welcome.message, closed=bytes(closed)))
            case Lamps() as lamps:
                self._lamps = replace(record, message=Lamps(0, lamps.bits, b""))
            case None:
                self._hello = self._welcome = self._lamps = None
