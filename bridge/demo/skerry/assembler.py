"""The Skerry's assembler: `python -m bridge.demo.skerry.assembler SOURCE OUT`.

A source is a deck itself: lines of at most 80 printing ISO 646 characters. A line is

    LABEL  ORDER  ADDRESS  * comment

with blanks between the fields. A label begins in column 1: a letter, then letters and digits, eight at most; a line
without one begins with a blank. A comment begins with * at the start of a line or after a blank.

An address is a sum of labels, whole numbers and characters ("A" is 65): TABLE, TABLE+2, "Z"-"A". A last +X asks for the
index register: TABLE+X; X alone is 0+X. Instead of an order there may be

    AT n            the next word goes to address n
    ROOM n          keep n words free
    LABEL IS n      LABEL is another word for n
    WORD n          a whole number
    FRACTION d      a decimal fraction, -1 to just under 1, as 2^23 parts of it
    TEXT items      letters, three a word, from the top, then a word of zero; items are "letters" or numbers of
                    characters, separated by commas
    START n         the program begins at n
    NAME letters    up to four letters for columns 73 to 76 of the deck
    BINARY          (before all words) make the loader's own form of deck

The n after AT, ROOM and IS must be known from the lines above. ORDERS.md describes the decks.
"""

import argparse
import re
import sys
from collections.abc import Callable, Collection
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction
from operator import itemgetter
from pathlib import Path

from bridge.cards.deck import COLUMNS, Card, print_deck, shown
from bridge.demo.skerry.forms import PROGRAM_END, Store, binary_form, letter_form
from bridge.demo.skerry.orders import ORDERS, word
from bridge.demo.skerry.processor import STORE
from bridge.errors import ConsoleError

_FIELDS = re.compile(r"(?P<label>\S*)(?:\s+(?P<operation>\S+)(?:\s+(?P<operand>.*\S))?)?\s*")
_LABEL = re.compile(r"[A-Z][A-Z0-9]{0,7}")
_TERM = re.compile(r"""\s*(?P<sign>[+-]?)\s*(?:"(?P<character>.)"|(?P<number>\d+)|(?P<label>[A-Z][A-Z0-9]*))\s*""")
_ITEM = re.compile(r"""\s*(?:"(?P<letters>[^"]+)"|(?P<code>[^",]+))\s*(?:,|$)""")
_DECIMAL = re.compile(r"-?\d*\.?\d+")
_INDEX = "X"
_DIRECTIVES = ("AT", "ROOM", "IS", "WORD", "FRACTION", "TEXT", "START", "NAME", "BINARY")
_ALONE = "BINARY", *(order.name for order in ORDERS.values() if not order.addressed)
_LETTERS_A_WORD = 3
_HIGHEST = (1 << 24) - 1
_LOWEST = -(1 << 23)


class AssemblyError(ConsoleError):
    """A source that cannot be assembled: a line for everything wrong in it, in the order of the source."""


class _WrongError(Exception):
    """What is wrong with a line, in words."""


@dataclass(frozen=True)
class _Line:
    number: int
    label: str
    operation: str
    operand: str


def assemble(source: str, name: str) -> list[Card]:
    """Return the deck that `source` asks for; `name` is what messages call it. Raises AssemblyError."""
    return _Assembly(name).deck(source)


