import io

import pytest
from rich.console import Console as Terminal

from bridge.demo.screen import ROW, STATES, Paper, Screen


def test_the_page_follows_the_codes() -> None:
    done: list[str] = []
    paper = Paper(done.append)
    for text in ("HIGH ", "WATER\r", "\n\x07 3.", "214"):
        paper.typed(text)
    assert done == ["HIGH WATER"]
    assert paper.lines == ["HIGH WATER", " 3.214"]


def drawn(width: int, height: int, words: str, deck: str = "tide.deck") -> list[str]:
    """Return the screen in the middle of a job, line by line."""
    terminal = Terminal(width=width, height=height, record=True, file=io.StringIO())
    screen = Screen(terminal)
    screen.say(words)
    screen.expect(12)
    screen.saw({"topic": "panel", "lamps": [*ROW, *STATES]})
    screen.saw({"topic": "lamps", "codes": [4095] * 24 + [0] * len(STATES)})
    screen.saw({"topic": "deck", "deck": deck, "read": 34, "cards": 68})
    screen.saw({"topic": "punched", "number": 1})
    screen.saw({"topic": "typed", "text": "".join(f"LINE {n}\r\n" for n in range(40))})
    terminal.print(screen._draw())
    return terminal.export_text().splitlines()


@pytest.mark.parametrize(("width", "height", "first"), [(80, 24, 29), (100, 30, 23)])
def test_the_screen_fits_and_shows_cards_lamps_and_page(width: int, height: int, first: int) -> None:
    lines = drawn(width, height, "The tide program follows.")
    assert len(lines) < height
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "34 of 68 tide.deck" in text
    assert "1 of 12" in text
    assert "LINE 39" in text
    assert f"LINE {first}" in text
    assert f"LINE {first - 1}" not in text
    assert text.count("●") == 24
    assert "The tide program follows." in text


def test_long_words_are_wrapped_and_take_no_line_from_the_page() -> None:
    short, long = drawn(80, 24, "Short."), drawn(80, 24, "word " * 29 + "end" + " beyond" * 60)
    assert len(short) == len(long)
    assert "end" in " ".join(long)
    assert "LINE 39" in "\n".join(long)


def test_a_long_name_takes_no_line_from_the_page() -> None:
    assert len(drawn(80, 24, "", "a very long name of a deck " * 5)) == len(drawn(80, 24, "", "tide.deck"))


def test_the_punch_counts_from_the_blanks_that_were_put_in() -> None:
    screen = Screen(Terminal(width=80, height=24, file=io.StringIO()))
    for cards in (12, 92):
        screen.expect(cards)
        screen.saw({"topic": "punched", "number": 1})
    assert (screen._punched, screen._expected) == (1, 92)
