import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.console import Console, Fed, Point, load
from bridge.console.reading import parse
from bridge.console.wirelist import COLUMNS, Row, Sheet, assign, free_channels, letters, read, tables, write
from bridge.files import examples
from tests.console.sample import OTHER, TEXT, loaded

HEADS = "sort,row,name,part,channel,connector,pin,wire,kind"
USUAL = {"lamp": "drivers", "key": "inputs"}


def wrong(text: str) -> list[str]:
    return [str(one) for one in read(text.encode()).wrong]


def made(sheet: Sheet, channels: list[int] | None = None) -> str:
    return tables(sheet.rows, channels or [int(row["channel"]) for row in sheet.rows], USUAL, "instant").text


P = TypeVar("P", bound=Point)


def unplaced(points: tuple[P, ...]) -> tuple[P, ...]:
    """Return points without the lines where they and their parts are described."""
    buses = {point.part.name: replace(point.part.bus, place=0) for point in points}
    parts = {point.part.name: replace(point.part, place=0, bus=buses[point.part.name], fed=Fed()) for point in points}
    return tuple(replace(point, place=0, part=parts[point.part.name]) for point in points)


def bare(console: Console) -> Console:
    """Return a console without the lines and the file where it is described."""
    return replace(
        console,
        path=Path(),
        lamps=unplaced(console.lamps),
        keys=unplaced(console.keys),
        lamp_rows=tuple(replace(row, place=0, lamps=unplaced(row.lamps)) for row in console.lamp_rows),
        key_rows=tuple(replace(row, place=0, keys=unplaced(row.keys)) for row in console.key_rows),
        rotaries=tuple(replace(row, place=0, keys=unplaced(row.keys)) for row in console.rotaries),
    )


def without_points(text: str, *also: str) -> str:
    """Return a description without its lamps and keys, and without other tables of these names."""
    kept, skipping = [], False
    for line in text.split("\n"):
        if line.startswith("["):
            skipping = line in {"[[lamp_row]]", "[[lamp]]", "[[key_row]]", "[[key]]", "[[rotary]]", *also}
        if not skipping:
            kept.append(line)
    return "\n".join(kept)


def there_and_back(text: str, *, codes: bool = False) -> tuple[Console, Console]:
    first = parse(Path("one.toml"), text)
    usual = first.lamps[0].kind.name if "[lamps]" not in text else "pilot"
    sheet = read(write(first, codes=codes).encode("utf-8-sig"))
    assert sheet.wrong == ()
    channels = assign(sheet.rows, {}, USUAL)
    again = tables(sheet.rows, [channel or 0 for channel in channels], USUAL, usual if "[lamps]" in text else "instant")
    return bare(first), bare(parse(Path("two.toml"), without_points(text) + again.text))


@pytest.mark.parametrize("codes", [False, True])
@pytest.mark.parametrize(
    "text", [TEXT, OTHER, *(path.read_text("utf-8") for path in sorted(examples().glob("*.toml")))]
)
def test_export_and_import_make_the_same_console(text: str, codes: bool) -> None:
    first, second = there_and_back(text, codes=codes)
    assert first.lamps == second.lamps
    assert first.keys == second.keys
    assert first.lamp_rows == second.lamp_rows
    assert first.key_rows == second.key_rows
    assert first.rotaries == second.rotaries


LABEL = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12)
COLOUR = st.one_of(st.none(), st.sampled_from(["white/blue", "black", "as the old one, thick", 'a "quoted" one', "ж"]))


