"""The wiring list: a row for each lamp and each contact, as a spreadsheet keeps it, and the tables made from it.

Read as spreadsheets write it: RFC 4180, in UTF-8 with or without a byte order mark, with commas, semicolons or tabs.
All that is wrong is told at once, by row and column as the spreadsheet counts them.
"""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from bridge.console import colours, spans
from bridge.console.facts import Console, Key, Lamp, Part, Point
from bridge.console.findings import suggest

COLUMNS = (
    "sort", "row", "title", "name", "part", "channel", "connector", "pin", "wire", "revision", "kind", "fitted",
    "group", "trim", "closed", "settle_ms", "report", "stuck_s",
)  # fmt: skip
"""Its columns: what they hold is what the keys of the description hold; `sort` is lamp or key."""
NEEDED = ("sort", "name")
_ALSO = {"colour": "wire", "color": "wire", "wire colour": "wire", "wire color": "wire", "board revision": "revision"}
_ONLY = {"lamp": ("fitted", "group", "trim"), "key": ("closed", "settle_ms", "report", "stuck_s")}
_USUAL = {"fitted": "LED", "trim": "1", "closed": "low", "report": "settled", "stuck_s": "60"}
_CHOICES = {
    "sort": ("lamp", "key"),
    "fitted": ("LED", "filament", "neon"),
    "closed": ("low", "high"),
    "report": ("settled", "first contact"),
}
KEY_KINDS = ("toggle", "momentary", "push-on/push-off", "key lock", "position")


@dataclass(frozen=True)
class Row:
    """One row of the list: its number in the spreadsheet, and its cells by column, "" where empty."""

    number: int
    cells: Mapping[str, str] = field(hash=False)

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


@dataclass(frozen=True, order=True)
class Wrong:
    """What is wrong in a row (0: in the file), the cell it is in, "F" say, or "", and what to do."""

    row: int
    cell: str
    words: str
    todo: str

    def __str__(self) -> str:
        where = f"row {self.row}{self.cell and f', column {self.cell}'}: " if self.row else ""
        return f"{where}{self.words}; {self.todo}"


@dataclass(frozen=True)
class Sheet:
    """A list as read: its rows, what is wrong with it, where each column is, and the columns nobody knows."""

    rows: tuple[Row, ...]
    wrong: tuple[Wrong, ...]
    columns: Mapping[str, int] = field(default_factory=dict, hash=False)
    unknown: tuple[str, ...] = ()

    def at(self, column: str) -> str:
        """Return what to call a column: its letters in a spreadsheet, and its heading."""
        index = self.columns.get(column)
        return column if index is None else f"{letters(index)} ({column})"


def letters(index: int) -> str:
    """Return a column's letters as spreadsheets count: A for 0, Z for 25, AA for 26."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def write(console: Console, *, codes: bool = False) -> str:
    """Return the wiring list of a console as CSV text with CRLF; with `codes`, colours in the letters of IEC 60757."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    titles = {id(lamp): (row.name, row.title) for row in console.lamp_rows for lamp in row.lamps}
    titles |= {id(key): (row.name, row.title) for row in console.key_rows for key in row.keys}
    titles |= {id(key): (one.name, one.title) for one in console.rotaries for key in one.keys}
    for point in (*console.lamps, *console.keys):
        row, title = titles.get(id(point), ("", ""))
        wire = point.wire or ""
        if codes:
            wire = colours.code(wire) or wire
        cells = {"row": row, "title": title if title != row else "", "name": point.name, "part": point.part.name}
        cells |= {"channel": str(point.channel), "connector": point.connector or "", "pin": point.pin or ""}
        cells |= {"wire": wire, "revision": point.revision or ""} | _own(point)
        writer.writerow([cells.get(column, "") for column in COLUMNS])
    return out.getvalue()


