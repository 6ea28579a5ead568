"""A value change dump as a reader nobody here wrote sees it (pyvcd's tokens): each variable's values by their times."""

import bisect
import io
from collections.abc import Iterable

from vcd.reader import TokenKind, tokenize


class Wave:
    """The variables of a dump by their full names, such as console.lamps.A[7:0]."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.names: dict[str, str] = {}
        self.timescale = ""
        self.changes: dict[str, list[tuple[int, int | str]]] = {}
        self.end = 0
        scopes: list[str] = []
        for token in tokenize(io.BytesIO(("\n".join(lines) + "\n").encode("ascii"))):
            match token.kind:
                case TokenKind.TIMESCALE:
                    self.timescale = f"{token.timescale.magnitude} {token.timescale.unit.value}"
                case TokenKind.SCOPE:
                    scopes.append(token.scope.ident)
                case TokenKind.UPSCOPE:
                    scopes.pop()
                case TokenKind.VAR:
                    name = ".".join([*scopes, token.var.ref_str])
                    assert name not in self.names
                    assert token.var.id_code not in self.changes
                    self.names[name] = token.var.id_code
                    self.changes[token.var.id_code] = []
                case TokenKind.CHANGE_TIME:
                    assert token.time_change >= self.end
                    self.end = token.time_change
                case TokenKind.CHANGE_SCALAR:
                    value = token.scalar_change.value
                    self._add(token.scalar_change.id_code, int(value) if value in "01" else value)
                case TokenKind.CHANGE_VECTOR:
                    self._add(token.vector_change.id_code, token.vector_change.value)

    def at(self, name: str, moment: int) -> int | str:
        """Return what a variable is at a moment, as a number, or "x"."""
        changes = self.changes[self.names[f"console.{name}"]]
        return changes[bisect.bisect_right(changes, moment, key=lambda change: change[0]) - 1][1]

    def told(self, name: str) -> int:
        """Return how often a variable was told, its first unknown value not counted."""
        return len(self.changes[self.names[f"console.{name}"]]) - 1

    def _add(self, code: str, value: int | str) -> None:
        self.changes[code].append((self.end, value))