class _Assembly:
    """One run: first every line gets its address and every label its value, then the words are made."""

    def __init__(self, name: str) -> None:
        self._file = shown(name)
        self._findings: list[tuple[int, str]] = []
        self._labels: dict[str, int] = {}
        self._label_wanted = "a label above this line"
        self._label_lines: dict[str, int] = {}
        self._here = 0
        self._placed: list[tuple[_Line, int]] = []
        self._store: Store = {}
        self._word_lines: dict[int, int] = {}
        self._start: int | None = None
        self._name = ""
        self._binary = False

    def deck(self, source: str) -> list[Card]:
        lines = source.removesuffix("\n").split("\n")
        for number, text in enumerate(lines, 1):
            self._guarded(number, _check, text)
            self._guarded(number, self._place, _parse(number, text))
        self._label_wanted = "a label"
        for line, address in self._placed:
            self._guarded(line.number, self._translate, line, address)
        if not self._binary and self._start is None:
            self._findings.append((len(lines), "no START so far: say where the program begins"))
        if self._findings:
            found = (f"{self._file}, line {line}: {what}" for line, what in sorted(self._findings, key=itemgetter(0)))
            raise AssemblyError("\n".join(found))
        return binary_form(self._store) if self._binary else letter_form(self._store, self._start or 0, self._name)

    def _guarded(self, number: int, step: Callable[..., None], *arguments: object) -> None:
        try:
            step(*arguments)
        except _WrongError as wrong:
            self._findings.append((number, str(wrong)))

    # First: where everything goes

    def _place(self, line: _Line) -> None:
        if line.operation == "IS":
            if not line.label:
                raise _WrongError("IS needs the label that it gives a value")
            self._define(line, self._number(line))
            return
        if line.operation == "AT":
            self._here = self._number(line, STORE - 1)
        if line.label:
            self._define(line, self._here)
        if line.operation == "ROOM":
            self._here += self._number(line, STORE)
        elif line.operation not in {"", "AT"}:
            here = self._here
            self._here += _size(line)
            self._placed.append((line, here))

    def _define(self, line: _Line, value: int) -> None:
        label = line.label
        if not _LABEL.fullmatch(label) or label == _INDEX:
            what = f"{label} cannot be a label: use a letter, then letters and digits, eight at most, and not X alone"
            raise _WrongError(what)
        if label in self._labels:
            raise _WrongError(f"{label} is a label already, in line {self._label_lines[label]}: choose another")
        self._labels[label] = value
        self._label_lines[label] = line.number

    # Then: the words

    def _translate(self, line: _Line, address: int) -> None:
        for place, value in enumerate(self._words(line), address):
            if place >= STORE:
                raise _WrongError(f"the store ends at address {STORE - 1}, and this is for {place}")
            if place >= PROGRAM_END and not self._binary:
                raise _WrongError(f"address {place} is the loader's: a program ends at {PROGRAM_END - 1}")
            if place in self._store:
                raise _WrongError(f"address {place} is taken already, by line {self._word_lines[place]}")
            self._store[place] = value & _HIGHEST
            self._word_lines[place] = line.number

    def _words(self, line: _Line) -> list[int]:
        operation, operand = line.operation, line.operand
        if operation in _ALONE and operand:
            raise _WrongError(f"{operation} takes no address: remove {operand}, or put * before a comment")
        match operation:
            case "WORD":
                return [self._number(line, _HIGHEST, _LOWEST)]
            case "FRACTION":
                return [_fraction(operand)]
            case "TEXT":
                return self._text(operand)
            case "START":
                self._start = self._number(line, STORE - 1)
            case "NAME":
                if not 0 < len(operand) <= 4:
                    raise _WrongError("NAME takes one to four characters")
                self._name = operand
            case "BINARY":
                self._binary = True
            case _:
                return [self._order(line)]
        return []

    def _order(self, line: _Line) -> int:
        order = ORDERS.get(line.operation)
        if order is None:
            raise _WrongError(_unknown(line.operation, "an order or a directive", [*ORDERS, *_DIRECTIVES]))
        if not order.addressed:
            return word(order)
        address, indexed = self._expression(line)
        return word(order, _within(address, 0, STORE - 1), indexed)

    def _text(self, operand: str) -> list[int]:
        codes: list[int] = []
        for letters, code in _items(operand):
            codes += map(ord, letters) if letters else [_within(self._sum(code)[0], 1, 127)]
        codes += [0] * (-len(codes) % _LETTERS_A_WORD)
        return [*(c[0] << 16 | c[1] << 8 | c[2] for c in zip(codes[::3], codes[1::3], codes[2::3], strict=True)), 0]

    # Addresses

    def _number(self, line: _Line, highest: int = _HIGHEST, lowest: int = 0) -> int:
        value, indexed = self._expression(line)
        if indexed:
            raise _WrongError(f"{line.operation} takes no index")
        return _within(value, lowest, highest)

    def _expression(self, line: _Line) -> tuple[int, bool]:
        if not line.operand:
            raise _WrongError(f"{line.operation} needs an address or a number after it")
        return self._sum(line.operand)

    def _sum(self, text: str) -> tuple[int, bool]:
        """Return the value of an address, and whether it asks for the index."""
        value = position = 0
        indexed = False
        while position < len(text):
            term = _TERM.match(text, position)
            if indexed or term is None or (position and not term["sign"]):
                raise _WrongError(
                    f"{text} is not an address: write a sum like TABLE+2, +X at its end; * before a comment"
                )
            if term["label"] == _INDEX and term["sign"] != "-":
                indexed = True
            else:
                value += -self._term(term) if term["sign"] == "-" else self._term(term)
            position = term.end()
        return value, indexed

    def _term(self, term: re.Match[str]) -> int:
        if term["number"]:
            return int(term["number"])
        if term["character"]:
            return ord(term["character"])
        label = term["label"]
        if label not in self._labels:
            raise _WrongError(_unknown(label, self._label_wanted, self._labels))
        return self._labels[label]


