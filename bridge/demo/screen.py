"""What the demo shows: plain lines, or a screen with the cards, the page and a row of lamps."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Any, Protocol, Self

from rich.console import Console as Terminal
from rich.console import Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

ROW = [f"A.{bit}" for bit in reversed(range(24))]
STATES = ("RUN", "STOPPED", "READER", "PUNCH", "TYPING", "OVER", "ERROR")
FULL = 4095
WORDS_LINES = 3
BAR = 30
OTHER_LINES = 12
"""What of the screen's height is not for lines of the page."""


class View(AbstractContextManager["View"], Protocol):
    """Shows the console while it works."""

    def say(self, words: str) -> None:
        """Say what the operator does."""

    def expect(self, cards: int) -> None:
        """Take how many cards will be punched next."""

    def saw(self, line: dict[str, Any]) -> None:
        """Take a line of the observer link."""

    def page(self, lines: list[str]) -> None:
        """Take the whole typed page at the end."""


class Paper:
    """The typed page, from the characters as they come."""

    def __init__(self, line_done: Callable[[str], None] = lambda _: None) -> None:
        self.lines = [""]
        self._line_done = line_done

    def typed(self, text: str) -> None:
        """Put characters on the page; a line is done when the next one is begun."""
        for character in text:
            if character == "\n":
                self._line_done(self.lines[-1])
                self.lines.append("")
            elif character >= " ":
                self.lines[-1] += character


class Plain:
    """Plain lines: what the operator does, and each line of the page when it is done."""

    def __init__(self) -> None:
        self._paper = Paper(lambda line: print(f"  | {line}", flush=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Nothing to put back."""

    def say(self, words: str) -> None:
        """Print it."""
        print(words, flush=True)

    def expect(self, cards: int) -> None:
        """Nothing counts them."""

    def saw(self, line: dict[str, Any]) -> None:
        """Print lines of the page as they are done."""
        if line["topic"] == "typed":
            self._paper.typed(line["text"])

    def page(self, lines: list[str]) -> None:
        """Everything has been printed."""


class Screen:
    """A screen for a terminal of 80 × 24 or more."""

    def __init__(self, terminal: Terminal | None = None) -> None:
        self._paper = Paper()
        self._names: list[str] = []
        self._codes: dict[str, int] = {}
        self._deck: dict[str, Any] = {}
        self._punched = self._expected = 0
        self._words = ""
        self._terminal = terminal or Terminal()
        self._live = Live(console=self._terminal, get_renderable=self._draw, refresh_per_second=12)

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave the last picture standing."""
        self._live.__exit__(kind, error, trace)

    def say(self, words: str) -> None:
        """Show it under the lamps."""
        self._words = words

    def expect(self, cards: int) -> None:
        """Begin to count them."""
        self._punched, self._expected = 0, cards

    def saw(self, line: dict[str, Any]) -> None:
        """Take a line of the observer link."""
        match line["topic"]:
            case "panel":
                self._names = line["lamps"]
            case "lamps":
                self._codes = dict(zip(self._names, line["codes"], strict=True))
            case "deck":
                self._deck = line
            case "punched":
                self._punched += 1
            case "typed":
                self._paper.typed(line["text"])

    def page(self, lines: list[str]) -> None:
        """Show the page as the typewriter has it."""
        self._paper.lines = [*lines, ""]

    def _draw(self) -> RenderableType:
        lines = self._terminal.height - OTHER_LINES
        page = Text("\n".join(self._paper.lines[-lines:]), no_wrap=True)
        return Group(
            Panel(self._lamps(), title="Skerry Mk 2"),
            self._said(),
            self._cards(),
            Panel(page, title="typewriter", height=lines + 2),
        )

    def _said(self) -> RenderableType:
        lines = Text(self._words).wrap(self._terminal, self._terminal.width - 4)[:WORDS_LINES]
        return Padding(Text("\n").join([*lines, *[Text("")] * (WORDS_LINES - len(lines))]), (0, 2))

    def _lamps(self) -> RenderableType:
        row = Text("A  ")
        for n, name in enumerate(ROW):
            row.append(" " if n and n % 4 == 0 else "")
            row.append("● ", _glow(self._codes.get(name, 0)))
        states = Text("   ")
        for name in STATES:
            states.append(f"{name}  ", _glow(self._codes.get(name, 0)))
        return Group(row, states)

    def _cards(self) -> RenderableType:
        read, cards = self._deck.get("read", 0), self._deck.get("cards", 0)
        table = Table.grid(padding=(0, 1))
        for _ in range(4):
            table.add_column(no_wrap=True)
        for name, done, total, deck in (
            ("reader", read, cards, self._deck.get("deck", "")),
            ("punch", self._punched, self._expected, ""),
        ):
            counted = f"{done} of {total}" if total else ""
            table.add_row(name, ProgressBar(total=total or 1, completed=done, width=BAR), counted, deck)
        return table


def _glow(code: int) -> str:
    """Return a style whose grey-gold follows a lamp's code; a lamp that is out stays visible."""
    share = code / FULL
    red, green, blue = (round(60 + share * (top - 60)) for top in (255, 214, 120))
    return f"rgb({red},{green},{blue})"
