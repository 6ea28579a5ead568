"""A recording as a value change dump (IEEE Std 1364-2005, clause 18), which wave viewers open.

A row of lamps or of keys is a vector, the lamp of the highest number first; other lamps and keys are wires. Everything
is exact: each lamp's ticks of each LAMPS are there as numbers, a card is 960 bits, column 1 first and in each row 12
first, and typed characters stand in a register, eight bits each, as that standard keeps strings (3.6), the last one
lowest, with their count beside them. A key changes when its contact was first seen, all else when it crossed the link.
"""

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.kit.trace.record import Record, Recording
from bridge.kit.trace.words import lit, rows
from bridge.links.messages import (
    CardRead,
    Hello,
    Key,
    Keyboard,
    Lamps,
    LastCard,
    Message,
    Punch,
    Punched,
    Read,
    Type,
    Welcome,
)

_FIRST, _CODES = 33, 94
CARD_BITS = 960


@dataclass
class Var:
    """A variable: `places` are its lamps or keys, the highest bit first, None for one that is a number."""

    scope: str
    kind: str
    size: int
    reference: str
    code: str = ""
    places: Sequence[int] | None = None
    value: str = ""
    last: str = ""


class _Vars:
    def __init__(self) -> None:
        self.all: list[Var] = []
        self._taken: set[tuple[str, str]] = set()

    def add(
        self, scope: str, kind: str, size: int, name: str, select: str = "", places: Sequence[int] | None = None
    ) -> Var:
        plain = "".join(character if character.isalnum() and character.isascii() else "_" for character in name)
        reference = plain if not plain[:1].isdigit() else f"_{plain}"
        number = 2
        while (scope, reference) in self._taken:
            reference, number = f"{plain}_{number}", number + 1
        self._taken.add((scope, reference))
        var = Var(scope, kind, size, reference + select, _code(len(self.all)), places)
        self.all.append(var)
        return var


def _code(number: int) -> str:
    """Return an identifier code: printable characters from ! on."""
    code = ""
    while True:
        number, digit = divmod(number, _CODES)
        code += chr(_FIRST + digit)
        if number == 0:
            return code
        number -= 1


def _panel(found: _Vars, scope: str, names: Sequence[str]) -> list[Var]:
    made = []
    for row, places in rows(names):
        if len(places) == 1:
            made.append(found.add(scope, "wire", 1, row, places=places))
            continue
        made.append(found.add(scope, "wire", len(places), row, f" [{len(places) - 1}:0]", places))
    return made