@st.composite
def descriptions(draw: st.DrawFn) -> str:
    """Return a description whose rows and keys are named and wired in any way that is allowed."""
    names = draw(st.lists(LABEL, min_size=2, max_size=4, unique=True))
    lines, channel = [], 0
    for name in names:
        size = draw(st.integers(1, 5))
        quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
        lines += ["[[lamp_row]]", f"name = {quoted}", f'numbers = "{size}-1"', 'part = "drivers"']
        lines += [f'channels = "{channel}-{channel + size - 1}"'] if size > 1 else [f'channels = "{channel}"']
        wires = [draw(COLOUR) for _ in range(size)]
        if all(wires):
            lines.append("wires = [" + ", ".join("'" + str(wire) + "'" for wire in wires) + "]")
        if draw(st.booleans()):
            lines += [f'connector = "J{channel}"', f'pins = "a{size}-a1"', 'revision = "B"']
        if draw(st.booleans()):
            lines.append("trim = 0.9")
        channel += size
    settle = draw(st.integers(5, 500))
    closed, report = draw(st.sampled_from(["high", "low"])), draw(st.sampled_from(["settled", "first contact"]))
    kind = draw(st.sampled_from(["toggle", "momentary", "push-on/push-off", "key lock"]))
    lines += [
        "[[key]]",
        'name = "GO"',
        f'kind = "{kind}"',
        f"stuck_s = {draw(st.integers(1, 600))}",
        'part = "inputs"',
        "channel = 4",
        f"settle_ms = {settle}",
    ]
    lines += [f'closed = "{closed}"', f'report = "{report}"']
    return without_points(TEXT, "[[interlock]]") + "\n" + "\n".join(lines) + "\n"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(text=descriptions())
def test_any_console_goes_there_and_back(text: str) -> None:
    first, second = there_and_back(text)
    assert first.lamps == second.lamps
    assert first.keys == second.keys
    assert first.lamp_rows == second.lamp_rows


def test_the_list_is_csv_as_others_read_it(tmp_path: Path) -> None:
    # source: RFC 4180, as Python's own csv module reads it.
    text = write(loaded(tmp_path))
    assert text.count("\r\n") == text.count("\n") == 12
    first, second, *_ = csv.reader(io.StringIO(text, newline=""), strict=True)
    assert tuple(first) == COLUMNS
    assert dict(zip(first, second, strict=True)) == dict.fromkeys(COLUMNS, "") | {
        "sort": "lamp", "row": "A", "title": "accumulator", "name": "A.3", "part": "drivers", "channel": "0",
        "connector": "J1", "pin": "1", "wire": "red", "kind": "glow", "fitted": "LED",
        "group": "registers", "trim": "1",
    }  # fmt: skip


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_spreadsheets_write(mark: bytes, separator: str, end: str) -> None:
    rows = ["Sort,Name,Part,Channel,Wire Colour,Trim,Notes", "Lamp,RUN,drivers,5,WHBU,1,x", ",,,,,,"]
    sheet = read(mark + end.join(rows).replace(",", separator).encode() + end.encode())
    assert (sheet.wrong, sheet.unknown) == ((), ("notes",))
    assert made(sheet) == '\n[[lamp]]\nname = "RUN"\npart = "drivers"\nchannel = 5\nwire = "white/blue"\n'
    assert [row.number for row in sheet.rows] == [2]


def test_a_decimal_comma_where_semicolons_part_cells() -> None:
    assert "trim = 0.93" in made(read(b"sort;name;channel;trim\nlamp;RUN;5;0,93\n"))


def test_a_short_row_is_one_with_empty_cells() -> None:
    assert read(b"sort,name,channel,wire\nlamp,RUN,5\n").wrong == ()


