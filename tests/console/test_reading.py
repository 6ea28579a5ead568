from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from bridge.console import DescriptionError, describe, load
from bridge.console.facts import MOST_CARDS, CardCode, Reader
from bridge.errors import ConsoleError
from tests.console.sample import TEXT, changed, findings, line_of, loaded

X3_26 = CardCode("x3.26", "x3.26")


def test_several_faults_are_told_together_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = changed(
        ("latch = 24", "latch = 8"),
        ('type = "74HC165"', 'type = "74HC164"'),
        ('channels = "0-3"', 'channels = "45-48"'),
        ("pin = 6", "pin = 1"),
        ('kind = "toggle"', 'knid = "toggle"'),
        ("factor = 2.0", "factor = -2.0"),
        ('folder = "punch"', 'folder = "/punch"'),
    )
    found = findings(tmp_path, text)
    assert [(line, told.split(" ")[0]) for line, told in found] == [
        (line_of("latch = 8", text), "GPIO"),
        (line_of('[[part]]\nname = "inputs"', text), "part"),
        (line_of('channels = "45-48"', text), "lamp_row"),
        (line_of("pin = 1", text), "pin"),
        (line_of("[[key_row]]", text), "key_row"),
        (line_of('knid = "toggle"', text), "key_row"),
        (line_of("factor = -2.0", text), '"factor"'),
        (line_of('folder = "/punch"', text), '"folder"'),
    ]


def test_a_broken_table_is_not_blamed_on_those_that_name_it(tmp_path: Path) -> None:
    text = changed(("port = 0", "port = 7"), ("port = 1", "port = 8"), ("chips = 2", "chips = 0"))
    assert [told.split(" of ")[0] for _, told in findings(tmp_path, text)] == ['"port"', '"port"', '"chips"']


def test_a_misspelt_key_is_not_also_missed(tmp_path: Path) -> None:
    assert len(findings(tmp_path, changed(('connector = "J2"', 'conector = "J2"')))) == 1


def test_bus_time_is_not_told_from_rates_that_are_wrong_themselves(tmp_path: Path) -> None:
    text = changed(("rate_hz = 2_000_000", "rate_hz = 100_000"), ("rate_hz = 250", "rate_hz = 20"))
    assert len(findings(tmp_path, text)) == 1


def test_nothing_to_choose_from(tmp_path: Path) -> None:
    text = 'format = 1\nname = "x"\n[[lamp]]\nname = "y"\npart = "z"\nchannel = 0\n'
    told = 'lamp "y" is on part "z", which is not described; there is none yet: describe it first'
    assert findings(tmp_path, text) == [(5, told)]


def test_one_finding_is_one_line_whatever_the_names(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text('format = 1\nname = "x"\n"a\\n\\u001b[2J" = 1\n', encoding="utf-8")
    with pytest.raises(DescriptionError) as caught:
        load(path)
    assert str(caught.value).isprintable()
    assert r'"a\n\x1b[2J"' in str(caught.value)


def test_everything_at_once_in_a_heap(tmp_path: Path) -> None:
    text = "name = 3\nbus = 4\npart = [5]\nlamp = [{}]\nframes = 6\n[[key]]\n[[key]]\nx = 1\n"
    found = findings(tmp_path, text)
    assert {line for line, _ in found} == {1, 2, 3, 4, 5, 6, 7, 8}


@pytest.mark.parametrize(
    ("form", "todo"), [("2", "use a newer consolewright"), ("0", "write format = 1"), ("1_000", "newer consolewright")]
)
def test_another_format_is_told_alone(tmp_path: Path, form: str, todo: str) -> None:
    ((line, told),) = findings(tmp_path, f"name = 3\nformat = {form}\nthings = 4\n")
    assert line == 2
    assert f"is of format {int(form)}" in told
    assert todo in told


@pytest.mark.parametrize("form", ['"1"', "1.0", "true", "false", "[1]"])
def test_a_format_of_another_kind(tmp_path: Path, form: str) -> None:
    ((line, told),) = findings(tmp_path, changed(("format = 1", f"format = {form}")))
    assert (line, told) == (1, f'"format" of the description cannot be {form}; use 1')


# A mistake in the writing, the line it is on, and words of what is told.
MISTAKES = [
    ("name = Skerry\n", 1, "what stands after = is no value: name = Skerry"),
    ("\nrate = 5 Hz\n", 2, "something follows the value: rate = 5 Hz"),
    ("\n\nname\n", 3, "there is a name without a value: name"),
    ("x = 1\n- note\n", 2, "name without a value"),
    ("x = 1\n; note\n", 2, "neither a key, a [table] nor a # note"),
    ("x = 1\ny = 2\nx = 3\n", 3, "its table has this key already: x = 3"),
    ("[punch]\nx = 1\n[punch]\nx = 2\n", 3, "write [[table]]"),
    ('x = [\n  "a"\n  "b"\n]\n', 3, "a comma is missing"),
    ('x = "a\ny = 2\n', 1, 'close it with "'),
    ('x = """a\ny = 2\n\n', 2, "the file ends before this is complete: y = 2"),
    ('x = "C:\\data"\n', 1, "a backslash stands in a text"),
    ("[lamp\nx = 1\n", 1, "this is not TOML (Expected ']'"),
    ("x = 1\n\ny = [1,", 3, "the file ends before this is complete: y = [1,"),
]


@pytest.mark.parametrize(("text", "line", "words"), MISTAKES)
def test_what_is_no_toml_is_told_with_its_line(tmp_path: Path, text: str, line: int, words: str) -> None:
    ((told_line, told),) = findings(tmp_path, text)
    assert told_line == line
    assert words in told


def test_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(TEXT.replace("accumulator", "Zähler").encode("latin-1"))
    with pytest.raises(DescriptionError) as caught:
        load(path)
    line = line_of('title = "accumulator"')
    assert (
        str(caught.value)
        == f"{path}:{line}: the byte E4 hex is not UTF-8 text; save the file as UTF-8, in your editor's Save As"
    )


def test_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load(path).lamps[0].place == line_of("[[lamp_row]]")


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match=r"none\.toml: there is no such file; check the name"):
        load(tmp_path / "none.toml")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match="this is a folder; name the description in it"):
        load(tmp_path)


