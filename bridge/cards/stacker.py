"""The punch's stacker: a folder that stands for the stick in its port, and the deck file that grows there."""

import errno
import os
import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from bridge.cards import folder
from bridge.cards.code import X3_26, CardCode
from bridge.cards.deck import COLUMNS, DeckError, parse
from bridge.cards.folder import ChangedError, Elsewhere, Room
from bridge.cards.ledger import Deck, line
from bridge.cards.spool import Spool, Written

if TYPE_CHECKING:
    from bridge.cards.slot import Slot  # it waits, which a process that only does the calls does not

LONGEST_LINE = 3 * COLUMNS + 1
"""The most bytes a card takes on a stick."""

_NAME = re.compile(r"punched-([0-9]{1,6})\.deck", re.IGNORECASE)


class Suspect(NamedTuple):
    """A deck that may be on a stick, and the card's line that may stand at its end, whole or torn; b"" for none.

    `owed`: the card still has to go there, so whatever stands in its place is what became of writing it. `code` is the
    card code of the deck.
    """

    deck: Deck
    line: bytes
    owed: bool = False
    code: CardCode = X3_26


class Sighting(NamedTuple):
    """What is on a stick: the size of each suspect's file, None where it is not that deck, and the highest number."""

    sizes: tuple[int | None, ...]
    highest: int


def examine(path: Path, suspects: Sequence[Suspect]) -> Sighting:
    """Return which of these decks are on the stick, as they were left but for the end. Raises OSError."""
    names = folder.names(path)
    sizes = tuple(_size(path, suspect) if _name(suspect.deck) in names else None for suspect in suspects)
    numbers = (int(found[1]) for name in names if (found := _NAME.fullmatch(name)))
    return Sighting(sizes, max(numbers, default=0))


class Look(NamedTuple):
    """What a look at the stick tells: the room on it, or None and in `words` why not; `came`: it was put in since."""

    room: Room | None
    words: str = ""
    came: bool = False


