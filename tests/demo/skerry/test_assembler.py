"""The assembler: what it makes of each line, and what it says when it cannot.  source: ORDERS.md, arithmetic."""

from pathlib import Path

import pytest

from bridge.cards.deck import columns_of, print_deck
from bridge.demo.skerry import assembler
from bridge.demo.skerry.assembler import AssemblyError, assemble

ORDER = {"GET": 1, "PUT": 2, "SETX": 14, "JUMP": 17, "SWAP": 11, "TYPI": 31, "HALT": 0}


def loaded(source: str) -> tuple[dict[int, int], int]:
    """Return what a loader puts where, and where it goes then; read from the letters on the cards."""
    store: dict[int, int] = {}
    lines = print_deck(assemble(source, "a test")).splitlines()
    for number, line in enumerate(lines, 1):
        words = [
            int("".join(f"{ord(letter) - ord('A'):x}" for letter in line[at : at + 6]), 16) for at in range(0, 72, 6)
        ]
        assert line[72:] == f"TEST{number:04}"
        assert words[0] == number
        assert sum(words) % 2**24 == 0
        if number == len(lines):
            assert words[1] >> 18 == ORDER["JUMP"]
            return store, words[1] % 1024
        assert words[1] >> 17 == ORDER["PUT"] * 2 + 1
        for x, word in zip(range(9, 0, -1), words[2:11], strict=True):
            store[(words[1] + x) % 1024] = word
    raise AssertionError("no cards")


def source(*lines: str) -> str:
    return "\n".join(("         NAME TEST", *lines, "         START 0", ""))


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("  GET 5", ORDER["GET"] << 18 | 5),
        ("  GET TABLE", ORDER["GET"] << 18 | 300),
        ("  GET TABLE+2-1+X", ORDER["GET"] << 18 | 1 << 17 | 301),
        ("  GET X", ORDER["GET"] << 18 | 1 << 17),
        ("  GET 1023 + X", ORDER["GET"] << 18 | 1 << 17 | 1023),
        ('  TYPI "A"', ORDER["TYPI"] << 18 | 65),
        ('  TYPI "*" * a star', ORDER["TYPI"] << 18 | 42),
        ("  SWAP * nothing", ORDER["SWAP"] << 18),
        ("L1 HALT", 0),
        ("  WORD -1", 0xFFFFFF),
        ("  WORD 16777215", 0xFFFFFF),
        ("  WORD -8388608", 0x800000),
        ('  WORD "Z"-"A"', 25),
        ("  WORD TABLE", 300),
        ("  FRACTION 0.5", 0x400000),
        ("  FRACTION -1", 0x800000),
        ("  FRACTION .1", 838861),
        ("  FRACTION -0.1", 2**24 - 838861),
    ],
)
def test_a_line_makes_a_word(line: str, word: int) -> None:
    store, _ = loaded(source("TABLE IS 300", line))
    assert store[0] == word


def test_text_is_three_letters_a_word_and_a_word_of_zero() -> None:
    store, _ = loaded(source("CR IS 13", '  TEXT "ABCD, * ", CR,10', "  WORD 7"))
    assert [store[n] for n in range(5)] == [0x414243, 0x442C20, 0x2A200D, 0x0A0000, 0]
    assert store[5] == 7


def test_labels_may_come_later_and_stand_alone() -> None:
    store, _ = loaded(source("  JUMP LATER", "  ROOM 3", "LATER", "  HALT", "THERE IS LATER", "  JUMP THERE"))
    assert store[0] == store[5] == ORDER["JUMP"] << 18 | 4


def test_at_and_start() -> None:
    store, start = loaded("  NAME TEST\n  AT 100\nA1 WORD 1\n  AT 200\nB1 WORD 2\n  START B1\n")
    assert (store[100], store[200], start) == (1, 2, 200)


@pytest.mark.parametrize("size", [1, 8, 9, 10, 18, 100])
def test_every_word_of_a_program_is_loaded(size: int) -> None:
    lines = [f"  WORD {n + 1}" for n in range(size)]
    for first in (0, 37, 904 - size):
        store, _ = loaded(source(f"  AT {first}", *lines))
        assert [store[first + n] for n in range(size)] == list(range(1, size + 1))
        assert max(store) < 904


def test_parts_that_lie_close_do_not_overwrite_each_other() -> None:
    store, _ = loaded(source("  AT 50", "  WORD 2", "  AT 45", "  WORD 1", "  AT 60", "  WORD 3"))
    assert (store[45], store[50], store[60]) == (1, 2, 3)


def test_the_binary_form_sums_to_the_cards_to_come() -> None:
    lines = [f"  WORD {n + 1}" for n in range(76)]
    cards = assemble("\n".join(["  BINARY", "  AT 906", *lines, "  AT 984", "  WORD 4097"]), "a test")
    words = [[high << 12 | low for high, low in zip(c[::2], c[1::2], strict=True)] for c in map(columns_of, cards)]
    assert words[0] == [4097] + [0] * 39
    assert [card[0] for card in words[1:]] == [2, 3]
    assert [sum(card) % 2**24 for card in words[1:]] == [2, 1]
    assert words[1][2:] == list(range(38, 0, -1))
    assert words[2][2:] == list(range(76, 38, -1))