def test_a_file_that_may_not_be_read(tmp_path: Path, mocker: MockerFixture) -> None:
    # Permissions do not stop the superuser, whom a test may run as.
    mocker.patch.object(Path, "read_bytes", side_effect=PermissionError(13, "Permission denied"))
    with pytest.raises(ConsoleError, match=r"cannot be read \(Permission denied\); check its owner"):
        load(tmp_path / "bench.toml")


def test_what_the_sample_becomes(tmp_path: Path) -> None:
    console = loaded(tmp_path)
    panel, spare = console.buses
    drivers, inputs = console.parts
    assert (console.name, console.board, console.path) == ("Bench", "Raspberry Pi 3B+", tmp_path / "bench.toml")
    assert (panel.rehearsed, panel.port, panel.rate_hz, panel.place) == (
        False,
        0,
        2_000_000,
        line_of('[[bus]]\nname = "panel"'),
    )
    assert spare.rehearsed
    assert (drivers.bus, drivers.lines, drivers.channels, drivers.bits) == (panel, {"latch": 24, "blank": 25}, 48, 576)
    assert (inputs.always_high, inputs.always_low, inputs.select) == ((23,), (0,), 1)
    assert [(lamp.name, lamp.channel, lamp.connector, lamp.pin, lamp.wire) for lamp in console.lamps] == [
        ("A.3", 0, "J1", "1", "red"),
        ("A.2", 1, "J1", "2", "white/blue"),
        ("A.1", 2, "J1", "3", "green"),
        ("A.0", 3, "J1", "4", "pink"),
        ("RUN", 5, "J1", "6", "grey"),
    ]
    assert [(key.name, key.kind, key.closed_high, key.channel, key.connector, key.pin) for key in console.keys] == [
        ("W.2", "toggle", False, 1, "J2", "a1"),
        ("W.1", "toggle", False, 2, "J2", "a2"),
        ("W.0", "toggle", False, 3, "J2", "a3"),
        ("SELECT.A", "position", False, 6, None, None),
        ("SELECT.W", "position", False, 8, None, None),
        ("START", "momentary", True, 4, None, None),
    ]
    assert {point.part for point in console.lamps} == {drivers}
    assert {point.part for point in console.keys} == {inputs}
    (row,) = console.lamp_rows
    assert (row.name, row.title, row.lamps) == ("A", "accumulator", console.lamps[:4])
    (keys,) = console.key_rows
    assert (keys.name, keys.title, keys.kind, keys.keys) == ("W", "W", "toggle", console.keys[:3])
    (rotary,) = console.rotaries
    assert (rotary.title, rotary.positions, rotary.keys) == ("selector", ("A", "W"), console.keys[3:5])
    assert (console.frames.rate_hz, console.scan.rate_hz, console.scan.settle_ms, console.pace.factor) == (
        250,
        200,
        20,
        2,
    )
    assert console.typewriter
    assert (console.typewriter.device, console.typewriter.rehearsed) == ("/dev/serial/by-id/usb-x", False)
    assert (console.typewriter.columns, console.typewriter.travel_ms, console.typewriter.return_ms) == (72, 4, 120)
    assert console.reader
    assert console.reader == Reader(
        Path("reader"), 300, X3_26, "stop", MOST_CARDS, "", "", "", "", console.reader.place
    )
    assert console.punch
    assert (console.punch.folder, console.punch.blank_cards) == (Path("punch"), 40)


