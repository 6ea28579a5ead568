"""`consolewright deck` as people meet it: what they type, what they read, how it ends."""

import errno
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from bridge.cards.card import COLUMNS, card_of
from bridge.cards.code import X3_26
from bridge.cards.deck import MAX_BYTES, parse, print_deck
from bridge.cards.pbm import read_pictures
from bridge.decks.listing import ruler
from bridge.files import examples
from tests.test_cli import command

GANNET = examples() / "decks" / "gannet-bay.deck"
LOADER = examples() / "decks" / "loader.deck"


class Desk:
    """A folder, and what the command says and how it ends there."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        monkeypatch.chdir(folder)
        self._tools = monkeypatch, capsys

    def deck(self, *words: object) -> tuple[int, list[str], list[str]]:
        """Return the exit status, the lines on standard output, and those on standard error."""
        monkeypatch, capsys = self._tools
        status = command(monkeypatch, "deck", *map(str, words))
        out, err = capsys.readouterr()
        assert not [line for line in out.splitlines() if len(line) > 80]
        assert not [line for line in out.splitlines() if line != line.rstrip()]
        return status, out.splitlines(), err.splitlines()

    def said(self, *words: object) -> list[str]:
        status, out, err = self.deck(*words)
        assert (status, err) == (0, [])
        return out

    def refused(self, *words: object) -> list[str]:
        status, out, err = self.deck(*words)
        assert (status, out) == (2, [])
        return err


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, monkeypatch, capsys)


def written(name: str, text: str) -> str:
    Path(name).write_text(text, encoding="utf-8")
    return name


TENS = "--------20--------30--------40--------50--------60--------70--------80"


def test_a_listing_is_what_an_interpreter_prints(desk: Desk) -> None:
    lines = GANNET.read_text(encoding="utf-8").splitlines()
    written("gannet-bay.deck", GANNET.read_text(encoding="utf-8"))
    *listing, last = desk.said("show", "gannet-bay.deck")
    assert listing == [f"card 1 -10{TENS}", *lines, ""]
    assert last == "gannet-bay.deck: 9 cards, in card code x3.26."


@pytest.mark.parametrize("number", [1, 10, 100, 999, 1000, 100_000])
def test_the_ruler_counts_columns(number: int) -> None:
    line = ruler(number)
    assert len(line) == COLUMNS
    assert str(number) in line[:8]
    assert all(line[ten - 2 : ten] == str(ten) for ten in range(10, 81, 10))


def test_columns_are_counted_again_every_ten_cards(desk: Desk) -> None:
    out = desk.said("show", written("x.deck", "".join(f"{n}\n" for n in range(1, 24))))
    assert [(n, line.split()[1]) for n, line in enumerate(out) if line.startswith("card")] == [
        (0, "1"),
        (11, "11"),
        (22, "21"),
    ]


def test_one_card_with_every_hole(desk: Desk) -> None:
    # source: the card code's table, by hand: A is 12-1, J 11-1, 0 is 0, 9 is 9; U+E00F is rows 6 to 9
    out = desk.said("show", written("x.deck", "X\nAJ09\ue00f\n"), "--card", 2, "--holes")
    dots = "." * 75
    assert out == [
        f"card 2 -10{TENS}",
        "AJ09▒",
        f"Y....{dots}",
        f".X...{dots}",
        f"..0..{dots}",
        f"11...{dots}",
        *[f".....{dots}"] * 4,
        *(f"....{row}{dots}" for row in "678"),
        f"...99{dots}",
        "",
        "x.deck: 2 cards, in card code x3.26. Y and X are rows 12 and 11. ▒ is a column",
        "  with holes that have no character: 1 column.",
    ]


def test_columns_without_a_character_are_told(desk: Desk) -> None:
    assert desk.said("show", written("x.deck", "A\ue00fB\n"))[1:] == [
        "A▒B",
        "",
        "x.deck: 1 card, in card code x3.26. ▒ is a column with holes that have no",
        "  character, which --holes shows: 1 column.",
    ]


def test_no_cards(desk: Desk) -> None:
    assert desk.said("show", written("x.deck", "")) == ["", "x.deck: 0 cards, in card code x3.26."]
    assert desk.said("check", "x.deck") == ["x.deck: 0 cards, sound in card code x3.26"]


@pytest.mark.parametrize("number", [0, 10, -1])
def test_a_card_that_is_not_there(desk: Desk, number: int) -> None:
    assert desk.refused("show", GANNET, "--card", number)[0].endswith(f"has no card {number}: it has 9 cards.")


def test_check_says_what_is_in_sound_decks(desk: Desk) -> None:
    binary = print_deck([card_of([0x3, 0x3, 0x3, 0x300, 0x301, 0x302, 0x304, 0x308, 0x310, 0x320])], X3_26)
    out = desk.said("check", written("a.deck", "A\tB\r\n"), written("b.deck", binary))
    # source: counted by eye: 9-8 is in three columns; the last four have row 1 and another of rows 4 to 7
    assert out == [
        "a.deck: 1 card, sound in card code x3.26",
        "  note: tabs in 1 line went to the next stop, every 8 columns: 9, 17, 25, …",
        "  note: taken as an editor left it: CR LF",
        "b.deck: 1 card, sound in card code x3.26",
        "  9 columns without a character: 9-8 (3), 0-9-1 (1), 0-8-1 (1), 0-1-7 (1), 0-1-6",
        "    (1), 0-1-5 (1), …",
        "  4 columns with several holes in rows 1 to 7, as no character of any code:",
        "    binary",
    ]


def test_a_column_without_a_character_need_not_be_binary(desk: Desk) -> None:
    assert desk.said("check", written("x.deck", "A\ue003\n")) == [
        "x.deck: 1 card, sound in card code x3.26",
        "  1 column without a character: 9-8 (1)",
    ]


SCIENTIFIC = (
    "Card code scientific has the characters space, 0-9, A-Z and $'()*+,-./=; "
    "any other column is written as the character U+E000 + holes."
)


def test_check_says_everything_wrong_with_all_of_them(desk: Desk) -> None:
    Path("folder.deck").mkdir()
    Path("b.deck").write_bytes(b"\x7fELF" + bytes(range(200)) * 9)
    status, out, err = desk.deck(
        "check",
        written("a.deck", "a\n"),
        "b.deck",
        written("c.deck", "C\n"),
        "d.deck",
        "folder.deck",
        "--code",
        "scientific",
    )
    assert status == 2
    assert out == ["c.deck: 1 card, sound in card code scientific"]
    assert err == [
        "a.deck, line 1, column 1: a, a small letter, is not in card code scientific: write A",
        SCIENTIFIC,
        "b.deck, line 1, column 1: this is no text, and so no deck: a deck is a text file with a line for each card",
        "d.deck: there is no such file: check the name and the folder.",
        "folder.deck: this is a folder: name a deck in it.",
    ]


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EACCES, "it may not be read: change its permissions, or ask its owner to."),
        (errno.EIO, "it cannot be read (Input/output error): try a copy."),
    ],
)
def test_a_file_that_cannot_be_read(desk: Desk, monkeypatch: pytest.MonkeyPatch, number: int, says: str) -> None:
    def denied(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Path, "open", denied)
    assert desk.refused("check", "a.deck") == [f"a.deck: {says}"]


def test_a_file_of_endless_size_is_not_read_to_its_end(desk: Desk) -> None:
    with Path("a.deck").open("wb") as file:
        file.truncate(10 * MAX_BYTES)
    assert desk.refused("check", "a.deck") == ["a.deck: the file has more than 25,000,000 bytes: split it."]


def test_convert_goes_there_and_back(desk: Desk) -> None:
    assert desk.said("convert", LOADER, "L.PBM")[0].startswith("L.PBM: 3 cards from")
    assert read_pictures(Path("L.PBM").read_bytes(), "x") == parse(LOADER.read_bytes(), "x")
    assert desk.said("convert", "L.PBM", "l.deck") == ["l.deck: 3 cards from L.PBM"]
    assert Path("l.deck").read_bytes() == LOADER.read_bytes()
    assert sorted(os.listdir()) == ["L.PBM", "l.deck"]  # noqa: PTH208 -- the names alone


def test_convert_makes_a_deck_as_it_should_be(desk: Desk) -> None:
    written("x.deck", "\ufeffA\tB\r\nC")
    assert desk.refused("convert", "x.deck", "x.deck") == [
        "x.deck is there already: choose another name, or add --replace."
    ]
    assert desk.said("convert", "x.deck", "x.deck", "--replace", "--tabs", "4") == [
        "x.deck: 2 cards from x.deck",
        "note: tabs in 1 line went to the next stop, every 4 columns: 5, 9, 13, …",
        "note: taken as an editor left it: CR LF, a byte order mark, no LF at the end",
    ]
    assert Path("x.deck").read_bytes() == b"A   B\nC\n"


def test_convert_refuses_and_leaves_nothing_behind(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    written("x.deck", "A\n")
    assert desk.refused("convert", "x.deck", "x.txt") == [
        "x.txt: name the new deck *.deck for text, or *.pbm for pictures."
    ]
    assert desk.refused("convert", "x.deck", "nowhere/x.pbm") == [
        "nowhere/x.pbm: it cannot be written (No such file or directory): choose another place."
    ]

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    assert desk.refused("convert", "x.deck", "y.deck") == [
        "y.deck: it cannot be written (No space left on device): choose another place."
    ]
    assert os.listdir() == ["x.deck"]  # noqa: PTH208 -- the names alone


def test_compare_tells_cards_and_columns(desk: Desk) -> None:
    written("a.deck", "GANNET BAY  2\nM2\nS2\nN2\n\ue00f\n")
    written("b.deck", "GANNIT BAY 32\nM2\nN2\n\ue00e\nEND\n")
    status, out, err = desk.deck("compare", "a.deck", "b.deck")
    assert (status, err) == (1, [])
    assert out == [
        "Card 1, columns 5, 12:",
        "GANNET BAY  2",
        "GANNIT BAY 32",
        "    ^      ^",
        "  column 5: E (12-5), then I (12-9)",
        "  column 12: blank, then 3 (3)",
        "",
        "Card 3 of a.deck is not in b.deck:",
        "S2",
        "",
        "Card 5 and card 4, column 1:",
        "▒",
        "▒",
        "^",
        "  column 1: holes 9-8-6-7, then holes 8-6-7",
        "",
        "Card 5 of b.deck is not in a.deck:",
        "END",
        "",
        "a.deck has 5 cards, b.deck 5 cards; 4 cards differ.",
    ]
    assert desk.said("compare", "a.deck", "a.deck") == ["a.deck and a.deck have the same 5 cards."]


def test_compare_lists_the_first_twenty(desk: Desk) -> None:
    written("a.deck", "".join(f"{n:09}\n" for n in range(25)))
    written("b.deck", "".join(f"{'ABCDEFGHI'}{n}\n" for n in range(25)))
    status, out, _ = desk.deck("compare", "a.deck", "b.deck")
    assert status == 1
    assert sum(line.startswith("Card") for line in out) == 20
    assert out[12] == "  and 2 more"
    assert out[-2:] == [
        "a.deck has 25 cards, b.deck 25 cards; 25 cards differ. 5 of them are not listed:",
        "  --all lists them.",
    ]
    _, out, _ = desk.deck("compare", "a.deck", "b.deck", "--all")
    assert sum(line.startswith("Card") for line in out) == 25
    written("c.deck", "0\n")
    _, out, _ = desk.deck("compare", "c.deck", written("d.deck", "1\n"))
    assert out[-1] == "c.deck has 1 card, d.deck 1 card; 1 card differs."


def test_compare_says_what_is_wrong_with_both(desk: Desk) -> None:
    assert len(desk.refused("compare", "a.deck", "b.deck")) == 2


def test_codes_of_a_console(desk: Desk) -> None:
    skerry = (examples() / "skerry.toml").read_text(encoding="utf-8")
    own = '\n[[card_code]]\nname = "harbour"\nlike = "commercial"\nholes = { "½" = "8-4", "£" = "12-8-4" }\n'
    written("own.toml", skerry + own)
    written("x.deck", "½ £\n")
    assert desk.said("check", "x.deck", "--file", "own.toml", "--code", "harbour") == [
        "x.deck: 1 card, sound in card code harbour"
    ]
    assert "not in card code x3.26" in desk.refused("check", "x.deck", "--file", "own.toml")[0]
    written("own.toml", (skerry + own).replace('code = "x3.26"', 'code = "harbour"'))
    assert desk.said("check", "x.deck", "--file", "own.toml")[0].endswith("harbour")
    written("bare.toml", 'format = 1\nname = "Bare"\n')
    assert "x3.26" in desk.refused("check", "x.deck", "--file", "bare.toml")[0]
    (said,) = desk.refused("check", "x.deck", "--code", "harbour")
    assert said.startswith('There is no card code "harbour". There are: x3.26, commercial, scientific.')
    assert said.endswith("A console's own are known with --file and its description.")
    assert desk.refused("check", "x.deck", "--file", "own.toml", "--code", "harbor") == [
        'There is no card code "harbor". There are: x3.26, commercial, scientific, harbour.'
    ]


@pytest.mark.parametrize("tabs", ["0", "81", "x", "²"])
def test_tabs_are_a_number_of_columns(desk: Desk, tabs: str) -> None:
    assert "is no number of columns" in desk.refused("show", GANNET, "--tabs", tabs)[-1]


@pytest.mark.parametrize("words", [("--help",), *((one, "--help") for one in ("show", "check", "convert", "compare"))])
def test_help_fits_a_terminal(desk: Desk, words: tuple[str, ...]) -> None:
    assert desk.said(*words)[0].startswith("usage: consolewright deck")


def test_a_card_is_drawn_as_svg(desk: Desk) -> None:
    assert desk.said("show", GANNET, "--picture", "card.SVG") == ["card.SVG: card 1 of 9, in card code x3.26"]
    svg = Path("card.SVG").read_text(encoding="utf-8")
    assert "<title>Card 1 of gannet-bay.deck: GANNET BAY            02.640</title>" in svg
    assert desk.said("show", GANNET, "--card", 9, "--picture", "card.svg")[0].startswith("card.svg: card 9 of 9")


def test_a_card_is_drawn_as_png(tmp_path: Path) -> None:
    # In a process of its own, since matplotlib keeps its fonts open.
    out = tmp_path / "card.png"
    words = ["deck", "show", str(GANNET), "--picture", str(out)]
    process = subprocess.run([sys.executable, "-m", "bridge", *words], capture_output=True, text=True, check=False)
    assert process.returncode == 0, process.stderr
    with Image.open(out) as png:
        assert png.size == (1475, 650)  # source: arithmetic: 7.375 × 3.25 in at 200 dots an inch
        image = png.convert("RGBA")
    # source: arithmetic: G in column 1 is 12-7, 0.251 in from the left; rows are 0.250 in apart, row 12 the first
    assert [image.getpixel((50, 50 * row)) for row in (1, 10)] == [(28, 26, 23, 255)] * 2
    assert image.getpixel((50, 100)) == (241, 226, 191, 255)
    assert image.getchannel("A").getpixel((2, 2)) == 0  # the corner that is cut off


def test_a_picture_that_cannot_be_drawn(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    assert desk.refused("show", GANNET, "--picture", "x.gif") == ["x.gif: name the picture *.svg or *.png."]
    assert desk.refused("show", GANNET, "--picture", "nowhere/x.svg") == [
        "nowhere/x.svg: it cannot be written (No such file or directory): choose another place."
    ]
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    (said,) = desk.refused("show", GANNET, "--picture", "x.png")
    assert "name the picture *.svg, which needs nothing" in said
    assert "pip install 'consolewright[plot]'" in said


def test_a_terminal_that_knows_few_characters_gets_the_rest() -> None:
    words = [sys.executable, "-m", "bridge", "deck", "show", str(LOADER)]
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    process = subprocess.run(words, env=environment, capture_output=True, text=True, check=False)
    assert (process.returncode, process.stderr) == (0, "")
    assert "} ??3?2?t T?2?t" in process.stdout


README = Path(__file__).parents[2] / "README.md"


@pytest.mark.skipif(not README.exists(), reason="there is no README beside these tests")
def test_the_commands_of_the_readme_run(tmp_path: Path) -> None:
    block = re.search(r"<!-- command: decks -->\n```sh\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert block
    program = block[1].replace(".venv/bin/consolewright", f"'{sys.executable}' -m bridge")
    environment = os.environ | {"HOME": str(tmp_path)}
    for _ in range(2):  # also when what they write is there already
        process = subprocess.run(
            ["sh", "-e"], input=program, cwd=README.parent, env=environment, capture_output=True, text=True, check=False
        )
        assert (process.returncode, process.stderr) == (0, "")
        assert " ".join(process.stdout.split()).endswith("have the same 3 cards.")
    assert {path.name for path in tmp_path.iterdir()} == {"card.svg", "loader.pbm"}
