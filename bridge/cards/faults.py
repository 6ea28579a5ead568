"""What is wrong with a deck, said all at once in words for people who never saw a card."""

import unicodedata
from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.cards.card import COLUMNS
from bridge.cards.code import CardCode
from bridge.errors import ConsoleError

FINDINGS = 20
"""How many findings about one deck are listed."""

PRIVATE = 0xE000
"""Where the characters that stand for holes begin: U+E000 + holes."""

REFUSED = 0xFFFF
"""In a table of holes by character: there are none."""

_LF = 10
_ESCAPED = range(0xDC80, 0xDD00)
"""Where bytes that are not UTF-8 go under the error handler "surrogateescape"."""

# What word processors write for a character of the keyboard.
_MEANT = dict.fromkeys("“”„«»", '"') | dict.fromkeys("‘’‚", "'") | dict.fromkeys("–—−‐‑", "-")

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, order=True)
class Finding:
    """One thing wrong with a deck: line (or picture) and column count from 1; column 0 is none in particular."""

    line: int
    column: int
    what: str


class DeckError(ConsoleError):
    """A deck that cannot be read: `findings` in the order of the file, at most FINDINGS of them.

    Each is a line of the message, which names `what` counts (a line, a picture); `advice` is a last line that goes
    for several of them.
    """

    def __init__(
        self, name: str, findings: Sequence[Finding], *, more: bool = False, advice: str = "", what: str = "line"
    ) -> None:
        self.findings = tuple(findings)
        places = [f"{what} {f.line}" + (f", column {f.column}" if f.column else "") for f in self.findings]
        lines = [f"{shown(name)}, {place}: {f.what}" for place, f in zip(places, self.findings, strict=True)]
        if more:
            lines.append(f"There is more wrong: only the first {FINDINGS} are listed.")
        if advice:
            lines.append(advice)
        super().__init__("\n".join(lines))


def shown(name: str, longest: int = 60) -> str:
    """Return a file's name fit for a message: of printing characters only, and its middle left out if it is long."""
    plain = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in name)
    half = longest // 2
    return plain if len(plain) <= longest else f"{plain[: half - 1]}…{plain[-half:]}"


def repertoire(code: CardCode) -> str:
    """Return which characters a code has, in words for a message: "space, 0-9, A-Z and &-/"."""
    characters = set(code.printing.values())
    if characters == {chr(c) for c in range(0x20, 0x7F)}:
        return "space to ~"
    said = ["space"]
    for name, run in (("0-9", "0123456789"), ("A-Z", _LETTERS), ("a-z", _LETTERS.lower())):
        if characters.issuperset(run):
            said.append(name)
            characters -= set(run)
    others = "".join(sorted(characters - {" "}))
    return f"{', '.join(said)} and {others}" if others else ", ".join(said)


@dataclass
class _Seen:
    """A sort of character that cannot be punched: where the first one stands, and how many there are."""

    line: int
    column: int
    code: int
    times: int = 0


class Faults:
    """Collects what is wrong with a deck in `code`, whose holes by character (UTF-16 unit) are `masks`."""

    def __init__(self, code: CardCode, masks: npt.NDArray[np.uint16], tabs: int) -> None:
        self._code = code
        self._masks = masks
        self._tabs = tabs
        small = {character.lower() for character in code.holes} - code.holes.keys()
        self._small = [ord(character) for character in small if len(character) == 1]
        self._findings: list[Finding] = []
        self._seen: dict[int, _Seen] = {}
        self._more = False

    def __bool__(self) -> bool:
        return bool(self._findings or self._seen)

    def add(self, line: int, column: int, what: str) -> None:
        """Add one; the first FINDINGS are kept."""
        if len(self._findings) < FINDINGS:
            self._findings.append(Finding(line, column, what))
        else:
            self._more = True

    def look(self, text: str, first_line: int, tabbed: Container[int]) -> None:
        """Find what is wrong with whole lines, without blanks at their ends; bytes that are not UTF-8 are escaped.

        Those numbered in `tabbed`, from 0, had tabs.
        """
        points = np.frombuffer(text.encode("utf-32-le", "surrogatepass"), np.dtype("<u4"))
        ends = np.flatnonzero(points == _LF)
        starts = np.concatenate(([0], ends[:-1] + 1))
        lengths = ends - starts
        for n in np.flatnonzero(lengths > COLUMNS)[: FINDINGS + 1]:
            stops = f" (a tab goes to every {self._tabs}th)" if n in tabbed else ""
            what = (
                f"the line has {lengths[n]} columns{stops} and a card {COLUMNS}: shorten it by {lengths[n] - COLUMNS}"
            )
            self.add(first_line + int(n), COLUMNS + 1, what)
        at = np.flatnonzero((self._masks[np.minimum(points, REFUSED)] == REFUSED) & (points != _LF))
        sorts = points[at]
        sorts[(sorts >= _ESCAPED.start) & (sorts < _ESCAPED.stop)] = _ESCAPED.start
        if self._small:
            sorts[np.isin(sorts, self._small)] = self._small[0]
        known = [*self._seen]
        while sorts.size:
            sort = known.pop() if known else int(sorts[0])
            if sort not in self._seen:
                if len(self._seen) == FINDINGS:
                    self._more = True
                    break
                line = int(np.searchsorted(ends, at[0]))
                self._seen[sort] = _Seen(first_line + line, int(at[0] - starts[line]) + 1, int(points[at[0]]))
            same = sorts == sort
            self._seen[sort].times += int(same.sum())
            at, sorts = at[~same], sorts[~same]

    def error(self, name: str) -> DeckError:
        """Return the error that says it all about the deck called `name`."""
        characters = [Finding(seen.line, seen.column, self._refusal(seen)) for seen in self._seen.values()]
        findings = sorted([*self._findings, *characters])
        advice = ""
        if self._seen.keys() - {_ESCAPED.start}:
            has = f"Card code {self._code.name} has the characters {repertoire(self._code)}"
            advice = f"{has}; any other column is written as the character U+E000 + holes."
        return DeckError(name, findings[:FINDINGS], more=self._more or len(findings) > FINDINGS, advice=advice)

    def _refusal(self, seen: _Seen) -> str:
        several = seen.times > 1
        times = f", the first of {seen.times:,}," if several else ""
        character, name = chr(seen.code), self._code.name
        if seen.code in _ESCAPED:
            return f"byte {seen.code & 0xFF:02X}{times} is not UTF-8: save the deck as UTF-8 text"
        if seen.code in self._small:
            small = f", the first of {seen.times:,} small letters," if several else ", a small letter,"
            return f"{character}{small} is not in card code {name}: write {character.upper()}"
        holes = self._code.holes.get(character)
        if holes is not None:
            return f"{_named(character)}{times} does not print: for its holes write U+{PRIVATE + holes:04X}"
        meant = _MEANT.get(character, "")
        write = f": write {meant}" if meant in self._code.holes else ""
        return f"{_named(character)}{times} is not in card code {name}{write}"


def _named(character: str) -> str:
    code = ord(character)
    if code < 0x20 or code == 0x7F:
        # Unicode names controls only by their pictures.
        picture = unicodedata.name(chr(0x2421 if code == 0x7F else 0x2400 + code)).removeprefix("SYMBOL FOR ")
        return f"{picture} (U+{code:04X})"
    sign = f"{character} " if character.isprintable() else ""
    return f"{sign}(U+{code:04X} {unicodedata.name(character, 'unnamed')})"
