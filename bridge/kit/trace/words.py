"""A recorded message in words, for whoever watches."""

from collections.abc import Sequence

from bridge.cards.card import Card
from bridge.cards.deck import print_deck
from bridge.clock import SECOND
from bridge.kit.trace.record import Record
from bridge.links.messages import (
    KNOWS_POWER,
    KNOWS_STATE,
    TASK_POWER_OFF,
    TASK_POWER_ON,
    TASK_RESTORE,
    TASK_SAVE,
    CardRead,
    Cause,
    Credit,
    CycleEnd,
    Device,
    Done,
    Have,
    Hello,
    Key,
    Keyboard,
    Knows,
    Lamps,
    LastCard,
    Message,
    Punch,
    Punched,
    Refused,
    Task,
    Type,
    Welcome,
    name_of,
)

_TASKS = {TASK_POWER_OFF: "power off", TASK_POWER_ON: "power on", TASK_SAVE: "save", TASK_RESTORE: "restore"}
_KNOWN = {KNOWS_POWER: "power", KNOWS_STATE: "save and restore"}


def rows(names: Sequence[str]) -> list[tuple[str, list[int]]]:
    """Return names such as A.7 … A.0 put together as rows, the highest number first, and others alone.

    A row is (what it is called, the places of its names in `names`).
    """
    found: dict[str, list[tuple[int, int]]] = {}
    for place, name in enumerate(names):
        row, dot, number = name.rpartition(".")
        numbered = bool(dot) and number.isascii() and number.isdecimal()
        found.setdefault(f"{row}." if numbered else name, []).append((int(number) if numbered else 0, place))
    ordered = [(row, [place for _, place in sorted(places, reverse=True)]) for row, places in found.items()]
    return [(row.removesuffix(".") if len(places) > 1 else names[places[0]], places) for row, places in ordered]


def lit(bits: bytes, place: int) -> int:
    """Return a bit of LAMPS or WELCOME."""
    return bits[place // 8] >> place % 8 & 1 if place // 8 < len(bits) else 0


class Teller:
    """Puts one record after another into words; lamps are told when they stand otherwise than before."""

    def __init__(self) -> None:
        self._start: int | None = None
        self._hello: Hello | None = None
        self._shown = ""
        self._ticks = 0
        self._second = 0

    def tell(self, record: Record) -> str | None:
        """Return a line about a record, or None if there is nothing new in it."""
        if self._start is None:
            self._start = self._second = record.at
        words = self._words(record)
        if words is None:
            return None
        arrow = "core >" if record.sender == "core" else "< daemon"
        return f"{(record.at - self._start) / SECOND:12.6f}  {arrow:<8}  {words}"

    def _words(self, record: Record) -> str | None:
        match record.message:
            case None:
                return "the core has gone"
            case Hello() as hello:
                self._hello, self._shown, self._ticks, self._second = hello, "", 0, record.at
                lists = (
                    f"{len(hello.lamps)} lamps, {len(hello.keys)} keys, {hello.ticks_per_second:,.0f} ticks a second"
                )
                return f"HELLO {hello.name}, run {hello.run:x}, {lists}"
            case Lamps() as lamps:
                return self._lamps(lamps, record.at)
            case Key() as key:
                name = self._hello.keys[key.key] if self._hello and key.key < len(self._hello.keys) else str(key.key)
                ago = (record.at - key.at) / 1e6
                return f"KEY {name} {'closed' if key.closed else 'opened'}, first seen {ago:.1f} ms ago"
        return _others(record.message)

    def _lamps(self, lamps: Lamps, at: int) -> str | None:
        names = self._hello.lamps if self._hello else ()
        parts = []
        for row, places in rows(names):
            if len(places) > 1:
                parts.append(f"{row} {''.join(str(lit(lamps.bits, place)) for place in places)}")
            elif lit(lamps.bits, places[0]):
                parts.append(row)
        shown = f"LAMPS {'running' if lamps.elapsed else 'at rest'}: {', '.join(parts)}"
        self._ticks += lamps.elapsed
        if not lamps.elapsed:
            self._ticks, self._second = 0, at
        pace = ""
        if self._hello and self._ticks and at - self._second >= SECOND:
            share = self._ticks / self._hello.ticks_per_second / ((at - self._second) / SECOND)
            pace = f" ({share:.0%} of its ticks_per_second)"
            self._ticks, self._second = 0, at
        if shown == self._shown and not pace:
            return None
        self._shown = shown
        return shown + pace


def _others(message: Message) -> str:
    said = ""
    match message:
        case Welcome():
            said = f"version {message.version}, pace {message.pace:g}"
        case CardRead() | Punch():
            said = f"{message.number} |{print_deck([Card(message.card)]).rstrip()}|"
        case CycleEnd() | Punched() | LastCard() | Have():
            said = str(message.number)
        case Type() | Keyboard():
            said = repr(message.codes.decode("ascii", "backslashreplace"))
        case Credit():
            said = str(message.characters)
        case Device():
            said = f"{message.device}: {message.state}" + (f" - {message.words}" if message.words else "")
        case _:
            said = _of_tasks_and_ends(message)
    return f"{name_of(type(message))} {said}".rstrip()


def _of_tasks_and_ends(message: Message) -> str:
    match message:
        case Knows():
            return " and ".join(words for bit, words in _KNOWN.items() if message.tasks & bit) or "nothing"
        case Task():
            task = _TASKS.get(message.task, f"task {message.task}")
            return f"{message.number}, {task}: {message.words}, within {message.within} ms"
        case Done():
            return f"{message.number}{', FAILED' if message.failed else ''}: {message.words}"
        case Cause():
            return str(message.cause)
        case Refused():
            return message.reason
    return ""
