"""The core link's messages, as bytes and back (core-link.md is the specification; nothing here does input or output).

A message is a length (u32, counting what follows), a type (u8) and its fields, all little-endian. Field kinds:
u8 u16 u32 u64 f64 as usual; `text` a u16 length and UTF-8; `texts` a u16 count and that many texts; `blob` a u16 length
and bytes; `card` 160 bytes, 80 columns as u16 (row 12 is bit 11, row 9 bit 0); `rest` all the bytes that are left.
"""

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any, ClassVar, TypeVar

VERSION = 1
LONGEST = 1 << 20
"""No message is longer (bytes after the length); a length beyond it means the peer speaks something else."""


class LinkError(Exception):
    """The peer broke a rule of the link.

    `str()` says how, and names the byte of the message (its length begins at byte 0) where there is one, and the rule
    of core-link.md by its number, or by the section's name.
    """

    def __init__(self, words: str, byte: int | None = None, rule: int | str = "Messages") -> None:
        place = [f"byte {byte} of the message"] if byte is not None else []
        place.append(f"rule {rule}" if isinstance(rule, int) else f'"{rule}"')
        super().__init__(f"{words} ({', '.join(place)} of the core link)")


@dataclass(frozen=True)
class Hello:
    """Core: who I am, what I can show and what I listen to."""

    CODE: ClassVar[int] = 0x01
    KINDS: ClassVar[tuple[str, ...]] = ("u16", "u16", "u64", "f64", "text", "texts", "texts")
    oldest: int
    newest: int
    run: int
    ticks_per_second: float
    name: str
    lamps: tuple[str, ...]
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Lamps:
    """Core: how long each lamp was lit in the last `elapsed` ticks, and how they stand now.

    `bits` has bit n of the whole (bit n % 8 of byte n // 8) for lamp n of the hello; `on_time` one u32 of ticks for
    each lamp, or nothing when `elapsed` is 0, which says that the machine is at rest.
    """

    CODE: ClassVar[int] = 0x02
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "blob", "rest")
    elapsed: int
    bits: bytes
    on_time: bytes


@dataclass(frozen=True)
class Read:
    """Core: one card, please."""

    CODE: ClassVar[int] = 0x03
    KINDS: ClassVar[tuple[str, ...]] = ()


@dataclass(frozen=True)
class Punch:
    """Core: punch this card. Numbers count up from 1 within a run; the same number again is the same card again."""

    CODE: ClassVar[int] = 0x04
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "card")
    number: int
    card: bytes


@dataclass(frozen=True)
class Type:
    """Core: type these ISO 646 codes; never more than the credit in hand."""

    CODE: ClassVar[int] = 0x05
    KINDS: ClassVar[tuple[str, ...]] = ("rest",)
    codes: bytes


@dataclass(frozen=True)
class Have:
    """Core: the last card that has come to this run of mine, by the fields of its CardRead; zeros for none."""

    CODE: ClassVar[int] = 0x06
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u64")
    number: int
    picked_at: int


@dataclass(frozen=True)
class OwnTime:
    """Core: I keep the machine's time myself; give me cards at once."""

    CODE: ClassVar[int] = 0x07
    KINDS: ClassVar[tuple[str, ...]] = ()


@dataclass(frozen=True)
class Knows:
    """Core: the tasks that I know: a sum of the KNOWS_ constants. What a core does not say it is never asked for."""

    CODE: ClassVar[int] = 0x08
    KINDS: ClassVar[tuple[str, ...]] = ("u8",)
    tasks: int


@dataclass(frozen=True)
class Done:
    """Core: the task with this number is done, or could not be (`failed` is not 0); words for people."""

    CODE: ClassVar[int] = 0x09
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u8", "text")
    number: int
    failed: int
    words: str


@dataclass(frozen=True)
class Welcome:
    """Daemon: the version spoken, the pace factor, the keys as they stand, and the names this panel does not have."""

    CODE: ClassVar[int] = 0x81
    KINDS: ClassVar[tuple[str, ...]] = ("u16", "f64", "blob", "texts", "texts")
    version: int
    pace: float
    closed: bytes
    missing_lamps: tuple[str, ...]
    missing_keys: tuple[str, ...]


@dataclass(frozen=True)
class Key:
    """Daemon: a key (its index in the hello) settled at this level; `at` is when the contact was first seen so."""

    CODE: ClassVar[int] = 0x82
    KINDS: ClassVar[tuple[str, ...]] = ("u64", "u16", "u8")
    at: int
    key: int
    closed: int