def _own(point: Point) -> dict[str, str]:
    if isinstance(point, Lamp):
        trim = repr(point.trim) if point.trim != 1 else "1"
        return {"sort": "lamp", "kind": point.kind.name, "fitted": point.fitted, "group": point.group, "trim": trim}
    assert isinstance(point, Key)  # noqa: S101 -- a console has nothing else
    settle = "" if point.settle_ms is None else str(point.settle_ms)
    report = "first contact" if point.first_contact else "settled"
    closed = "high" if point.closed_high else "low"
    stuck = "" if point.stuck_s is None else str(point.stuck_s)
    return {
        "sort": "key", "kind": point.kind, "closed": closed, "settle_ms": settle, "report": report, "stuck_s": stuck
    }  # fmt: skip


def read(data: bytes) -> Sheet:
    """Return the list in a CSV file's bytes, with everything that is wrong with its rows one by one."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        todo = "save it again as “CSV UTF-8”, or choose UTF-8 as its character set"
        return Sheet((), (Wrong(0, "", "the file is not UTF-8 text", todo),))
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        return Sheet((), (Wrong(0, "", f"the file is no CSV ({error})", "save it again from the spreadsheet as CSV"),))
    if not records or not any(map(str.strip, records[0])):
        return Sheet((), (Wrong(0, "", "the file has no headings", f"let its first row be {','.join(COLUMNS)}"),))
    heads = [_ALSO.get(head.strip().lower(), head.strip().lower()) for head in records[0]]
    wrong = [
        Wrong(1, letters(index), f'the heading "{head}" stands twice', "keep one of the columns")
        for index, head in enumerate(heads)
        if head in COLUMNS and head in heads[:index]
    ]
    columns = {head: index for index, head in reversed(list(enumerate(heads))) if head in COLUMNS}
    unknown = tuple(head for head in heads if head and head not in COLUMNS)
    wrong += [
        Wrong(1, "", f'there is no column "{needed}"', suggest(needed, unknown) if unknown else "add it")
        for needed in NEEDED
        if needed not in columns
    ]
    rows = []
    for number, record in enumerate(records[1:], start=2):
        if any(map(str.strip, record)):
            cells = {head: record[index].strip() for head, index in columns.items() if index < len(record)}
            rows.append(Row(number, _meant(cells, decimal_comma=separator == ";")))
    sheet = Sheet(tuple(rows), tuple(wrong), columns, unknown)
    if wrong:
        return sheet
    if not rows:
        wrong.append(Wrong(0, "", "there is no lamp and no key in it", "add a row for each"))
    return Sheet(sheet.rows, (*wrong, *_judge(sheet)), columns, unknown)


def _meant(cells: dict[str, str], *, decimal_comma: bool) -> dict[str, str]:
    """Return the cells of a row as they are meant: codes of colours in words, words of the trade in their case."""
    meant = dict(cells)
    meant["wire"] = colours.words(cells.get("wire", ""))
    if decimal_comma:
        meant["trim"] = cells.get("trim", "").replace(",", ".")
    for column, choices in _CHOICES.items():
        known = {choice.lower(): choice for choice in choices}
        meant[column] = known.get(cells.get(column, "").lower(), cells.get(column, ""))
    return meant


def _judge(sheet: Sheet) -> Iterator[Wrong]:
    """Return what is wrong with each row, and with two that have the same name, channel or pin."""
    seen: dict[tuple[str, ...], int] = {}
    for row in sheet.rows:
        for column, words, todo in _cells(row):
            yield Wrong(row.number, sheet.at(column), words, todo)
        claims = {"name": (row["sort"], row["name"])}
        if row["channel"]:
            claims["channel"] = (row["part"] or row["sort"], row["channel"])
        if row["connector"] and row["pin"]:
            claims["pin"] = (row["connector"], row["pin"])
        for column, claim in claims.items():
            other = seen.setdefault((column, *claim), row.number)
            if other != row.number:
                what = " pin ".join(claim) if column == "pin" else f"{column} {claim[1]} of {claim[0]}"
                yield Wrong(row.number, sheet.at(column), f"{what} is in row {other} too", f"give one another {column}")


def _cells(row: Row) -> Iterator[tuple[str, str, str]]:
    """Return what is wrong with each cell of a row: its column, what, and what to do."""
    for column, choices in _CHOICES.items():
        value = row[column]
        if value not in choices and (value or column == "sort"):
            yield column, f'"{value}" is none of {", ".join(choices)}', suggest(value, choices)
    if not row["name"]:
        yield "name", "the name is missing", "give each lamp and key one"
    other = {"lamp": "key", "key": "lamp"}.get(row["sort"])
    if other is not None:
        for column in _ONLY[other]:
            if row[column]:
                yield column, f'"{row[column]}" is said of a {row["sort"]}, but holds for a {other}', "empty the cell"
    if row["sort"] == "key" and row["kind"] not in KEY_KINDS:
        yield "kind", f'a key cannot be "{row["kind"]}"', f"write {' or '.join(KEY_KINDS)}"
    yield from _numbers(row)
    yield from _place_in_row(row)


def _numbers(row: Row) -> Iterator[tuple[str, str, str]]:
    if bool(row["connector"]) != bool(row["pin"]):
        lacking, has = ("connector", "pin") if row["pin"] else ("pin", "connector")
        yield lacking, f"there is a {has} but no {lacking}", "give both or neither"
    if row["pin"]:
        yield from _pin(row["pin"])
    numbers = (
        ("channel", _whole, "12"),
        ("settle_ms", _whole, "12"),
        ("stuck_s", _whole, "60"),
        ("trim", _share, "0.93"),
    )
    for column, fits, example in numbers:
        if row[column] and not fits(row[column]):
            yield column, f'"{row[column]}" is no number that fits', f"write it without units, for example {example}"


def _place_in_row(row: Row) -> Iterator[tuple[str, str, str]]:
    rest = row["name"].removeprefix(f"{row['row']}.")
    if not row["row"]:
        if row["kind"] == "position":
            yield "row", "the position of a rotary switch does not say of which", "put the switch's name into row"
    elif rest == row["name"] or not rest:
        yield "name", f'"{row["name"]}" does not begin with "{row["row"]}.", its row', f"name it {row['row']}.0, say"
    elif row["kind"] != "position" and (not _whole(rest) or rest != str(int(rest))):
        yield "name", f'"{row["name"]}" does not end in a plain number', f"name it {row['row']}.0, say, or empty row"


def _pin(pin: str) -> Iterator[tuple[str, str, str]]:
    try:
        known = spans.write(spans.read_pins(pin))
    except ValueError:
        known = ""
    if known != pin or "-" in pin or "," in pin:
        yield "pin", f'"{pin}" is no pin', "write a number, or a letter or three and a number: 14, a3"


def _whole(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= 4


def _share(text: str) -> bool:
    try:
        return 0 < float(text) <= 1
    except ValueError:
        return False


@dataclass(frozen=True)
class Tables:
    """Tables of a description as text, and for each of its lines, from 1, the rows of the list that it came from."""

    text: str
    rows: tuple[tuple[int, ...], ...]

    def of_line(self, line: int) -> tuple[int, ...]:
        """Return the rows that a line came from."""
        return self.rows[line - 1]


def tables(rows: Sequence[Row], channels: Sequence[int], usual_part: Mapping[str, str], usual_kind: str) -> Tables:
    """Return the lamp, key and rotary tables for rows without faults, each with its channel.

    `usual_part` names the part of lamps and keys that name none; lamps of `usual_kind` need not say so.
    """
    lines: list[str] = []
    origins: list[tuple[int, ...]] = []
    together: dict[tuple[object, ...], list[tuple[Row, int]]] = {}
    for row, channel in zip(rows, channels, strict=True):
        together.setdefault(_alike(row), []).append((row, channel))
    for wired in together.values():
        table = list(_table(wired, usual_part, usual_kind))
        lines += table
        origins += [tuple(row.number for row, _ in wired)] * len(table)
    return Tables("\n".join(lines) + "\n", tuple(origins))


def _alike(row: Row) -> tuple[object, ...]:
    """Return what rows that stand in one table have in common; a row that stands in none is alike to no other."""
    if not row["row"]:
        return (row.number,)
    shared = ("sort", "row", "title", "part", "connector", "revision", "kind", *_ONLY["lamp"][:2], *_ONLY["key"])
    return (*(row[column] or _USUAL.get(column, "") for column in shared), bool(row["pin"]), bool(row["wire"]))


def _table(wired: Sequence[tuple[Row, int]], usual_part: Mapping[str, str], usual_kind: str) -> Iterator[str]:
    first = wired[0][0]
    single, position = not first["row"], first["kind"] == "position"
    heading = "rotary" if position else first["sort"] + ("" if single else "_row")
    names = [row["name"].removeprefix(f"{first['row']}.") for row, _ in wired]
    said: dict[str, object] = {"name": first["row"] or first["name"], "title": first["title"]}
    if not single:
        said["positions" if position else "numbers"] = names if position else spans.write(names)
    said["part"] = first["part"] or usual_part[first["sort"]]
    said |= _wiring(wired, single=single)
    if first["sort"] == "lamp":
        said["kind"] = first["kind"] if first["kind"] != usual_kind else ""
        said |= _trims(wired, single=single)
    elif not position:
        said["kind"] = first["kind"]
    for column in (*_ONLY["lamp"][:2], *_ONLY["key"]):
        if first[column] != _USUAL.get(column, ""):
            whole = column in {"settle_ms", "stuck_s"} and first[column]
            said[column] = int(first[column]) if whole else first[column]
    yield ""
    yield f"[[{heading}]]"
    for key, value in said.items():
        if value != "":
            yield f"{key} = {json.dumps(value, ensure_ascii=False)}"


def _wiring(wired: Sequence[tuple[Row, int]], *, single: bool) -> dict[str, object]:
    """Return the keys of a table that tell where its points are wired."""
    (first, channel), *_ = wired
    wires = [row["wire"] for row, _ in wired if row["wire"]]
    if single:
        said: dict[str, object] = {"channel": channel, "pin": first["pin"], "wire": first["wire"]}
    else:
        said = {"channels": spans.write(number for _, number in wired), "wires": wires or ""}
        said["pins"] = spans.write(row["pin"] for row, _ in wired if row["pin"])
    return said | {"connector": first["connector"], "revision": first["revision"]}


def _trims(wired: Sequence[tuple[Row, int]], *, single: bool) -> dict[str, object]:
    trims = [float(row["trim"] or 1) for row, _ in wired]
    if set(trims) == {1.0}:
        return {}
    return {"trim": trims[0]} if single else {"trims": trims}


def assign(rows: Iterable[Row], free: Mapping[str, Iterable[int]], usual_part: Mapping[str, str]) -> list[int | None]:
    """Return each row's channel: its own, or the next of its part's `free` ones; None where there is none left."""
    rows = list(rows)
    taken = {(row["part"] or usual_part[row["sort"]], int(row["channel"])) for row in rows if row["channel"]}
    left = {part: iter([n for n in channels if (part, n) not in taken]) for part, channels in free.items()}
    nothing: Iterator[int] = iter(())
    return [
        int(row["channel"]) if row["channel"] else next(left.get(row["part"] or usual_part[row["sort"]], nothing), None)
        for row in rows
    ]


def free_channels(part: Part) -> list[int]:
    """Return the channels of a part that may serve a lamp or a contact."""
    kept = {*part.always_high, *part.always_low, *part.outputs_only}
    return [channel for channel in range(part.channels) if channel not in kept]
