"""What a recording's dump has to say, worked out message by message, without the code that writes dumps."""

import struct
from collections.abc import Iterator, Sequence

from bridge.kit.trace.record import Record
from bridge.links.messages import CardRead, Hello, Key, Keyboard, Lamps, LastCard, Punch, Punched, Read, Type, Welcome

Told = tuple[int, str, int | str]
"""Nanoseconds since the recording's begin, variable, value."""


class Panel:
    """The lamps A.3 … A.0 and others alone, the keys W.1, W.0 and others alone."""

    def __init__(self, lamps: Sequence[str], keys: Sequence[str]) -> None:
        self._lamps, self._keys = lamps, keys
        self._names: tuple[str, ...] = ()
        self._closed = dict.fromkeys(keys, 0)
        self._known: tuple[str, ...] = ()
        self._on: dict[str, int | str] = dict.fromkeys(lamps, "x")

    def values(self, record: Record) -> Iterator[tuple[str, int | str]]:
        message = record.message
        match message:
            case Hello():
                self._names, self._known = message.lamps, message.keys
                self._closed = dict.fromkeys(self._keys, 0)
            case Welcome():
                yield "link.linked", 1
                self._closed |= {key: message.closed[0] >> n & 1 for n, key in enumerate(self._known)}
                yield from self._switches()
            case Key():
                self._closed[self._known[message.key]] = message.closed
                yield from self._switches()
            case Lamps():
                yield from self._light(message)
            case None:
                yield "link.linked", 0

    def _switches(self) -> Iterator[tuple[str, int]]:
        yield "keys.W[1:0]", self._closed["W.1"] << 1 | self._closed["W.0"]
        yield from ((f"keys.{key}", closed) for key, closed in self._closed.items() if "." not in key)

    def _light(self, frame: Lamps) -> Iterator[tuple[str, int | str]]:
        stand = dict.fromkeys(self._lamps, 0) | {n: frame.bits[0] >> bit & 1 for bit, n in enumerate(self._names)}
        yield "lamps.A[3:0]", int("".join(str(stand[f"A.{n}"]) for n in (3, 2, 1, 0)), 2)
        yield from ((f"lamps.{name.replace(' ', '_')}", lit) for name, lit in stand.items() if "." not in name)
        yield "link.elapsed", frame.elapsed
        if frame.elapsed:
            self._on |= dict(zip(self._names, struct.unpack(f"<{len(self._names)}I", frame.on_time), strict=True))
        for name, ticks in self._on.items():
            yield f"on_time.{name.replace('.', '_').replace(' ', '_')}", ticks


def cards_and_typing(record: Record) -> Iterator[tuple[str, int | str]]:
    match record.message:
        case CardRead() | Punch() as card:
            what = "read" if isinstance(card, CardRead) else "punch"
            yield f"cards.{what}_number", card.number
            holes = "".join(f"{column:012b}" for column in struct.unpack("<80H", card.card))
            yield f"cards.{what}_card[959:0]", int(holes, 2)
        case Punched() as done:
            yield "cards.punched_number", done.number
        case LastCard() as last:
            yield "cards.last_card_number", last.number
        case Read():
            yield "cards.reads_asked", 1
        case Type() as typed:
            yield "typing.typed[71:0]", int.from_bytes(typed.codes, "big")
            yield "typing.typed_count", len(typed.codes)
        case Keyboard() as typed:
            yield "typing.keyboard[15:0]", int.from_bytes(typed.codes, "big")
            yield "typing.keyboard_count", len(typed.codes)


def expected(records: Sequence[Record], lamps: Sequence[str], keys: Sequence[str]) -> Iterator[Told]:
    """Yield what holds after each record. Of cards it expects each kind once."""
    panel = Panel(lamps, keys)
    for record in records:
        moment = record.message.at if isinstance(record.message, Key) else record.at
        for name, value in (*panel.values(record), *cards_and_typing(record)):
            yield moment - records[0].at, name, value
