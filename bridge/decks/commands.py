"""What each `consolewright deck` command does. They yield lines of at most 80 columns, card by card."""

from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from textwrap import wrap

from bridge.cards.card import COLUMNS, Card, columns_of
from bridge.cards.code import is_character, words
from bridge.cards.compare import Difference, differences
from bridge.cards.deck import Deck, shown
from bridge.cards.picture import svg
from bridge.console import spans
from bridge.decks.files import Asked, read, write
from bridge.decks.listing import UNPRINTED, interpreted, rows, ruler, said, unprinted
from bridge.errors import ConsoleError
from bridge.plots.cards import png

WIDTH = 80
EVERY = 10
"""After how many cards of a listing their columns are counted again."""

_NAMED = 6
_LISTED = 20
_DETAILED = 8


def show(path: Path, asked: Asked, card: int | None = None, *, holes: bool = False) -> Iterator[str]:
    """List a deck, or one card of it, as an interpreter prints it; with `holes`, with every hole."""
    deck = read(path, asked)
    first, cards = (1, deck.cards) if card is None else (card, [_card(path, deck, card)])
    for number, one in enumerate(cards, first):
        if holes or (number - first) % EVERY == 0:
            yield ruler(number)
        yield interpreted(one, asked.code)
        if holes:
            yield from rows(one)
    yield ""
    legend = " Y and X are rows 12 and 11." if holes and cards else ""
    without = sum(unprinted(cards, asked.code).values())
    if without:
        more = "" if holes else ", which --holes shows"
        legend += f" {UNPRINTED} is a column with holes that have no character{more}: {_count(without, 'column')}."
    yield from _said(f"{shown(str(path))}: {_count(len(deck.cards), 'card')}, in card code {asked.code.name}.{legend}")
    yield from _notes(deck)


def draw(path: Path, asked: Asked, card: int | None, picture: Path) -> Iterator[str]:
    """Draw a card, the first unless said, as an SVG or a PNG. Raises ConsoleError."""
    deck = read(path, asked)
    number = card or 1
    one = _card(path, deck, number)
    out = shown(str(picture))
    try:
        match picture.suffix.lower():
            case ".svg":
                title = f"Card {number} of {shown(path.name)}: {interpreted(one, asked.code)}"
                picture.write_text(svg(one, asked.code, title), encoding="utf-8")
            case ".png":
                png(one, asked.code, picture)
            case _:
                raise ConsoleError(f"{out}: name the picture *.svg or *.png.")
    except OSError as error:
        raise ConsoleError(f"{out}: it cannot be written ({error.strerror}): choose another place.") from None
    yield from _said(f"{out}: card {number} of {len(deck.cards)}, in card code {asked.code.name}")
    yield from _notes(deck)


def check(paths: Sequence[Path], asked: Asked) -> Iterator[str]:
    """Say of each deck what is in it. Raises ConsoleError at the end, with all that is wrong with any of them."""
    wrong: list[str] = []
    for path in paths:
        try:
            deck = read(path, asked)
        except ConsoleError as error:
            wrong.append(str(error))
            continue
        name = shown(str(path))
        yield from _said(f"{name}: {_count(len(deck.cards), 'card')}, sound in card code {asked.code.name}")
        without = unprinted(deck.cards, asked.code)
        if without:
            most = [f"{words(holes)} ({times:,})" for holes, times in islice(without.items(), _NAMED)]
            named = ", ".join(most) + (", …" if len(without) > _NAMED else "")
            yield from _said(f"{_count(sum(without.values()), 'column')} without a character: {named}", "  ")
            if binary := sum(times for holes, times in without.items() if not is_character(holes)):
                told = (
                    f"{_count(binary, 'column')} with several holes in rows 1 to 7, as no character of any code: binary"
                )
                yield from _said(told, "  ")
        yield from _notes(deck, "  ")
    if wrong:
        raise ConsoleError("\n".join(wrong))


def convert(source: Path, target: Path, asked: Asked, *, replace: bool) -> Iterator[str]:
    """Write a deck in another form, or in the same one as it should be."""
    deck = read(source, asked)
    write(target, deck.cards, asked.code, replace=replace)
    yield from _said(f"{shown(str(target))}: {_count(len(deck.cards), 'card')} from {shown(str(source))}")
    yield from _notes(deck)


class Comparison:
    """Two decks, and whether they are `alike`."""

    def __init__(self, paths: tuple[Path, Path], asked: Asked, *, everything: bool) -> None:
        self._asked = asked
        self._names = tuple(shown(str(path)) for path in paths)
        self._decks = _both(paths, asked)
        self._found = list(differences(self._decks[0].cards, self._decks[1].cards))
        self._listed = len(self._found) if everything else _LISTED
        self.alike = not self._found

    def lines(self) -> Iterator[str]:
        """Tell what differs, card by card, first the one deck's card and then the other's."""
        for one in self._found[: self._listed]:
            yield from self._told(one)
            yield ""
        first, second = self._names
        counts = [_count(len(deck.cards), "card") for deck in self._decks]
        if self.alike:
            yield from _said(f"{first} and {second} have the same {counts[0]}.")
            return
        more = len(self._found) - self._listed
        unlisted = f" {more:,} of them are not listed: --all lists them." if more > 0 else ""
        differ = f"{_count(len(self._found), 'card')} differ{'s' if len(self._found) == 1 else ''}"
        yield from _said(f"{first} has {counts[0]}, {second} {counts[1]}; {differ}.{unlisted}")

    def _told(self, one: Difference) -> Iterator[str]:
        code = self._asked.code
        if one.first is None or one.second is None:
            here = 1 if one.first is None else 0
            number = one.first or one.second or 0
            yield from _said(f"Card {number} of {self._names[here]} is not in {self._names[1 - here]}:")
            yield interpreted(self._decks[here].cards[number - 1], code)
            return
        first, second = self._decks[0].cards[one.first - 1], self._decks[1].cards[one.second - 1]
        numbers = f"{one.first}" if one.first == one.second else f"{one.first} and card {one.second}"
        many = "s" if len(one.columns) > 1 else ""
        yield from _said(f"Card {numbers}, column{many} {spans.write(one.columns)}:")
        yield interpreted(first, code)
        yield interpreted(second, code)
        yield "".join("^" if column in one.columns else " " for column in range(1, COLUMNS + 1)).rstrip()
        ours, theirs = columns_of(first), columns_of(second)
        for column in one.columns[:_DETAILED]:
            yield f"  column {column}: {said(ours[column - 1], code)}, then {said(theirs[column - 1], code)}"
        if len(one.columns) > _DETAILED:
            yield f"  and {len(one.columns) - _DETAILED} more"


def _both(paths: tuple[Path, Path], asked: Asked) -> tuple[Deck, Deck]:
    decks: list[Deck] = []
    wrong: list[str] = []
    for path in paths:
        try:
            decks.append(read(path, asked))
        except ConsoleError as error:
            wrong.append(str(error))
    if wrong:
        raise ConsoleError("\n".join(wrong))
    return decks[0], decks[1]


def _card(path: Path, deck: Deck, number: int) -> Card:
    if not 1 <= number <= len(deck.cards):
        raise ConsoleError(f"{shown(str(path))} has no card {number}: it has {_count(len(deck.cards), 'card')}.")
    return deck.cards[number - 1]


def _notes(deck: Deck, indent: str = "") -> Iterator[str]:
    for note in deck.notes:
        yield from _said(f"note: {note}", indent)


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _said(text: str, indent: str = "") -> list[str]:
    return wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