@dataclass(frozen=True)
class CardRead:
    """Daemon: the card asked for, with the times it was picked and read."""

    CODE: ClassVar[int] = 0x83
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u64", "u64", "card")
    number: int
    picked_at: int
    read_at: int
    card: bytes


@dataclass(frozen=True)
class CycleEnd:
    """Daemon: the reader's cycle for this card is over."""

    CODE: ClassVar[int] = 0x84
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u64")
    number: int
    at: int


@dataclass(frozen=True)
class Punched:
    """Daemon: the card with this number is punched and safe."""

    CODE: ClassVar[int] = 0x85
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u64")
    number: int
    at: int


@dataclass(frozen=True)
class Credit:
    """Daemon: so many more characters may be sent to the typewriter."""

    CODE: ClassVar[int] = 0x86
    KINDS: ClassVar[tuple[str, ...]] = ("u16",)
    characters: int


@dataclass(frozen=True)
class Device:
    """Daemon: a device's state changed; words for people."""

    CODE: ClassVar[int] = 0x87
    KINDS: ClassVar[tuple[str, ...]] = ("text", "text", "text")
    device: str
    state: str
    words: str


@dataclass(frozen=True)
class Keyboard:
    """Daemon: ISO 646 codes from the typewriter's keyboard."""

    CODE: ClassVar[int] = 0x88
    KINDS: ClassVar[tuple[str, ...]] = ("rest",)
    codes: bytes


@dataclass(frozen=True)
class LastCard:
    """Daemon: the staff say that no card follows the one with this number."""

    CODE: ClassVar[int] = 0x89
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u64")
    number: int
    at: int


@dataclass(frozen=True)
class Cause:
    """Daemon: why what follows, a Refused, is said, as a number: one of the CAUSE_ constants, or a later one."""

    CODE: ClassVar[int] = 0x8A
    KINDS: ClassVar[tuple[str, ...]] = ("u8",)
    cause: int


@dataclass(frozen=True)
class Task:
    """Daemon: do this (`task` is one of the TASK_ constants) and answer Done within so many milliseconds.

    `words` is the name of a state that is to be saved or restored, and of power why it goes or comes.
    """

    CODE: ClassVar[int] = 0x8B
    KINDS: ClassVar[tuple[str, ...]] = ("u32", "u8", "u32", "text")
    number: int
    task: int
    within: int
    words: str


TASK_POWER_OFF, TASK_POWER_ON, TASK_SAVE, TASK_RESTORE = 1, 2, 3, 4
KNOWS_POWER, KNOWS_STATE = 1, 2
KNOWS_FOR: dict[int, int] = {
    TASK_POWER_OFF: KNOWS_POWER,
    TASK_POWER_ON: KNOWS_POWER,
    TASK_SAVE: KNOWS_STATE,
    TASK_RESTORE: KNOWS_STATE,
}
"""What a core must have said that it knows before it is given a task."""
MOST_WORDS = 255
"""Bytes of a Done's words, and of a Task's."""
_STATE_NAME = re.compile(r"[a-z0-9-]{1,32}")


def is_state_name(name: str) -> bool:
    """Return whether a state may be called so: a name that is fit for a file, whatever the core adds to it."""
    return _STATE_NAME.fullmatch(name) is not None


CAUSE_RULE, CAUSE_VERSION, CAUSE_TAKEN, CAUSE_LEAVING, CAUSE_SLOW = 1, 2, 3, 4, 5
FOR_GOOD = (CAUSE_RULE, CAUSE_VERSION)
"""Causes that stay until somebody has changed the core or the console: trying again at once is of no use."""


@dataclass(frozen=True)
class Refused:
    """Daemon: the last word before it closes the link, and why."""

    CODE: ClassVar[int] = 0xFF
    KINDS: ClassVar[tuple[str, ...]] = ("text",)
    reason: str


FromCore = Hello | Lamps | Read | Punch | Type | Have | OwnTime | Knows | Done
FromLinked = Lamps | Read | Punch | Type | Have | OwnTime | Knows | Done
"""What a core may send once it is welcomed."""
FromDaemon = (
    Welcome | Key | CardRead | CycleEnd | Punched | Credit | Device | Keyboard | LastCard | Cause | Task | Refused
)
Message = FromCore | FromDaemon
M = TypeVar("M", bound=Message)

