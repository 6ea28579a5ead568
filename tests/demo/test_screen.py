import io

from rich.console import Console as Terminal

from bridge.demo.screen import ROW, STATES, Paper, Screen


def test_the_page_follows_the_codes() -> None:
    done: list[str] = []
    paper = Paper(done.append)
    for text in ("HIGH ", "WATER\r", "\n\x07 3.", "214"):
        paper.typed(text)
    assert done == ["HIGH WATER"]
    assert paper.lines == ["HIGH WATER", " 3.214"]


def drawn(screen: Screen) -> list[str]:
    terminal = Terminal(width=80, height=24, record=True, file=io.StringIO())
    terminal.print(screen._draw())
    return terminal.export_text().splitlines()


def test_the_screen_fits_80_by_24_and_shows_cards_lamps_and_page() -> None:
    screen = Screen()
    screen.say("The tide program follows.")
    screen.saw({"topic": "panel", "lamps": [*ROW, *STATES]})
    screen.saw({"topic": "lamps", "codes": [4095] * 24 + [0] * len(STATES)})
    screen.saw({"topic": "deck", "deck": "tide.deck", "read": 34, "cards": 68})
    screen.saw({"topic": "punched", "number": 1})
    screen.saw({"topic": "typed", "text": "".join(f"LINE {n}\r\n" for n in range(40))})
    lines = drawn(screen)
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    text = "\n".join(lines)
    assert "tide.deck: 34 of 68" in text
    assert "LINE 39" in text
    assert "LINE 20" not in text
    assert text.count("●") == 24
    assert "The tide program follows." in text
