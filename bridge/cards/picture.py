"""A card as a picture, in true proportions: its holes, its corner cut, and what an interpreter prints along its top.

Source: ANSI X3.11 and X3.21-1967 (FIPS 13), ISO 1681 and 1682, for the card and its holes; where the first column
and row are is from memory, and the corner cut and what is printed on a card are common practice, without a source.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from xml.sax.saxutils import escape

from bridge.cards.card import ROWS, Card, columns_of
from bridge.cards.code import CardCode

# All in thousandths of an inch, from the top left corner.
WIDTH, HEIGHT = 7375, 3250
HOLE_WIDTH, HOLE_HEIGHT = 55, 125
COLUMN_PITCH, ROW_PITCH = 87, 250
FIRST_COLUMN, FIRST_ROW = 251, 250
"""Centres of column 1 and of row 12."""

OUTLINE = ((250, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT), (0, 433))
"""The card's corners; the top left one is cut off at 60°."""

MANILA, DARK, FAINT = "#f1e2bf", "#1c1a17", "#a58d5f"

_INTERPRETED = 80
_NUMBERED = (875, 3130)


@dataclass(frozen=True)
class Mark:
    """A printed character: its centre, its height, and whether it is printed faintly, on every card."""

    text: str
    x: int
    y: int
    size: int
    faint: bool


def holes_of(card: Card) -> Iterator[tuple[int, int]]:
    """Yield the centre of each hole."""
    for column, holes in enumerate(columns_of(card)):
        for row in range(ROWS):
            if holes >> (ROWS - 1 - row) & 1:
                yield FIRST_COLUMN + COLUMN_PITCH * column, FIRST_ROW + ROW_PITCH * row


def marks_of(card: Card, code: CardCode) -> Iterator[Mark]:
    """Yield what is printed on the card: its characters, digits where there is no hole, and column numbers."""
    punched = set(holes_of(card))
    for column, holes in enumerate(columns_of(card)):
        x = FIRST_COLUMN + COLUMN_PITCH * column
        if (character := code.printing.get(holes, " ")) != " ":
            yield Mark(character, x, _INTERPRETED, 110, faint=False)
        for digit in range(10):
            y = FIRST_ROW + ROW_PITCH * (2 + digit)
            if (x, y) not in punched:
                yield Mark(str(digit), x, y, 85, faint=True)
        for y in _NUMBERED:
            yield Mark(str(column + 1), x, y, 42, faint=True)


def svg(card: Card, code: CardCode, title: str) -> str:
    """Return the card as an SVG document of the size of a card; `title` names it for those who cannot see it."""
    corners = " ".join(f"{x},{y}" for x, y in OUTLINE)
    left, top = HOLE_WIDTH / 2, HOLE_HEIGHT / 2
    holes = [f"M{x - left:g} {y - top:g}h{HOLE_WIDTH}v{HOLE_HEIGHT}h-{HOLE_WIDTH}z" for x, y in holes_of(card)]
    size = f'width="{WIDTH / 1000:g}in" height="{HEIGHT / 1000:g}in" viewBox="0 0 {WIDTH} {HEIGHT}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" {size}>',
        f"<title>{escape(title)}</title>",
        f'<polygon points="{corners}" fill="{MANILA}"/>',
        f'<g font-family="monospace" text-anchor="middle" fill="{DARK}">',
        *map(_text, marks_of(card, code)),
        "</g>",
        f'<path fill="{DARK}" d="{"".join(holes)}"/>',
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _text(mark: Mark) -> str:
    # A capital letter or a digit is 0.7 of its size high, so half of that below its middle is its base line.
    base = mark.y + 0.35 * mark.size
    fill = f' fill="{FAINT}"' if mark.faint else ""
    return f'<text x="{mark.x}" y="{base:g}" font-size="{mark.size}"{fill}>{escape(mark.text)}</text>'