class _Wave:
    """The variables of a recording and how its messages change them."""

    def __init__(self, recording: Recording) -> None:
        messages = [record.message for record in recording.records]
        hellos = [message for message in messages if isinstance(message, Hello)]
        # Another core may have had other lamps: all names of all of them, each once.
        self.lamps = list(dict.fromkeys(name for hello in hellos for name in hello.lamps))
        self.keys = list(dict.fromkeys(name for hello in hellos for name in hello.keys))
        self._lamp_at: list[int] = []
        self._key_at: list[int] = []
        vars_ = _Vars()
        self.vars = vars_.all
        self.linked = vars_.add("link", "wire", 1, "linked")
        self.elapsed = vars_.add("link", "integer", 32, "elapsed")
        self.lamp_vars = _panel(vars_, "lamps", self.lamps)
        self.key_vars = _panel(vars_, "keys", self.keys)
        self.on_time = [vars_.add("on_time", "integer", 32, name) for name in self.lamps]
        self.card_number = vars_.add("cards", "integer", 32, "read_number")
        self.card = vars_.add("cards", "reg", CARD_BITS, "read_card", f" [{CARD_BITS - 1}:0]")
        self.reads = vars_.add("cards", "integer", 32, "reads_asked")
        self.punch_number = vars_.add("cards", "integer", 32, "punch_number")
        self.punch_card = vars_.add("cards", "reg", CARD_BITS, "punch_card", f" [{CARD_BITS - 1}:0]")
        self.punched = vars_.add("cards", "integer", 32, "punched_number")
        self.last_card = vars_.add("cards", "integer", 32, "last_card_number")
        self.texts: dict[type[Type | Keyboard], tuple[Var, Var]] = {}
        kinds: tuple[tuple[type[Type | Keyboard], str], ...] = ((Type, "typed"), (Keyboard, "keyboard"))
        for kind, name in kinds:
            longest = max((len(message.codes) for message in messages if isinstance(message, kind)), default=1)
            size = 8 * max(1, longest)
            text = vars_.add("typing", "reg", size, name, f" [{size - 1}:0]")
            self.texts[kind] = text, vars_.add("typing", "integer", 32, f"{name}_count")
        self._asked = 0
        self._closed: list[int] = []

    def changes(self, record: Record) -> Iterator[tuple[Var, str, bool]]:
        """Yield (variable, value in binary, whether it is told though it may be the same) for one record."""
        match record.message:
            case None:
                yield self.linked, "0", False
            case Hello() as hello:
                self._lamp_at = [self.lamps.index(name) for name in hello.lamps]
                self._key_at = [self.keys.index(name) for name in hello.keys]
                self._closed = [0] * len(self.keys)
            case Welcome() as welcome:
                for place, at in enumerate(self._key_at):
                    self._closed[at] = lit(welcome.closed, place)
                yield self.linked, "1", False
                yield from _bits(self.key_vars, self._closed)
            case Key() as key if key.key < len(self._key_at):
                self._closed[self._key_at[key.key]] = key.closed
                yield from _bits(self.key_vars, self._closed)
            case Lamps() as lamps:
                yield from self._frame(lamps)
            case Type() | Keyboard() as text:
                characters, count = self.texts[type(text)]
                yield characters, f"{int.from_bytes(text.codes, 'big'):b}", True
                yield count, f"{len(text.codes):b}", True
            case message:
                yield from self._cards(message)

    def _cards(self, message: Message) -> Iterator[tuple[Var, str, bool]]:
        match message:
            case Read():
                self._asked += 1
                yield self.reads, f"{self._asked:b}", True
            case CardRead():
                yield self.card_number, f"{message.number:b}", True
                yield self.card, _holes(message.card), True
            case Punch():
                yield self.punch_number, f"{message.number:b}", True
                yield self.punch_card, _holes(message.card), True
            case Punched():
                yield self.punched, f"{message.number:b}", True
            case LastCard():
                yield self.last_card, f"{message.number:b}", True

    def _frame(self, frame: Lamps) -> Iterator[tuple[Var, str, bool]]:
        stand = [0] * len(self.lamps)
        for place, at in enumerate(self._lamp_at):
            stand[at] = lit(frame.bits, place)
        yield from _bits(self.lamp_vars, stand)
        yield self.elapsed, f"{frame.elapsed:b}", True
        if frame.elapsed:
            ticks = struct.unpack(f"<{len(frame.on_time) // 4}I", frame.on_time)
            for at, on in zip(self._lamp_at, ticks, strict=True):
                yield self.on_time[at], f"{on:b}", False


def _holes(card: bytes) -> str:
    return "".join(f"{column & 0xFFF:012b}" for column in struct.unpack("<80H", card))


def _bits(vars_: Iterable[Var], stand: Sequence[int]) -> Iterator[tuple[Var, str, bool]]:
    for var in vars_:
        yield var, "".join(str(stand[place]) for place in var.places or ()), False


def moment(record: Record) -> int:
    """Return when a record changes the wave: a key when its contact was first seen."""
    return record.message.at if isinstance(record.message, Key) else record.at


def dump(recording: Recording) -> Iterator[str]:
    """Yield the lines of a value change dump of a recording; times are nanoseconds since it begins."""
    wave = _Wave(recording)
    start = recording.records[0].at if recording.records else 0
    yield f"$comment {' '.join(recording.console.split()).replace('$', '_')}, as it went over the core link. $end"
    yield f"$comment Time 0 is the daemon's monotonic {start} ns. $end"
    yield "$timescale 1 ns $end"
    yield "$scope module console $end"
    for scope in dict.fromkeys(var.scope for var in wave.vars):
        yield f"$scope module {scope} $end"
        yield from (f"$var {v.kind} {v.size} {v.code} {v.reference} $end" for v in wave.vars if v.scope == scope)
        yield "$upscope $end"
    yield "$upscope $end"
    yield "$enddefinitions $end"
    yield "#0"
    yield "$dumpvars"
    yield from (_change(var, "x") for var in wave.vars)
    yield "$end"
    at = 0
    # A contact that was seen before the recording began has changed when it begins.
    for record in sorted(recording.records, key=lambda record: max(moment(record), start)):
        changes = [change for change in wave.changes(record) if change[2] or change[0].last != change[1]]
        when = max(moment(record), start) - start
        if changes and when != at:
            at = when
            yield f"#{at}"
        for var, value, _ in changes:
            var.last = value
            yield _change(var, value)
    if recording.records and (end := recording.records[-1].at - start) > at:
        yield f"#{end}"


def _change(var: Var, value: str) -> str:
    return f"{value}{var.code}" if var.size == 1 else f"b{value} {var.code}"
