"""The picture form of a deck: a PBM file of several images, kind P4, 80 × 12 for each card; a hole is black.

Source: the netpbm manual, pbm(5). Images follow each other without anything between them.
"""

import re
from collections.abc import Iterator, Sequence

import numpy as np

from bridge.cards.card import COLUMNS, ROWS, Card, cards_of
from bridge.cards.faults import DeckError, Finding

_HEADER = re.compile(rb"P4(?:\s|#[^\n\r]*[\n\r])+(\d{1,9})(?:\s|#[^\n\r]*[\n\r])+(\d{1,9})\s")
_KIND = re.compile(rb"P[1-7]\s")
_ROW_BYTES = COLUMNS // 8
_IMAGE_BYTES = ROWS * _ROW_BYTES
# As in the text form: no single call holds the interpreter for a millisecond.
_PIECE_CARDS = 256
_UNIT = np.dtype("<u2")


def read_pictures(data: bytes, name: str) -> list[Card]:
    """Return the cards of a PBM file's content; raises DeckError at the first image that is no card."""
    cards: list[Card] = []
    rasters: list[bytes] = []
    at = 0
    while at < len(data):
        header = _HEADER.match(data, at)
        if what := _unfit(data, at, header):
            raise DeckError(name, [Finding(len(cards) + len(rasters) + 1, 0, what)], what="picture")
        assert header is not None  # noqa: S101 -- an image without one is unfit
        rasters.append(data[header.end() : header.end() + _IMAGE_BYTES])
        at = header.end() + _IMAGE_BYTES
        if len(rasters) == _PIECE_CARDS:
            cards += _punch(rasters)
            rasters = []
    return cards + _punch(rasters)


def print_pictures(cards: Sequence[Card]) -> bytes:
    """Return the deck's pictures; `read_pictures` of them gives the same cards."""
    header = b"P4\n%d %d\n" % (COLUMNS, ROWS)
    pieces = (_print(cards[n : n + _PIECE_CARDS]) for n in range(0, len(cards), _PIECE_CARDS))
    return b"".join(header + raster for piece in pieces for raster in piece)


def _unfit(data: bytes, at: int, header: re.Match[bytes] | None) -> str:
    """Return why there is no card at `at`, and what to do, or ""."""
    if header is None:
        if _KIND.match(data, at) and not data.startswith(b"P4", at):
            return f"this is a P{data[at + 1 : at + 2].decode()} picture: save it as PBM of the raw kind, P4"
        if at:
            return f"after {at:,} bytes there is something that is no P4 picture: cut it off, or make the file again"
        return "this is no P4 picture: the picture form of a deck is PBM of the raw kind"
    width, height = int(header[1]), int(header[2])
    if (width, height) != (COLUMNS, ROWS):
        return f"it is {width} × {height} pixels, and a card {COLUMNS} × {ROWS}: one for each place for a hole"
    left = len(data) - header.end()
    return f"the file ends after {left} of its {_IMAGE_BYTES} bytes: copy it again" if left < _IMAGE_BYTES else ""


def _punch(rasters: Sequence[bytes]) -> list[Card]:
    rows = np.frombuffer(b"".join(rasters), np.uint8).reshape(-1, ROWS, _ROW_BYTES)
    columns = np.zeros((len(rows), COLUMNS), _UNIT)
    for row in range(ROWS):
        columns |= np.unpackbits(rows[:, row], axis=1).astype(_UNIT) << (ROWS - 1 - row)
    return cards_of(columns.tobytes())


def _print(cards: Sequence[Card]) -> Iterator[bytes]:
    columns = np.frombuffer(b"".join(cards), _UNIT).reshape(-1, COLUMNS)
    rows = [np.packbits(columns & (1 << (ROWS - 1 - row)) != 0, axis=1) for row in range(ROWS)]
    rasters = np.stack(rows, axis=1).tobytes()
    return (rasters[at : at + _IMAGE_BYTES] for at in range(0, len(rasters), _IMAGE_BYTES))
