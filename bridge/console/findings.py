"""What is wrong with a description, said all at once in the builder's words."""

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from bridge.errors import ConsoleError


@dataclass(frozen=True, order=True)
class Finding:
    """One thing wrong: the line of the description (None: the file itself), what, and what to do about it."""

    line: int | None
    wrong: str
    todo: str


class DescriptionError(ConsoleError):
    """A description that cannot be used; `findings` holds everything found, in the order of the file."""

    def __init__(self, path: Path, findings: Iterable[Finding]) -> None:
        self.findings = tuple(sorted(set(findings)))
        told = (f"{path}{'' if one.line is None else f':{one.line}'}: {one.wrong}; {one.todo}" for one in self.findings)
        super().__init__("\n".join(map(_printing, told)))


def _printing(text: str) -> str:
    """Return `text` with what would break its line, or drive a terminal, spelt out."""
    return "".join(char if char.isprintable() else ascii(char)[1:-1] for char in text)


def suggest(word: str, known: Iterable[str]) -> str:
    """Return what to do about a `word` that is none of the `known`: the likely one meant, or all there are."""
    names = {name.casefold(): name for name in known}
    close = get_close_matches(word.casefold(), names, n=1)
    if close:
        return f'did you mean "{names[close[0]]}"?'
    return f"known here: {', '.join(names.values())}" if names else "there is none yet: describe it first"