def test_a_readers_keys(tmp_path: Path) -> None:
    reader = '"reader"\ntaken_out = "finish"\nstacker_cards = 500\nload_key = "W.2"\nstart_key = "START"\n'
    console = loaded(tmp_path, changed(('"reader"\n', reader)))
    assert console.reader
    place = console.reader.place
    assert console.reader == Reader(Path("reader"), 300, X3_26, "finish", 500, "W.2", "START", "", "", place)


def test_sticks_go_into_ports(tmp_path: Path) -> None:
    ports = "platform-xhci-hcd.0-usbv2-0:1.2, platform-xhci-hcd.0-usbv3-0:1"
    console = loaded(tmp_path, changed(('folder = "reader"', f'port = "{ports}"')))
    assert console.reader
    assert (console.reader.ports, console.reader.folder) == (tuple(ports.split(", ")), None)
    assert f"reader USB port {ports.replace(', ', ' or ')}, 300" in " ".join(describe(console).split())
    assert console.punch
    assert console.punch.ports == ()


def test_a_misspelt_folder_is_not_blamed_twice(tmp_path: Path) -> None:
    text = changed(('folder = "reader"', 'foldr = "reader"'))
    assert findings(tmp_path, text) == [(line_of("foldr", text), '[reader] has no key "foldr"; did you mean "folder"?')]


def test_what_is_not_described_is_not_there(tmp_path: Path) -> None:
    console = loaded(tmp_path, 'format = 1\nname = "Bare"\n')
    assert (console.lamps, console.keys, console.parts, console.buses) == ((), (), (), ())
    assert (console.board, console.typewriter, console.reader, console.punch) == (None, None, None, None)
    assert (console.frames.rate_hz, console.scan.rate_hz, console.scan.settle_ms, console.pace.factor) == (
        200,
        250,
        10,
        1,
    )


# source: arithmetic: baud / (start + data + parity + stop bits); 134.5 baud is written 134.
@pytest.mark.parametrize(
    ("baud", "data", "parity", "stop", "carried"),
    [
        (110, 8, "none", 2, 10),
        (110, 7, "even", 2, 10),
        (300, 8, "none", 1, 30),
        (9600, 7, "odd", 1, 960),
        (134, 7, "none", 1, 14.944),
    ],
)
def test_what_a_line_carries(tmp_path: Path, baud: int, data: int, parity: str, stop: int, carried: float) -> None:
    console = loaded(
        tmp_path,
        changed(
            ("baud = 110", f"baud = {baud}"),
            ("data_bits = 7", f"data_bits = {data}"),
            ('parity = "even"', f'parity = "{parity}"'),
            ("stop_bits = 2", f"stop_bits = {stop}"),
        ),
    )
    assert console.typewriter
    assert console.typewriter.line_characters_per_second == pytest.approx(carried, abs=0.001)


def test_cables_and_the_far_end_of_a_chain(tmp_path: Path) -> None:
    inputs = loaded(tmp_path, changed(("load = 23", 'load = 23\ncables = ["J1"]\nserial_in = "high"'))).parts[1]
    assert (inputs.cables, inputs.far_end, inputs.tail) == (("J1", "J1", "J1"), "high", range(24, 32))
    assert not inputs.proves_its_cable
    inputs = loaded(tmp_path).parts[1]
    assert (inputs.cables, inputs.far_end, inputs.proves_its_cable) == ((), "low", True)


def test_single_brackets_where_there_may_be_several(tmp_path: Path) -> None:
    said = "[part] is in single brackets, but there may be several; write [[part]], here and at each other"
    second = TEXT.index("[[part]]", TEXT.index("[[part]]") + 1)
    once = TEXT.replace("[[part]]", "[part]  # chips", 1)[: second + 9] + "\n"
    assert (once.count("[part]  # chips"), once.count("[[part]]")) == (1, 0)
    assert (line_of("[part]  # chips", once), said) in findings(tmp_path, once)
    twice = TEXT.replace("[[part]]", "[part]")
    lines = [number for number, line in enumerate(twice.split("\n"), start=1) if line == "[part]"]
    assert findings(tmp_path, twice) == [(number, said) for number in lines]
