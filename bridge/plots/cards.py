"""A card as a PNG, drawn by matplotlib: it is there for the lamps' curves, and brings a font with most characters."""

from pathlib import Path

from bridge.cards import picture
from bridge.cards.card import Card
from bridge.cards.code import CardCode
from bridge.errors import ConsoleError

DOTS_PER_INCH = 200


def png(card: Card, code: CardCode, out: Path) -> None:
    """Draw the card to `out`; raises ConsoleError without matplotlib, and OSError if `out` cannot be written."""
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415 -- an extra that only pictures need
        from matplotlib.patches import Polygon, Rectangle  # noqa: PLC0415
    except ImportError:
        raise ConsoleError(
            "Drawing a PNG needs matplotlib: name the picture *.svg, which needs nothing, or install it: "
            "pip install 'consolewright[plot]', or in a clone: pip install '.[plot]'."
        ) from None
    figure = Figure(figsize=(picture.WIDTH / 1000, picture.HEIGHT / 1000), dpi=DOTS_PER_INCH, facecolor="none")
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, picture.WIDTH), ylim=(picture.HEIGHT, 0))
    axes.set_axis_off()
    axes.add_patch(Polygon(picture.OUTLINE, facecolor=picture.MANILA))
    for mark in picture.marks_of(card, code):
        axes.text(
            mark.x,
            mark.y,
            mark.text,
            size=mark.size * 72 / 1000,
            color=picture.FAINT if mark.faint else picture.DARK,
            family="monospace",
            horizontalalignment="center",
            verticalalignment="center_baseline",
            parse_math=False,
        )
    for x, y in picture.holes_of(card):
        corner = x - picture.HOLE_WIDTH / 2, y - picture.HOLE_HEIGHT / 2
        axes.add_patch(Rectangle(corner, picture.HOLE_WIDTH, picture.HOLE_HEIGHT, facecolor=picture.DARK))
    figure.savefig(out)
