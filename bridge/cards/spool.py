"""The punch's spool: an append-only file, beside the console's other state, of every card before a stick gets it.

A file begins with a head (what it is, VERSION, its own number) and the whole ledger as it then was; every record after
that changes the ledger. Records are framed by a mark, a kind, a length and a CRC-32, which also covers the file's
number and the record's place, so that what an older file left on the disk is never taken for a record of this one.
Records: STATE (the ledger, JSON), CARD (run u64, number u32, card 160 bytes), DECK (number, size, CRC, u32 each: where
the owed card and those after it go) and SAFE (the owed card is on its stick, which the next CARD says too).

A file that has grown to LONGEST is followed by a new one, and removed once that is safe. No file is ever replaced: on
FAT a power cut between the renaming and the sync can cost both the old file and the new.
"""

import contextlib
import enum
import itertools
import json
import re
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from bridge.cards import folder
from bridge.cards.code import X3_26, CardCode
from bridge.cards.deck import BLANK_CARD, Card
from bridge.cards.folder import ChangedError, Elsewhere
from bridge.cards.ledger import Deck, Ledger, Taken

VERSION = 1
LONGEST = 1 << 18
"""After how many bytes a new file is begun; some 1,400 cards."""

_MAGIC = b"consolewright cards\n"
_HEAD = struct.Struct("<20sHI")
_FRAME = struct.Struct("<BBH")
_PLACE = struct.Struct("<IQ")
_CRC = struct.Struct("<I")
_CARD = struct.Struct(f"<QI{len(BLANK_CARD)}s")
_DECK = struct.Struct("<III")
_MARK = 0xC5
_LONGEST_RECORD = _FRAME.size + _CARD.size + _CRC.size
_NAME = re.compile(r"cards-([0-9]{1,9})\.spool")
_TWICE = "a card that was on its way may be punched again if it is sent again"
_MOST = 4 * LONGEST
"""No file of ours is longer: the first record is bounded as the ledger is, and the rest by LONGEST."""


class _Kind(enum.IntEnum):
    STATE = 1
    CARD = 2
    DECK = 3
    SAFE = 4


class SpoolError(Exception):
    """The spool cannot be written; `str()` says why, and what to do."""

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(f"the console's own storage does not keep cards ({error.strerror}): see to {path}")


class Loaded(NamedTuple):
    """What a spool folder held: the ledger, the file to go on in (number 0 for none) and its length.

    `words` say what was set aside, one line for each file; `next_number` is free for the next file.
    """

    ledger: Ledger
    number: int
    size: int
    next_number: int
    words: tuple[str, ...] = ()


class Written(NamedTuple):
    """How often a file system was asked to sync, and how many bytes were written for it."""

    syncs: int = 0
    bytes: int = 0

    def plus(self, syncs: int, size: int) -> "Written":
        """Return the sum with so many syncs and bytes more."""
        return Written(self.syncs + syncs, self.bytes + size)


