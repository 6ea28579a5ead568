"""From a file to a console: read it, parse it, check each table, then all of them against each other."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bridge.console.build import build
from bridge.console.facts import Console
from bridge.console.findings import DescriptionError, Finding
from bridge.console.locate import Places
from bridge.console.shape import SEVERAL
from bridge.console.sheet import Sheet
from bridge.console.words import one_bracket

FORMAT = 1


def load(path: Path) -> Console:
    """Return the console that the TOML file at `path` describes.

    Raises DescriptionError, naming everything that is wrong with it and not the first thing only, if it cannot be used.
    """
    return parse(path, _text(path))


def parse(path: Path, text: str) -> Console:
    """Return the console that a TOML text describes, which is or will be the file at `path`; raises as `load` does."""
    console, findings = sketch(path, text)
    if findings:
        raise DescriptionError(path, findings)
    return console


def sketch(path: Path, text: str) -> tuple[Console, list[Finding]]:
    """Return what could be made of a TOML text, and everything wrong with it; raises only if it is none of ours."""
    raw = _parsed(path, text)
    places = Places(text)
    form = raw.get("format")
    if type(form) is int and form != FORMAT:
        todo = "use a newer consolewright for it" if form > FORMAT else f"write format = {FORMAT}"
        wrong = f"the description is of format {form}, and format {FORMAT} is what this consolewright reads"
        raise DescriptionError(path, [Finding(places.at(["format"]), wrong, todo)])
    return build(path, Sheet(raw, places))


def _text(path: Path) -> str:
    """Return the file's text, its byte order mark dropped: some editors write one."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        finding = Finding(None, "there is no such file", "check the name and the folder")
    except IsADirectoryError:
        finding = Finding(None, "this is a folder", "name the description in it, a file ending in .toml")
    except OSError as error:
        finding = Finding(None, f"the file cannot be read ({error.strerror})", "check its owner and its disk")
    else:
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            wrong = f"the byte {data[error.start]:02X} hex is not UTF-8 text"
            finding = Finding(line, wrong, "save the file as UTF-8, in your editor's Save As")
    raise DescriptionError(path, [finding])


# What the parser says, in part, and what that means to a builder.
_MISTAKES = {
    "Invalid value": ("what stands after = is no value", 'put text in "quotes", write numbers without units'),
    "Expected newline or end of document": ("something follows the value", "write one key = value on a line"),
    "Expected '='": ("there is a name without a value", "write key = value, and # before notes"),
    "Invalid statement": ("this is neither a key, a [table] nor a # note", "write key = value"),
    "Cannot overwrite": ("its table has this key already", "keep one; a further table needs its [[heading]]"),
    "Cannot declare": ("this table stands here already", "keep one [table]; where several may be, write [[table]]"),
    "Unclosed array": ("a list is not closed, or a comma is missing in it", 'write ["white", "blue"]'),
    "Illegal character": ("a text in quotes does not end on its line", 'close it with "'),
    "Unescaped": ("a backslash stands in a text", "write two of them, or put the text in 'single quotes'"),
}


def _single(text: str) -> Iterator[tuple[int, str]]:
    """Return the lines with [part] and the like, which make the second one no TOML."""
    for number, line in enumerate(text.split("\n"), start=1):
        found = re.fullmatch(r"\s*\[\s*(\w+)\s*\]\s*(#.*)?", line)
        if found and found[1] in SEVERAL:
            yield number, found[1]


def _parsed(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
    single = [Finding(number, *one_bracket(name)) for number, name in _single(text)]
    if single:
        raise DescriptionError(path, single)
    found = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", message)
    if found is None:
        number = text.rstrip().count("\n") + 1
        wrong, todo = "the file ends before this is complete", "close the list, table or text in quotes"
    else:
        said, number = found[1], int(found[2])
        unknown = (f"this is not TOML ({said})", "compare the line with one of the examples")
        wrong, todo = next((words for start, words in _MISTAKES.items() if said.startswith(start)), unknown)
    stands = text.split("\n")[number - 1].strip()
    raise DescriptionError(path, [Finding(number, f"{wrong}: {stands}", todo)])
