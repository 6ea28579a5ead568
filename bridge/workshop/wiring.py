"""The wiring list at the desk: from and to a spreadsheet's CSV, on paper, and as labels."""

import os
import re
import tomllib
from collections.abc import Iterator
from math import ceil
from pathlib import Path

from bridge.console import Console, DescriptionError, Lamp, Point, colours, wirelist
from bridge.console.columns import paragraph, table
from bridge.console.reading import parse, sketch
from bridge.console.wirelist import Row, Sheet, Wrong
from bridge.errors import ConsoleError

USUAL_PARTS = {"lamp": "lamp drivers", "key": "key inputs"}
_TABLES = "lamp_row", "lamp", "key_row", "key", "rotary"

# What a list alone is made into: the chips and the lines of config/first-panel.toml.
_ALONE = """\
# Made from {source} by: consolewright wiring import

format = 1
name = {name}

[[bus]]
name = "panel"
kind = "spi"
port = 0
rate_hz = 2_000_000
wires = "real"
"""
_LAMP_PART = """
[[part]]
name = "lamp drivers"
type = "TLC5947"
chips = {chips}
bus = "panel"
select = 0
latch = 24
blank = 25
"""
_KEY_PART = """
[[part]]
name = "key inputs"
type = "74HC165"
chips = {chips}
bus = "panel"
select = 1
load = 23
serial_in = "low"
always_low = [0]
always_high = [{last}]
"""
_SENTINELS = 2


class ListError(ConsoleError):
    """A wiring list that cannot be used, with all that is wrong with it."""

    def __init__(self, path: Path, wrong: list[Wrong]) -> None:
        self.wrong = tuple(sorted(set(wrong)))
        super().__init__("\n".join(f"{path}: {one}" for one in self.wrong))


def export(console: Console, target: Path, *, codes: bool, replace: bool) -> str:
    """Write a console's wiring list as CSV; return what to say of it."""
    # The byte order mark makes a spreadsheet read it as UTF-8.
    write(target, wirelist.write(console, codes=codes).encode("utf-8-sig"), replace=replace)
    return f"{target}: {len(console.lamps)} lamps, {len(console.keys)} keys"


def bring(source: Path, target: Path, base: Path | None, *, replace: bool) -> list[str]:
    """Make a description of a wiring list and the parts of another description; return what to say of it.

    Without such a base, lamps and keys get the chips of the first panel. Raises ConsoleError with everything that is
    wrong, by the rows of the list.
    """
    sheet = wirelist.read(_bytes(source, "a wiring list"))
    if sheet.wrong:
        raise ListError(source, list(sheet.wrong))
    text = _bytes(base, "a description").decode("utf-8-sig", "replace") if base else _alone(source, sheet)
    # What it lacks, keys that a reader names say, the list brings; the whole is judged in the end.
    bare, _ = sketch(base or target, text)
    listed = [name for name in _TABLES if base and name in tomllib.loads(text)]
    if listed:
        raise ConsoleError(
            f"{base}: it has {', '.join(f'[[{name}]]' for name in listed)} already, which the list is to give. "
            "Take them out of a copy, and give that."
        )
    made = _tables(source, sheet, bare, text)
    whole = text.rstrip("\n") + "\n" + made.text
    try:
        console = parse(target, whole)
    except DescriptionError as error:
        raise ConsoleError("\n".join(_by_row(error, made, whole, source, base or target))) from None
    write(target, whole.encode(), replace=replace)
    said = [f"{target}: {len(console.lamps)} lamps, {len(console.keys)} keys"]
    if sheet.unknown:
        said.append(f"left out: the columns {', '.join(sheet.unknown)}")
    return said


def _alone(source: Path, sheet: Sheet) -> str:
    """Return a description with the parts that a list needs by itself."""
    wrong = [
        Wrong(row.number, sheet.at("part"), f'part "{row["part"]}" is not described', "give its description: --parts")
        for row in sheet.rows
        if row["part"] not in {"", USUAL_PARTS[row["sort"]]}
    ]
    if wrong:
        raise ListError(source, wrong)
    text = _ALONE.format(source=source.name, name=_quoted(source.stem))
    lamps, keys = ([row for row in sheet.rows if row["sort"] == sort] for sort in USUAL_PARTS)
    if lamps:
        text += _LAMP_PART.format(chips=ceil(max(len(lamps), _highest(lamps) + 1) / 24))
    if keys:
        chips = ceil(max(len(keys) + _SENTINELS, _highest(keys) + _SENTINELS) / 8)
        text += _KEY_PART.format(chips=chips, last=chips * 8 - 1)
    return text


def _quoted(text: str) -> str:
    """Return a file's stem as the name of a console."""
    name = "".join(char for char in text if char.isprintable() and char not in '"\\').strip()[:40].strip()
    return f'"{name or "Panel"}"'