class Spool:
    """The spool in `path`, as `load` found it; file-system calls are made `elsewhere`.

    `ledger` is what is known. What writes returns when the disk has it, or raises SpoolError and has changed nothing.
    """

    def __init__(self, path: Path, elsewhere: Elsewhere, loaded: Loaded) -> None:
        self.path = path
        self.ledger = loaded.ledger
        self.written = Written()
        self._elsewhere = elsewhere
        self._number, self._size, self._next_number = loaded.number, loaded.size, loaded.next_number
        self.unnoted = False
        """Whether the last card is safe and the disk does not know it."""

    async def take(self, card: Taken) -> None:
        """Keep a card; the one before it must be safe."""
        await self._append(_Kind.CARD, _CARD.pack(*card))
        self.ledger.take(card)

    async def goes_to(self, deck: Deck) -> None:
        """Keep where the owed card, and those after it, go."""
        await self._append(_Kind.DECK, _DECK.pack(*deck))
        self.ledger.goes_to(deck)

    def settle(self) -> None:
        """Note that the owed card is safe; the disk learns of it with the next card, or by `note`."""
        self.ledger.settle()
        self.unnoted = True

    async def note(self) -> None:
        """Keep that the last card is safe."""
        await self._append(_Kind.SAFE, b"")

    async def _append(self, kind: int, payload: bytes) -> None:
        try:
            if self._number == 0 or self._size > LONGEST:
                await self._begin()
            data = _record(self._number, self._size, kind, payload)
            syncs = await self._elsewhere(folder.extend, self.path, _name(self._number), self._size, data, None)
        except OSError as error:
            if isinstance(error, FileNotFoundError | ChangedError):
                self._number = 0  # somebody took it away: all that was in it is in the ledger
            raise SpoolError(self.path, error) from error
        self._size += len(data)
        self.written = self.written.plus(syncs, len(data))
        self.unnoted = False

    async def _begin(self) -> None:
        """Begin the next file; the last one goes when the new one is safe, at the latest when the spool is loaded."""
        old, number = self._number, self._next_number
        data = _beginning(number, self.ledger)
        self._next_number += 1
        syncs = await self._elsewhere(folder.make, self.path, _name(number), data)
        self._number, self._size = number, len(data)
        self.written = self.written.plus(syncs, len(data))
        if old:
            with contextlib.suppress(OSError):
                await self._elsewhere(folder.remove, self.path, _name(old))


class _Reading(NamedTuple):
    """What is in one file: `end` is where its records end; `wrong` says in words why it must be set aside, or ""."""

    records: list[tuple[int, bytes]]
    end: int
    wrong: str = ""


def load(path: Path, code: CardCode = X3_26) -> Loaded:
    """Return what the spool in a folder holds, mended, for decks in this card code; never raises OSError.

    What a power cut left unfinished is dropped: no card in it was acknowledged. A file of another version, or damaged
    in a way that no power cut explains, is set aside under another name as soon as what can be read of it is safe.
    """
    names = _names(path)
    ledger, number, size, wrong = _replay(path, names, code)
    next_number = max(names, default=0) + 1
    try:
        if wrong:
            number, next_number = next_number, next_number + 1
            data = _beginning(number, ledger)
            folder.make(path, _name(number), data)
            size = len(data)
        elif number:
            # A daemon that was killed may have left what only the cache has; what is acted upon must be on the disk.
            folder.sync(path, _name(number))
    except OSError as error:
        # Nothing is removed; the next card begins a new file, with all of it.
        words = [f"{words}. It could not be set aside ({error.strerror})." for words in wrong.values()]
        return Loaded(ledger, 0, 0, next_number, tuple(words))
    for old in names - {number}:
        if _name(old) not in wrong:
            with contextlib.suppress(OSError):
                folder.remove(path, _name(old))
    words = [f"{words}. It was kept as {_set_aside(path, name)}." for name, words in wrong.items()]
    return Loaded(ledger, number, size, next_number, tuple(words))


def read(path: Path, code: CardCode = X3_26) -> Ledger:
    """Return what the spool in a folder remembers, without changing anything; never raises OSError."""
    return _replay(path, _names(path), code)[0]


def _replay(path: Path, names: set[int], code: CardCode) -> tuple[Ledger, int, int, dict[str, str]]:
    """Return the ledger, the file to go on in and its length, and by name what is wrong with files."""
    ledger, number, size, wrong = Ledger(code), 0, 0, dict[str, str]()
    for found in sorted(names):
        reading = _read(path, found)
        for kind, payload in reading.records:
            ledger = _applied(ledger, kind, payload)
        if reading.wrong:
            wrong[_name(found)] = reading.wrong
        if reading.records:
            number, size = (0, 0) if reading.wrong else (found, reading.end)
    return ledger, number, size, wrong


def _names(path: Path) -> set[int]:
    try:
        return {int(found[1]) for name in folder.names(path) if (found := _NAME.fullmatch(name))}
    except OSError:
        return set()