MESSAGES: dict[int, type[Message]] = {
    kind.CODE: kind
    for kind in (
        *(Hello, Lamps, Read, Punch, Type, Have, OwnTime, Knows, Done),
        *(Welcome, Key, CardRead, CycleEnd, Punched, Credit, Device, Keyboard, LastCard, Cause, Task, Refused),
    )
}

_PAGE_NAMES: dict[type[Message], str] = {
    CardRead: "CARD",
    CycleEnd: "CYCLE END",
    OwnTime: "OWN TIME",
    LastCard: "LAST CARD",
}


def name_of(kind: type[Message]) -> str:
    """Return what core-link.md calls a type of message."""
    return _PAGE_NAMES.get(kind, kind.__name__.upper())


_NUMBERS = {"u8": struct.Struct("<B"), "u16": struct.Struct("<H"), "u32": struct.Struct("<I")}
_NUMBERS |= {"u64": struct.Struct("<Q"), "f64": struct.Struct("<d")}
_U16 = _NUMBERS["u16"]
_HEAD = struct.Struct("<IB")
_CARD = 160


def encode(message: Message) -> bytes:
    """Return a message's bytes, length included."""
    values = (getattr(message, field.name) for field in fields(message))
    body = b"".join(_put(kind, value) for kind, value in zip(message.KINDS, values, strict=True))
    return _HEAD.pack(1 + len(body), message.CODE) + body


def _put(kind: str, value: Any) -> bytes:
    if kind in _NUMBERS:
        return _NUMBERS[kind].pack(value)
    if kind == "text":
        raw = value.encode()
        return _U16.pack(len(raw)) + bytes(raw)
    if kind == "texts":
        return _U16.pack(len(value)) + b"".join(_put("text", item) for item in value)
    if kind == "blob":
        return _U16.pack(len(value)) + bytes(value)
    return bytes(value)


class _Fields:
    """Takes a message's fields off its bytes, one after another."""

    def __init__(self, name: str, body: bytes) -> None:
        self._name, self._body, self._at = name, body, 0

    def take(self, kind: str) -> Any:
        if kind in _NUMBERS:
            return _NUMBERS[kind].unpack(self._bytes(_NUMBERS[kind].size))[0]
        if kind == "text":
            raw = self._bytes(self.take("u16"))
            try:
                return raw.decode()
            except UnicodeDecodeError:
                raise LinkError(f"{self._name}: a text is not UTF-8", self._byte - len(raw)) from None
        if kind == "texts":
            return tuple(self.take("text") for _ in range(self.take("u16")))
        if kind == "blob":
            return self._bytes(self.take("u16"))
        return self._bytes(_CARD if kind == "card" else len(self._body) - self._at)

    def _bytes(self, count: int) -> bytes:
        piece = self._body[self._at : self._at + count]
        if len(piece) < count:
            raise LinkError(f"{self._name}: {count} bytes expected, {len(piece)} there", self._byte)
        self._at += count
        return piece

    @property
    def _byte(self) -> int:
        return _HEAD.size + self._at

    def end(self) -> None:
        if self._at < len(self._body):
            raise LinkError(f"{self._name}: {len(self._body) - self._at} bytes too many", self._byte)


def decode(code: int, body: bytes) -> Message | None:
    """Return the message of this type, or None for a type this version does not know, which is to be skipped.

    Raises LinkError where the bytes do not fit the type's fields.
    """
    kind = MESSAGES.get(code)
    if kind is None:
        return None
    taker = _Fields(name_of(kind), body)
    values = [taker.take(field) for field in kind.KINDS]
    taker.end()
    return kind(*values)


class Decoder:
    """Cuts a byte stream into messages, whatever pieces it comes in."""

    def __init__(self) -> None:
        self._pending = bytearray()

    def feed(self, data: bytes) -> Iterator[Message]:
        """Yield the messages that `data` completes; raises LinkError when the stream can't be trusted any more."""
        self._pending += data
        while len(self._pending) >= _HEAD.size:
            length, code = _HEAD.unpack_from(self._pending)
            if not 1 <= length <= LONGEST:
                raise LinkError(
                    f"a length of {length} bytes where 1 to {LONGEST} are allowed: this is not the core link", 0
                )
            if len(self._pending) < 4 + length:
                return
            body = bytes(self._pending[_HEAD.size : 4 + length])
            del self._pending[: 4 + length]
            message = decode(code, body)
            if message is not None:
                yield message
