"""On which line each thing in a TOML text stands; the standard parser keeps no lines."""

import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterable

KeyPath = tuple[str | int, ...]
"""Keys and array positions from the top of the document: ("lamp_row", 0, "channels")."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r""" "(?:[^"\\]|\\.)*" | '[^']*' | [A-Za-z0-9_-]+ """, re.VERBOSE)
_STRING = re.compile(
    r""" \"{3} (?: [^"\\] | \\. | "{1,2}(?!") )* "{3,5}
       | '{3} (?: [^'] | '{1,2}(?!') )* '{3,5}
       | "(?:[^"\\]|\\.)*"
       | '[^']*' """,
    re.VERBOSE | re.DOTALL,
)
_OTHER = re.compile(r"[^,\]}#\n]+")


class Places:
    """The line of every table, key and array element of `text`, which the standard parser has accepted."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {(): 1}
        self._text = text
        self._pos = 0
        self._breaks = [found.start() for found in re.finditer("\n", text)]
        self._last: dict[KeyPath, int] = {}
        self._document()

    def at(self, path: Iterable[str | int]) -> int:
        """Return the line, from 1, of what `path` names; if it is not there, of the nearest thing around it."""
        path = tuple(path)
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def _line(self) -> int:
        return bisect_left(self._breaks, self._pos) + 1

    def _peek(self) -> str:
        """Pass blanks, line ends and comments, and return the character there, "" at the end."""
        self._take(_BLANK)
        return self._text[self._pos : self._pos + 1]

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._pos)
        if found is None:
            raise AssertionError(f"not the TOML that was parsed, at line {self._line()}")
        self._pos = found.end()
        return found.group()

    def _document(self) -> None:
        table: KeyPath = ()
        while char := self._peek():
            if char == "[":
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> KeyPath:
        line = self._line()
        brackets = 2 if self._text.startswith("[[", self._pos) else 1
        self._pos += brackets
        *around, name = self._key()
        path: KeyPath = ()
        for part in around:
            path = (*path, part)
            self.lines.setdefault(path, line)
            if path in self._last:
                path = (*path, self._last[path])
        path = (*path, name)
        if brackets == 1:
            self.lines[path] = line
        else:
            self.lines.setdefault(path, line)
            self._last[path] = self._last.get(path, -1) + 1
            path = (*path, self._last[path])
            self.lines[path] = line
        self._peek()
        self._pos += brackets
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        key = self._key()
        for depth in range(1, len(key) + 1):
            self.lines.setdefault((*table, *key[:depth]), line)
        self._peek()
        self._pos += 1
        self._value((*table, *key))

    def _key(self) -> list[str]:
        key = []
        while True:
            self._peek()
            key.append(_plain(self._take(_KEY)))
            if self._peek() != ".":
                return key
            self._pos += 1

    def _value(self, path: KeyPath) -> None:
        char = self._peek()
        if char == "[":
            self._list(path)
        elif char == "{":
            self._inline(path)
        else:
            self._take(_STRING if char in "\"'" else _OTHER)

    def _list(self, path: KeyPath) -> None:
        self._pos += 1
        count = 0
        while self._peek() != "]":
            self.lines[*path, count] = self._line()
            self._value((*path, count))
            self._comma()
            count += 1
        self._pos += 1

    def _inline(self, path: KeyPath) -> None:
        self._pos += 1
        while self._peek() != "}":
            self._pair(path)
            self._comma()
        self._pos += 1

    def _comma(self) -> None:
        if self._peek() == ",":
            self._pos += 1


def _plain(key: str) -> str:
    """Return a key without its quotes and escapes."""
    if key[0] == '"':
        unquoted: str = tomllib.loads(f"k={key}")["k"]
        return unquoted
    return key.strip("'")
