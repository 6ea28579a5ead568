import re
from pathlib import Path

import pytest

from bridge.console import load
from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.workshop.labels import page
from bridge.workshop.wiring import bring, by_connector, export, listed
from tests.console.sample import TEXT, changed, loaded
from tests.console.test_wirelist import bare, without_points

PARTS = without_points(TEXT, "[[interlock]]")
HEADS = "sort,row,name,part,connector,pin,wire,kind,revision\n"


def brought(folder: Path, text: str, parts: str | None = None) -> Path:
    source, base, target = folder / "list.csv", folder / "parts.toml", folder / "panel.toml"
    source.write_text(text, encoding="utf-8")
    if parts is not None:
        base.write_text(parts, encoding="utf-8")
    bring(source, target, None if parts is None else base, replace=True)
    return target


def test_a_console_goes_there_and_back(tmp_path: Path) -> None:
    first = loaded(tmp_path)
    assert export(first, tmp_path / "list.csv", codes=True, replace=False).endswith("list.csv: 5 lamps, 6 keys")
    parts = tmp_path / "parts.toml"
    parts.write_text(PARTS, encoding="utf-8")
    said = bring(tmp_path / "list.csv", tmp_path / "new.toml", parts, replace=False)
    assert said == [f"{tmp_path / 'new.toml'}: 5 lamps, 6 keys"]
    assert bare(load(tmp_path / "new.toml")).lamp_rows == bare(first).lamp_rows
    assert bare(load(tmp_path / "new.toml")).keys == bare(first).keys


def test_a_list_alone_gets_the_first_panels_chips(tmp_path: Path) -> None:
    rows = [f"lamp,A,A.{n},,J1,{n},,," for n in range(30)] + [f"key,W,W.{n},,J2,{n},,toggle," for n in range(15)]
    console = load(brought(tmp_path, HEADS + "\n".join(rows)))
    drivers, inputs = console.parts
    # source: arithmetic: 30 lamps at 24 a chip; 15 keys and 2 sentinels at 8 a chip.
    assert (drivers.chips, inputs.chips) == (2, 3)
    assert [lamp.channel for lamp in console.lamps] == list(range(30))
    assert [key.channel for key in console.keys] == list(range(1, 16))
    assert console.name == "list"


@pytest.mark.parametrize(
    ("row", "parts"), [("lamp,,RUN,,,,,,", ["lamp drivers"]), ("key,,GO,,,,,toggle,", ["key inputs"])]
)
def test_only_what_is_needed(tmp_path: Path, row: str, parts: list[str]) -> None:
    assert [part.name for part in load(brought(tmp_path, HEADS + row)).parts] == parts


@pytest.mark.parametrize(
    ("rows", "parts", "says"),
    [
        (
            "lamp,,RUN,old,,,,,",
            None,
            'list.csv: row 2, column D (part): part "old" is not described; give its description',
        ),
        ("lamp,,RUN,old,,,,,", PARTS, 'row 2, column channel: part "old" is not described'),
        ("key,,GO,,,,,toggle,\n" * 1 + "lamb,,X,,,,,,", PARTS, 'row 3, column A (sort): "lamb"'),
        (
            "\n".join(f"lamp,,L{n},,,,,," for n in range(49)),
            PARTS,
            'row 50, column channel: no channel is left at part "drivers"',
        ),
        ("lamp,,RUN,inputs,,,,,", PARTS, 'row 2: lamp "RUN" is on part "inputs", but a 74HC165 serves keys'),
        (
            "lamp,A,A.1,,,,,nope,\nlamp,A,A.0,,,,,nope,",
            PARTS,
            'row 2: lamp_row "A" had lamps of kind "nope", which is not described (rows 2 to 3)',
        ),
        (
            "lamp,,RUN,,,,,,",
            PARTS + '\n[[lamp]]\nname = "OTHER"\npart = "drivers"\nchannel = 3\n',
            "parts.toml: it has [[lamp]] already",
        ),
    ],
)
def test_what_is_wrong_is_told_by_rows(tmp_path: Path, rows: str, parts: str | None, says: str) -> None:
    with pytest.raises(ConsoleError) as caught:
        brought(tmp_path, HEADS + rows, parts)
    assert says in str(caught.value)
    assert not (tmp_path / "panel.toml").exists()


def test_what_is_wrong_beyond_the_list(tmp_path: Path) -> None:
    text = PARTS.replace(
        '[reader]\nfolder = "reader"', '[reader]\nfolder = "reader"\nload_key = "LOAD"\nstart_key = "GO"'
    )
    with pytest.raises(ConsoleError, match=r'parts.toml:92: load_key of \[reader\] is "LOAD", which is no key'):
        brought(tmp_path, HEADS + "key,,GO,,,,,toggle,", text)


def test_unknown_columns_are_named(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("sort,name,notes\nlamp,RUN,x\n", encoding="utf-8")
    assert "left out: the columns notes" in bring(tmp_path / "list.csv", tmp_path / "x.toml", None, replace=False)


def test_files_that_are_there_or_cannot_be(tmp_path: Path) -> None:
    console = loaded(tmp_path)
    with pytest.raises(ConsoleError, match=r"bench.toml: is there already. Give another name, or --replace"):
        export(console, tmp_path / "bench.toml", codes=False, replace=False)
    with pytest.raises(ConsoleError, match="cannot be written"):
        export(console, tmp_path / "no" / "list.csv", codes=False, replace=False)
    with pytest.raises(ConsoleError, match=r"cannot be read .* Give the name of a wiring list"):
        bring(tmp_path / "none.csv", tmp_path / "x.toml", None, replace=False)


def test_pin_by_pin(tmp_path: Path) -> None:
    text = changed(('pins = "1-4"', 'pins = "10-7"\nrevision = "B"'))
    assert listed(loaded(tmp_path, text))[:9] == [
        "Bench: wiring list",
        "",
        "J1 (board revision B)",
        "  pin  wire             to        part, channel",
        "  6    grey GY          lamp RUN  drivers 5",
        "  7    pink PK          lamp A.0  drivers 3",
        "  8    green GN         lamp A.1  drivers 2",
        "  9    white/blue WHBU  lamp A.2  drivers 1",
        "  10   red RD           lamp A.3  drivers 0",
    ]
    assert "at no connector" in listed(loaded(tmp_path, text))


def test_connectors_in_their_order() -> None:
    assert list(by_connector(load(examples() / "skerry.toml")))[:3] == ["J1", "J2", "J3"]
    assert list(by_connector(load(examples() / "skerry.toml")))[-1] == "J13"


@pytest.mark.parametrize("file", sorted(examples().glob("*.toml")), ids=lambda file: file.name)
def test_it_fits_80_columns(file: Path) -> None:
    assert max(map(len, listed(load(file)))) <= 80


def test_labels(tmp_path: Path) -> None:
    html = page(loaded(tmp_path, changed(('wire = "grey"', 'wire = "<grey>"\nrevision = "B"'))))
    assert html.count('<div class="label">') == 8
    assert "<b>J1 pin 6 rev. B</b><span>lamp RUN</span><span>drivers 5, &lt;grey&gt;</span>" in html
    assert "<b>J1 pin 2</b><span>lamp A.2</span><span>drivers 1, white/blue WHBU</span>" in html
    assert not re.search(r"https?://|<script", html)