class Stacker:
    """Adds the card that `spool` owes to a deck file on the stick in `slot`; file-system calls are made `elsewhere`.

    It goes on in its file as long as it finds it as it left it, and begins one with a number it never used otherwise:
    on another stick, or after somebody changed the file. Nothing that was on a stick is ever overwritten, and no other
    file touched. A stick on which the last card may be torn, or may be one that is safe elsewhere by now, is mended
    when it comes back.
    """

    def __init__(self, slot: "Slot", elsewhere: Elsewhere, spool: Spool) -> None:
        self.slot = slot
        self.written = Written()
        self._elsewhere = elsewhere
        self._spool = spool
        self._there: tuple[int, int, int] | None = None
        self._came = False
        self._sure = False
        # Of what the last daemon did with a card that is still owed, nothing is known.
        self._doubtful = spool.ledger.owed is not None

    async def look(self) -> Look:
        """Look at the stick, and mend what is on it if it has come in. Never raises."""
        stick = self.slot.stick
        if stick.folder is None:
            self._there = None
            return Look(None, stick.words)
        try:
            room = await self._elsewhere(folder.look, stick.folder)
            there = stick.insertion, room.device, room.inode
            if there != self._there:
                self._there, self._sure, self._came = there, False, True
            if self._came:
                await self._mend_strays(stick.folder)
        except OSError as error:
            if isinstance(error, FileNotFoundError | NotADirectoryError):
                self._there = None  # nobody watches a plain folder
            return Look(None, folder.trouble(error, stick.folder))
        came, self._came = self._came, False
        if room.free < LONGEST_LINE:
            return Look(None, folder.trouble(OSError(errno.ENOSPC, ""), stick.folder), came)
        return Look(room, came=came)

    async def add(self) -> None:
        """Add the owed card for good: on return it has been synced. Raises OSError or SpoolError; then try again."""
        try:
            await self._add()
        except (FileNotFoundError, ChangedError):
            await self._add()

    def words(self, error: OSError) -> str:
        """Return what an error of `add` means to the people in front of the stick."""
        stick = self.slot.stick
        return folder.trouble(error, stick.folder) if stick.folder is not None else stick.words

    async def _add(self) -> None:
        ledger = self._spool.ledger
        assert ledger.owed is not None  # noqa: S101 -- there is nothing to add
        path = self.slot.stick.folder
        if path is None:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        text = line(ledger.owed.card, ledger.code)
        sure, self._sure = self._sure, False
        found = ledger.deck.size if sure and ledger.deck else await self._find(path, text)
        doubtful, self._doubtful = self._doubtful, True
        deck = ledger.deck
        assert deck is not None  # noqa: S101 -- found or begun
        try:
            if found is None:
                syncs = await self._elsewhere(folder.make, path, _name(deck), text)
            else:
                syncs = await self._elsewhere(folder.extend, path, _name(deck), deck.size, text, found)
        except (FileExistsError, FileNotFoundError, ChangedError):
            self._doubtful = doubtful  # nothing was written
            raise
        self.written = self.written.plus(syncs, len(text))
        self._spool.settle()
        self._sure, self._doubtful = True, False

    async def _find(self, path: Path, text: bytes) -> int | None:
        """Have the owed card go to the deck that is on the stick, and return its file's size; None for a new deck."""
        ledger = self._spool.ledger
        suspects = [Suspect(deck, text, owed=True) for deck in ledger.tried]
        if ledger.deck is not None:
            suspects.append(Suspect(ledger.deck, text if self._doubtful else b"", owed=True))
        sighting = await self._elsewhere(examine, path, suspects)
        for suspect, size in zip(suspects, sighting.sizes, strict=True):
            if size is not None:
                if suspect.deck != ledger.deck:
                    await self._spool.goes_to(suspect.deck)
                return size
        # Not the one of the last try, though nothing came of it: this may be another stick by now.
        await self._spool.goes_to(Deck(max(ledger.number, sighting.highest) + 1))
        return None

    async def _mend_strays(self, path: Path) -> None:
        """Take from the end of decks on the stick what became safe elsewhere while they were away."""
        ledger = self._spool.ledger
        suspects = [Suspect(stray.deck, line(stray.card, ledger.code), code=ledger.code) for stray in ledger.strays]
        if not suspects:
            return
        sighting = await self._elsewhere(examine, path, suspects)
        for (deck, *_), size in zip(suspects, sighting.sizes, strict=True):
            if size is not None and size > deck.size:
                syncs = await self._elsewhere(folder.extend, path, _name(deck), deck.size, b"", size)
                self.written = self.written.plus(syncs, 0)


def _name(deck: Deck) -> str:
    return f"punched-{deck.number}.deck"


def _size(path: Path, suspect: Suspect) -> int | None:
    deck = suspect.deck
    try:
        data = folder.read(path, _name(deck), deck.size + _FAR)
    except OSError:
        return None
    if len(data) < deck.size or zlib.crc32(data[: deck.size]) != deck.crc:
        return None
    end = data[deck.size :]
    return len(data) if not end or (suspect.line and _torn(end, suspect)) else None


_FAR = 1 << 16
"""How far beyond a deck's end NULs are taken for what a power cut left."""


def _torn(end: bytes, suspect: Suspect) -> bool:
    """Tell whether the end of a file is what can become of the writing of one line.

    That may be anything of its length or less: on FAT a block that did not reach the stick reads as what its cluster
    held before. Of a card that is safe elsewhere, only what nobody would have written by hand is taken for that.
    """
    if len(end) == _FAR or len(end.rstrip(b"\0")) > len(suspect.line):
        return False
    by_hand = end.endswith(b"\n") and _is_text(end, suspect.code) and not _mostly(end, suspect.line)
    return suspect.owed or not by_hand


def _mostly(end: bytes, line: bytes) -> bool:
    """Tell whether most of a line is there, each byte in its place: the rest may be text by chance."""
    return len(end) == len(line) and 2 * sum(a == b for a, b in zip(end, line, strict=True)) > len(line)


def _is_text(data: bytes, code: CardCode) -> bool:
    try:
        parse(data, "", code)
    except DeckError:
        return False
    return True