def _highest(rows: list[Row]) -> int:
    return max((int(row["channel"]) for row in rows if row["channel"]), default=-1)


def _tables(source: Path, sheet: Sheet, bare: Console, text: str) -> wirelist.Tables:
    usual: dict[str, str] = {}
    for sort, name in USUAL_PARTS.items():
        named = [part.name for part in bare.parts if part.facts.serves == f"{sort}s"]
        usual[sort] = named[0] if len(named) == 1 else name
    free = {part.name: wirelist.free_channels(part) for part in bare.parts}
    channels = wirelist.assign(sheet.rows, free, usual)
    full = [
        Wrong(row.number, sheet.at("channel"), _full(row, usual, free), "make the part larger, or name another")
        for row, channel in zip(sheet.rows, channels, strict=True)
        if channel is None
    ]
    if full:
        raise ListError(source, full)
    kind = tomllib.loads(text).get("lamps", {}).get("kind", "instant")
    return wirelist.tables(sheet.rows, [channel or 0 for channel in channels], usual, kind)


def _full(row: Row, usual: dict[str, str], free: dict[str, list[int]]) -> str:
    part = row["part"] or usual[row["sort"]]
    return f'no channel is left at part "{part}"' if part in free else f'part "{part}" is not described'


def _by_row(error: DescriptionError, made: wirelist.Tables, whole: str, source: Path, base: Path) -> Iterator[str]:
    """Return what is wrong with a description by the rows of the list that its lines came from, or its base's lines."""
    before = whole.count("\n") - made.text.count("\n")
    for finding in error.findings:
        line = (finding.line or 0) - before
        if line < 1:
            yield f"{base}:{finding.line}: {finding.wrong}; {finding.todo}"
            continue
        rows = made.of_line(line)
        # Lines of a text that nobody has seen are of no use to anybody.
        words = re.sub(r" \(line \d+\)| on line \d+", "", finding.wrong)
        also = f" (rows {rows[0]} to {rows[-1]})" if len(rows) > 1 else ""
        yield f"{source}: {Wrong(rows[0], '', words + also, finding.todo)}"


def _bytes(path: Path | None, what: str) -> bytes:
    assert path is not None  # noqa: S101 -- asked for only where there is one
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConsoleError(f"{path}: cannot be read ({error.strerror}). Give the name of {what}.") from None


def write(path: Path, data: bytes, *, replace: bool) -> None:
    """Write a file whole, or not at all."""
    if path.exists() and not replace:
        raise ConsoleError(f"{path}: is there already. Give another name, or --replace.")
    made = path.with_name(f".{path.name}.new")
    try:
        made.write_bytes(data)
        os.replace(made, path)  # noqa: PTH105 -- one step
    except OSError as error:
        raise ConsoleError(f"{path}: cannot be written ({error.strerror}). Give another folder.") from None


def listed(console: Console) -> list[str]:
    """Return the pin-by-pin list of a console in lines of at most 80 columns."""
    lines = [f"{console.name}: wiring list"]
    for connector, points in by_connector(console).items():
        revisions = ", ".join(dict.fromkeys(f"board revision {one.revision}" for one in points if one.revision))
        lines += ["", f"{connector or 'at no connector'}{revisions and f' ({revisions})'}"]
        rows = [[one.pin or "", colour(one), *goes_to(one)] for one in points]
        lines += [f"  {line}" for line in table([["pin", "wire", "to", "part, channel"], *rows])]
    return [cut for line in lines for cut in (paragraph(line) if len(line) > 80 and line[0] != " " else [line])]


def by_connector(console: Console) -> dict[str, list[Point]]:
    """Return all lamps and keys by connector, in the order of its pins; those at none come last, under ""."""
    found: dict[str, list[Point]] = {}
    for point in (*console.lamps, *console.keys):
        found.setdefault(point.connector or "", []).append(point)
    for connector, points in found.items():
        if connector:
            points.sort(key=lambda one: _natural(one.pin or ""))
    return dict(sorted(found.items(), key=lambda one: (one[0] == "", _natural(one[0]))))


def _natural(text: str) -> list[tuple[int, str]]:
    """Return a key that sorts J2 before J10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", text) if part]


def colour(point: Point) -> str:
    """Return a wire's colour in words and, where there is one, its code."""
    code = colours.code(point.wire or "")
    return f"{point.wire} {code}" if code else point.wire or ""


def goes_to(point: Point) -> tuple[str, str]:
    """Return what a wire goes to, and the channel it comes from."""
    return f"{'lamp' if isinstance(point, Lamp) else 'key'} {point.name}", f"{point.part.name} {point.channel}"
