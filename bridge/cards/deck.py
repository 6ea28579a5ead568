"""Cards, and the text form of a deck.

A deck is UTF-8, one line a card, split on LF only. A printing ISO 646 character (space to tilde) stands for the holes
the card code gives it; any other pattern of holes is the private-use character U+E000 + holes. Blank columns at the end
of a card are not written, so every card is a line of up to 80 characters and an empty line is a blank card.
"""

import struct
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NewType

import numpy as np
import numpy.typing as npt

from bridge.cards.code import BLANK, HOLES
from bridge.errors import ConsoleError

COLUMNS = 80
Card = NewType("Card", bytes)
"""80 columns of twelve bits, column 1 first, as 160 bytes: 16 bits a column, little-endian, the top four zero."""

_IMAGE = struct.Struct(f"<{COLUMNS}H")
BLANK_CARD = Card(bytes(_IMAGE.size))

FINDINGS = 20
"""How many findings about one deck are listed."""

_PRIVATE = 0xE000
_FULL = 0xFFF
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_LF = 10
# Decks are worked on in pieces, so that no single call into NumPy holds the interpreter for more than a millisecond.
_PIECE_BYTES = 1 << 15
_PIECE_CARDS = 512

_Units = npt.NDArray[np.uint16]
_UNIT = np.dtype("<u2")
_REFUSED = 0xFFFF
_PRINTING = range(0x20, 0x7F)


def _tables() -> tuple[_Units, _Units]:
    masks = np.full(1 << 16, _REFUSED, _UNIT)
    masks[_PRIVATE : _PRIVATE + _FULL + 1] = range(_FULL + 1)
    characters = np.arange(_PRIVATE, _PRIVATE + _FULL + 1).astype(_UNIT)
    for code in _PRINTING:
        masks[code] = HOLES[code]
        characters[HOLES[code]] = code
    return masks, characters


_MASKS, _CHARACTERS = _tables()
"""Holes by UTF-16 unit, and back."""


@dataclass(frozen=True)
class Finding:
    """One thing wrong with a deck: line and column count from 1."""

    line: int
    column: int
    what: str


class DeckError(ConsoleError):
    """A deck that cannot be read: `findings` in the order of the file, at most FINDINGS of them."""

    def __init__(self, name: str, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        lines = [f"{shown(name)}, line {f.line}, column {f.column}: {f.what}" for f in self.findings]
        if len(lines) == FINDINGS:
            lines.append(f"There may be more: only the first {FINDINGS} are listed.")
        super().__init__("\n".join(lines))


def shown(name: str, longest: int = 60) -> str:
    """Return a file's name fit for a message: nothing in it but printing characters, and not too many of them."""
    plain = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in name)
    return plain if len(plain) <= longest else plain[: longest - 1] + "…"


def card_of(columns: Sequence[int]) -> Card:
    """Return the card with these columns' holes (0 to 4095 each), the rest of its 80 columns blank.

    Raises ValueError for more columns, or for a value that is not twelve holes.
    """
    if len(columns) > COLUMNS or any(not 0 <= holes <= _FULL for holes in columns):
        raise ValueError(f"a card has {COLUMNS} columns of 0 to {_FULL}")
    return Card(_IMAGE.pack(*columns, *[BLANK] * (COLUMNS - len(columns))))


def columns_of(card: Card) -> tuple[int, ...]:
    """Return the holes of the card's 80 columns."""
    return _IMAGE.unpack(card)


def from_image(data: bytes) -> Card:
    """Return the card in `data`, which came from outside; raises ValueError unless it is 80 columns of twelve bits."""
    if len(data) != _IMAGE.size:
        raise ValueError(f"a card image is {_IMAGE.size} bytes, not {len(data)}")
    if any(data[i] & 0xF0 for i in range(1, len(data), 2)):
        raise ValueError("a card image has holes above row 12: the top four bits of a column must be zero")
    return Card(bytes(data))