# source: what a spreadsheet shows: its first row is 1, its first column A.
@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("sort,row\nlamp,A", 'row 1: there is no column "name"; add it'),
        ("sort,nam\nlamp,A", 'row 1: there is no column "name"; did you mean "nam"?'),
        ("sort,name,sort\nlamp,A,x", 'row 1, column C: the heading "sort" stands twice'),
        ("sort,name\n\n", "there is no lamp and no key in it; add a row for each"),
        ("", "the file has no headings; let its first row be " + ",".join(COLUMNS)),
        ('sort,name\nlamp,"A', "the file is no CSV (unexpected end of data)"),
        (f"{HEADS}\n\nlamp,A,A.1\nlamb,A,A.2", 'row 4, column A (sort): "lamb" is none of lamp, key'),
        (f"{HEADS}\nlamp,,", "row 2, column C (name): the name is missing; give each lamp and key one"),
        (f"{HEADS}\nlamp,A,B.1", 'row 2, column C (name): "B.1" does not begin with "A.", its row'),
        (f"{HEADS}\nlamp,A,A.", 'row 2, column C (name): "A." does not begin with "A.", its row'),
        (f"{HEADS}\nlamp,A,A.x", 'row 2, column C (name): "A.x" does not end in a plain number'),
        (f"{HEADS}\nlamp,A,A.01", 'row 2, column C (name): "A.01" does not end in a plain number'),
        (f"{HEADS}\nlamp,,R,,x", 'row 2, column E (channel): "x" is no number that fits'),
        (f"{HEADS}\nlamp,,R,,,J1,", "row 2, column G (pin): there is a connector but no pin"),
        (f"{HEADS}\nlamp,,R,,,,3", "row 2, column F (connector): there is a pin but no connector"),
        (f"{HEADS}\nlamp,,R,,,J1,01", 'row 2, column G (pin): "01" is no pin'),
        (f"{HEADS}\nlamp,,R,,,J1,1-3", 'row 2, column G (pin): "1-3" is no pin'),
        (f"{HEADS}\nlamp,,R,,,J1,top", 'row 2, column G (pin): "top" is no pin'),
        (f"{HEADS}\nkey,,K,,,,,,lever", 'row 2, column I (kind): a key cannot be "lever"'),
        (
            f"{HEADS}\nkey,,K,,,,,,position",
            "row 2, column B (row): the position of a rotary switch does not say of which",
        ),
        ("sort,name,closed\nlamp,A,low", 'row 2, column C (closed): "low" is said of a lamp, but holds for a key'),
        ("sort,name,trim\nlamp,A,0", 'row 2, column C (trim): "0" is no number that fits'),
        ("sort,name,trim\nlamp,A,bright", 'row 2, column C (trim): "bright" is no number that fits'),
        (f"{HEADS}\nlamp,,R\nlamp,,R", "row 3, column C (name): name R of lamp is in row 2 too"),
        (f"{HEADS}\nlamp,,R,p,1\nlamp,,S,p,1", "row 3, column E (channel): channel 1 of p is in row 2 too"),
        (f"{HEADS}\nlamp,,R,,,J3,1\nkey,,R,,,J3,1,,toggle", "row 3, column G (pin): J3 pin 1 is in row 2 too"),
    ],
)
def test_what_is_wrong(text: str, says: str) -> None:
    (said,) = wrong(text)
    assert said.startswith(says)


def test_all_that_is_wrong_is_told_at_once() -> None:
    assert len(wrong(f"{HEADS}\nlamb,,R\nlamp,,\nkey,,K,,x,,,,toggle")) == 3


def test_a_file_that_is_not_utf_8() -> None:
    assert [one.words for one in read("sort,name\nlamp,Grün".encode("latin-1")).wrong] == ["the file is not UTF-8 text"]


@pytest.mark.parametrize(
    ("index", "name"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (701, "ZZ"), (702, "AAA")]
)
def test_letters_of_columns(index: int, name: str) -> None:
    assert letters(index) == name


def test_a_column_that_is_not_there_goes_by_its_name() -> None:
    assert read(b"sort,name\nlamp,A\n").at("pin") == "pin"


def test_rows_that_stand_apart_in_the_list_make_one_row() -> None:
    sheet = read(b"sort,row,name,channel,fitted\nlamp,A,A.1,0,LED\nlamp,B,B.0,5,\nlamp,A,A.0,1,\n")
    result = tables(sheet.rows, [0, 5, 1], USUAL, "instant")
    assert result.text.count("[[lamp_row]]") == 2
    assert 'numbers = "1-0"\npart = "drivers"\nchannels = "0-1"\n' in result.text
    assert result.of_line(2) == (2, 4)
    assert result.of_line(result.text.split("\n").index('name = "B"') + 1) == (3,)


def test_next_free_channels() -> None:
    rows = [Row(2, {"sort": "lamp"}), Row(3, {"sort": "lamp", "channel": "0"}), Row(4, {"sort": "key", "part": "x"})]
    rows.append(Row(5, {"sort": "lamp"}))
    assert assign(rows, {"drivers": [0, 1, 2]}, USUAL) == [1, 0, None, 2]


def test_which_channels_are_free() -> None:
    drivers, inputs = parse(Path("x"), TEXT).parts
    assert free_channels(drivers) == list(range(48))
    assert free_channels(inputs) == list(range(1, 23))
    other = load(examples() / "other-drivers.toml")
    expander = next(part for part in other.parts if part.facts.name == "MCP23017")
    assert not {7, 15} & set(free_channels(expander))