def _name(number: int) -> str:
    return f"cards-{number}.spool"


def _read(path: Path, number: int) -> _Reading:
    file = path / _name(number)
    try:
        data = folder.read(path, file.name, _MOST + 1)
    except OSError as error:
        return _Reading([], 0, f"{file}: the record of punched cards cannot be read ({error.strerror}); {_TWICE}")
    head = _HEAD.pack(_MAGIC, VERSION, number)
    if data.startswith(_MAGIC) and len(data) >= _HEAD.size and not data.startswith(head):
        version = _HEAD.unpack_from(data)[1]
        if version != VERSION:
            words = f"{file}: this record of punched cards has version {version}, and only {VERSION} can be read here"
            return _Reading([], 0, f"{words}; {_TWICE}")
    records = [*_records(data, number)]
    end = _HEAD.size
    for at, _, payload in records:
        if at == end:
            end = at + _FRAME.size + len(payload) + _CRC.size
    found = [(kind, payload) for _, kind, payload in records]
    if not records and _unfinished(data):
        return _Reading([], 0)
    whole = data.startswith(head) and bool(records) and records[-1][0] < end and records[0][1] == _Kind.STATE
    if not whole or len(data[end:].rstrip(b"\0")) > _LONGEST_RECORD:
        words = f"{file}: the record of punched cards is damaged at byte {end}; what could be read of it is used"
        return _Reading(found, end, words)
    return _Reading(found, end)


def _unfinished(data: bytes) -> bool:
    """Tell whether a power cut while the file was made explains that it holds nothing."""
    written = data.rstrip(b"\0")
    if not _MAGIC.startswith(written[: len(_MAGIC)]):
        return False
    if len(written) < _HEAD.size + _FRAME.size:
        return True
    length: int = _FRAME.unpack_from(data, _HEAD.size)[2]
    return len(written) < _HEAD.size + _FRAME.size + length + _CRC.size


def _records(data: bytes, number: int) -> Iterator[tuple[int, int, bytes]]:
    """Yield place, kind and payload of every record that is whole, also beyond others that are not."""
    at = _HEAD.size
    while 0 <= at <= len(data) - _FRAME.size - _CRC.size:
        mark, kind, length = _FRAME.unpack_from(data, at)
        end = at + _FRAME.size + length + _CRC.size
        if mark == _MARK and end <= len(data):
            payload = data[at + _FRAME.size : end - _CRC.size]
            if data[at:end] == _record(number, at, kind, payload):
                yield at, kind, payload
                at = end
                continue
        at = data.find(_MARK, at + 1)


def _applied(ledger: Ledger, kind: int, payload: bytes) -> Ledger:
    match kind:
        case _Kind.STATE:
            return Ledger.from_plain(json.loads(payload), ledger.code)
        case _Kind.CARD:
            run, card_number, image = _CARD.unpack(payload)
            ledger.take(Taken(run, card_number, Card(image)))
        case _Kind.DECK:
            ledger.goes_to(Deck(*_DECK.unpack(payload)))
        case _:
            ledger.settle()
    return ledger


def _beginning(number: int, ledger: Ledger) -> bytes:
    state = json.dumps(ledger.as_plain(), separators=(",", ":")).encode()
    return _HEAD.pack(_MAGIC, VERSION, number) + _record(number, _HEAD.size, _Kind.STATE, state)


def _record(number: int, at: int, kind: int, payload: bytes) -> bytes:
    framed = _FRAME.pack(_MARK, kind, len(payload)) + payload
    return framed + _CRC.pack(zlib.crc32(framed, zlib.crc32(_PLACE.pack(number, at))))


def _set_aside(path: Path, name: str) -> str:
    """Give a file a name that is not read; return it, or its own if that was not possible."""
    try:
        taken = set(folder.names(path))
        other = next(other for n in itertools.count(1) if (other := f"{name}.aside-{n}") not in taken)
        folder.rename(path, name, other)
    except OSError:
        return name
    return other