def parse(data: bytes, name: str) -> list[Card]:
    """Return the cards of a deck file's content; `name` is what messages call it.

    CR LF ends a line too; a byte order mark, and a missing LF at the end, are accepted. Raises DeckError with every
    line that is too long, every character that cannot be punched and every line that is not UTF-8.
    """
    data = data.removeprefix(_BYTE_ORDER_MARK)
    if data and not data.endswith(b"\n"):
        data += b"\n"
    cards: list[Card] = []
    findings: list[Finding] = []
    line = 1
    for piece in _pieces(data):
        punched = _punch(piece)
        if punched is None:
            findings += _findings(piece, line)
        elif not findings:
            cards += punched
        if len(findings) >= FINDINGS:
            break
        line += piece.count(b"\n")
    if findings:
        raise DeckError(name, findings[:FINDINGS])
    return cards


def print_deck(cards: Sequence[Card]) -> str:
    """Return the deck's text, every line ended by LF; `parse` of it gives the same cards."""
    return "".join(_print(cards[n : n + _PIECE_CARDS]) for n in range(0, len(cards), _PIECE_CARDS))


def _pieces(data: bytes) -> Iterator[bytes]:
    """Cut after line ends, about every _PIECE_BYTES; `data` ends with one."""
    start = 0
    while start < len(data):
        end = data.find(b"\n", min(start + _PIECE_BYTES, len(data)) - 1) + 1
        yield data[start:end]
        start = end


def _punch(piece: bytes) -> list[Card] | None:
    """Return the cards of whole lines, or None if anything in them is wrong."""
    try:
        text = piece.decode()
    except UnicodeDecodeError:
        return None
    units = np.frombuffer(text.replace("\r\n", "\n").encode("utf-16-le"), _UNIT)
    ends = units == _LF
    lengths = np.diff(np.flatnonzero(ends), prepend=-1) - 1
    masks = _MASKS[units[~ends]]
    if lengths.max() > COLUMNS or _REFUSED in masks:
        return None
    columns = np.zeros((len(lengths), COLUMNS), _UNIT)
    columns[np.arange(COLUMNS) < lengths[:, None]] = masks
    images = columns.tobytes()
    return [Card(images[at : at + _IMAGE.size]) for at in range(0, len(images), _IMAGE.size)]


def _findings(piece: bytes, first_line: int) -> Iterable[Finding]:
    for line, data in enumerate(piece.removesuffix(b"\n").split(b"\n"), first_line):
        try:
            text = data.removesuffix(b"\r").decode()
        except UnicodeDecodeError as error:
            column = len(data[: error.start].decode()) + 1
            yield Finding(line, column, f"byte {data[error.start]:02X} is not UTF-8: save the deck as UTF-8 text")
            continue
        for column, character in enumerate(text[:COLUMNS], 1):
            if _MASKS[min(ord(character), _REFUSED)] == _REFUSED:
                yield Finding(line, column, _unpunchable(character))
        if (over := len(text) - COLUMNS) > 0:
            what = f"the line has {len(text)} columns and a card {COLUMNS}: shorten it by {over}"
            yield Finding(line, COLUMNS + 1, what)


def _unpunchable(character: str) -> str:
    code = ord(character)
    if code < len(HOLES):
        # Unicode names controls only by their pictures.
        picture = unicodedata.name(chr(0x2421 if code == 0x7F else 0x2400 + code)).removeprefix("SYMBOL FOR ")
        return f"{picture} (U+{code:04X}) does not print: for its holes write U+{_PRIVATE + HOLES[code]:04X}"
    sign = f"{character} " if character.isprintable() else ""
    name = unicodedata.name(character, "unnamed")
    return f"{sign}(U+{code:04X} {name}) cannot be punched: use space to ~, or U+E000 + holes"


def _print(cards: Sequence[Card]) -> str:
    columns = np.frombuffer(b"".join(cards), _UNIT).reshape(-1, COLUMNS)
    punched = columns != BLANK
    lengths = np.where(punched.any(axis=1), COLUMNS - punched[:, ::-1].argmax(axis=1), 0)
    units = np.empty((len(columns), COLUMNS + 1), _UNIT)
    units[:, :COLUMNS] = _CHARACTERS[columns]
    units[np.arange(len(columns)), lengths] = _LF
    return units[np.arange(COLUMNS + 1) <= lengths[:, None]].tobytes().decode("utf-16-le")