@pytest.mark.parametrize(
    ("lines", "messages"),
    [
        (["  GETT 5"], ["2: GETT is not an order or a directive: did you mean GET?"]),
        (["  WROD 5"], ["2: WROD is not an order or a directive: did you mean WORD?"]),
        (["  get 5"], ["2: get is not an order or a directive"]),
        (["TABLE HALT", "  GET TABEL"], ["3: TABEL is not a label: did you mean TABLE?"]),
        (["  AT LATER", "LATER HALT"], ["2: LATER is not a label above this line"]),
        (["  GET"], ["2: GET needs an address or a number after it"]),
        (["  SWAP the two"], ["2: SWAP takes no address: remove the two, or put * before a comment"]),
        (["  GET 1024"], ["2: 1024 is outside 0 to 1023"]),
        (["  GET 5-6"], ["2: -1 is outside 0 to 1023"]),
        (["  WORD 16777216"], ["2: 16777216 is outside -8388608 to 16777215"]),
        (["  WORD X"], ["2: WORD takes no index"]),
        (["  GET 5+X+1"], ["2: 5+X+1 is not an address"]),
        (["  GET 5 6"], ["2: 5 6 is not an address"]),
        (["  GET 5-X"], ["2: X is not a label"]),
        (["  FRACTION 1"], ["2: FRACTION takes a decimal fraction from -1 to just under 1, not 1"]),
        (["  FRACTION"], ["2: FRACTION takes a decimal fraction from -1 to just under 1, not nothing"]),
        (['  TEXT "ABC'], ['2: TEXT takes "letters" and numbers of characters']),
        (["  TEXT"], ['2: TEXT takes "letters" and numbers of characters']),
        (["  TEXT 0"], ["2: 0 is outside 1 to 127"]),
        (["1ST HALT"], ["2: 1ST cannot be a label"]),
        (["X HALT"], ["2: X cannot be a label"]),
        (["NINELETTR HALT"], ["2: NINELETTR cannot be a label"]),
        (["TWICE HALT", "TWICE HALT"], ["3: TWICE is a label already, in line 2: choose another"]),
        (["  IS 5"], ["2: IS needs the label that it gives a value"]),
        (["  AT 1", "  HALT", "  AT 0", "  HALT", "  HALT"], ["6: address 1 is taken already, by line 3"]),
        (["  AT 903", "  HALT", "  HALT"], ["4: address 904 is the loader's: a program ends at 903"]),
        (
            ["  AT 1023", "  WORD 1", "  WORD 1"],
            ["3: address 1023 is the loader's", "4: the store ends at address 1023"],
        ),
        (["  NAME TOOLONG"], ["2: NAME takes one to four characters"]),
        (["  BINARY 2"], ["2: BINARY takes no address"]),
        (["  HALT " + "*" * 80], ["2: the line has 87 columns and a card 80: shorten it by 7"]),
        (["* \u00e9t\u00e9"], ["2: column 3: '\\xe9' cannot be punched: use space to ~"]),
        (["  HALT\tnow"], ["2: column 7: '\\t' cannot be punched", "2: HALT takes no address"]),
        (["  GETT 5", "  PUT", "  HALT 1"], ["2: GETT", "3: PUT needs", "4: HALT takes no address"]),
    ],
)
def test_everything_wrong_is_listed_with_its_line(lines: list[str], messages: list[str]) -> None:
    with pytest.raises(AssemblyError) as raised:
        assemble(source(*lines), "tide.source.deck")
    found = str(raised.value).splitlines()
    assert len(found) == len(messages)
    for line, message in zip(found, messages, strict=True):
        assert line.startswith(f"tide.source.deck, line {message}")


def test_a_program_must_say_where_it_starts() -> None:
    with pytest.raises(AssemblyError, match="line 2: no START so far: say where the program begins"):
        assemble("  NAME TEST\n  HALT\n", "x")


def test_the_command_writes_the_deck(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    written, out = tmp_path / "a.source.deck", tmp_path / "a.deck"
    written.write_text(source("  HALT"))
    monkeypatch.setattr("sys.argv", ["assembler", str(written), str(out)])
    assert assembler.main() == 0
    assert out.read_text() == print_deck(assemble(source("  HALT"), "a"))
    written.write_text(source("  HALTT"))
    assert assembler.main() == 2
    assert "line 2: HALTT is not an order" in capsys.readouterr().err
    written.write_bytes(b"* \xff")
    assert assembler.main() == 2
    assert "a.source.deck: byte 2 is not UTF-8" in capsys.readouterr().err
    written.unlink()
    assert assembler.main() == 2
    assert "a.source.deck" in capsys.readouterr().err