def _check(text: str) -> None:
    if len(text) > COLUMNS:
        raise _WrongError(f"the line has {len(text)} columns and a card {COLUMNS}: shorten it by {len(text) - COLUMNS}")
    for column, character in enumerate(text, 1):
        if not " " <= character <= "~":
            raise _WrongError(f"column {column}: {character!a} cannot be punched: use space to ~")


def _parse(number: int, text: str) -> _Line:
    fields = _FIELDS.fullmatch(_without_comment(text))
    return _Line(number, *(field or "" for field in fields.groups())) if fields else _Line(number, "", "", "")


def _without_comment(text: str) -> str:
    quoted = False
    for n, character in enumerate(text):
        if character == '"':
            quoted = not quoted
        elif character == "*" and not quoted and text[n - 1 : n] in {"", " "}:
            return text[:n]
    return text


def _size(line: _Line) -> int:
    """Return how many words a line makes."""
    if line.operation in {"START", "NAME", "BINARY"}:
        return 0
    if line.operation != "TEXT":
        return 1
    return -(-sum(len(letters) or 1 for letters, _ in _items(line.operand)) // _LETTERS_A_WORD) + 1


def _items(operand: str) -> list[tuple[str, str]]:
    """Return what TEXT is given: pairs of which one is empty, letters or the number of a character."""
    items: list[tuple[str, str]] = []
    position = 0
    while position < len(operand) or not items:
        item = _ITEM.match(operand, position)
        if item is None:
            raise _WrongError('TEXT takes "letters" and numbers of characters, with commas between them')
        items.append((item["letters"] or "", item["code"] or ""))
        position = item.end()
    return items


def _fraction(text: str) -> int:
    value = round(Fraction(text) * -_LOWEST) if _DECIMAL.fullmatch(text) else None
    if value is None or not _LOWEST <= value < -_LOWEST:
        raise _WrongError(f"FRACTION takes a decimal fraction from -1 to just under 1, not {text or 'nothing'}")
    return value


def _within(value: int, lowest: int, highest: int) -> int:
    if not lowest <= value <= highest:
        raise _WrongError(f"{value} is outside {lowest} to {highest}")
    return value


def _unknown(name: str, what: str, known: Collection[str]) -> str:
    close = get_close_matches(name, known, n=1)
    return f"{name} is not {what}" + (f": did you mean {close[0]}?" if close else "")


def main() -> int:
    """Assemble; the whole list of what is wrong goes to standard error, and then the status is 2."""
    parser = argparse.ArgumentParser(
        prog="python -m bridge.demo.skerry.assembler", description="Assemble a Skerry deck."
    )
    parser.add_argument("source", type=Path, help="the source, a text file")
    parser.add_argument("out", type=Path, help="the deck to write")
    arguments = parser.parse_args()
    try:
        cards = assemble(arguments.source.read_bytes().decode(), str(arguments.source))
        arguments.out.write_bytes(print_deck(cards).encode())
    except UnicodeDecodeError as error:
        print(f"{arguments.source}: byte {error.start} is not UTF-8: save the source as plain text", file=sys.stderr)
        return 2
    except (ConsoleError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{len(cards)} cards in {arguments.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
