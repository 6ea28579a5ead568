"""Deck files at the desk: read and written in the form that the name's ending says, in the code that is asked for."""

import contextlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.cards import code as codes
from bridge.cards.code import X3_26, CardCode, described
from bridge.cards.deck import MAX_BYTES, Card, Deck, print_deck, read_deck, shown
from bridge.cards.pbm import print_pictures, read_pictures
from bridge.console import load
from bridge.errors import ConsoleError

TEXT, PICTURES = ".deck", ".pbm"


@dataclass(frozen=True)
class Asked:
    """How decks are to be read and written: the card code, and how far apart the tab stops are."""

    code: CardCode
    tabs: int


def code_named(name: str | None, description: Path | None) -> CardCode:
    """Return the card code called `name`, one of the console's `description` perhaps.

    Without a name it is the code of that console's reader, or X3.26. Raises ConsoleError if there is no such code.
    """
    known = dict(codes.BUILT_IN)
    usual = X3_26
    if description is not None:
        console = load(description)
        known |= {one.name: described(one.name, one.like, one.holes) for one in console.card_codes}
        if console.reader is not None:
            usual = known[console.reader.code.name]
    if name is None:
        return usual
    if name not in known:
        hint = "" if description else " A console's own are known with --file and its description."
        raise ConsoleError(f'There is no card code "{name}". There are: {", ".join(known)}.{hint}')
    return known[name]


def read(path: Path, asked: Asked) -> Deck:
    """Return the deck in a file: pictures if it is named *.pbm, otherwise text. Raises ConsoleError."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise ConsoleError(f"{shown(str(path))}: {_trouble(error)}") from None
    if len(data) > MAX_BYTES:
        raise ConsoleError(f"{shown(str(path))}: the file has more than {MAX_BYTES:,} bytes: split it.")
    if path.suffix.lower() == PICTURES:
        return Deck(read_pictures(data, str(path)))
    return read_deck(data, str(path), asked.code, asked.tabs)


def write(path: Path, cards: Sequence[Card], code: CardCode, *, replace: bool) -> None:
    """Write a deck in the form that its name says, whole or not at all. Raises ConsoleError.

    A file that is there is left alone unless it is to be replaced.
    """
    name = shown(str(path))
    match path.suffix.lower():
        case ".deck":
            data = print_deck(cards, code).encode()
        case ".pbm":
            data = print_pictures(cards)
        case _:
            raise ConsoleError(f"{name}: name the new deck *{TEXT} for text, or *{PICTURES} for pictures.")
    if path.exists() and not replace:
        raise ConsoleError(f"{name} is there already: choose another name, or add --replace.")
    # Beside it and hidden, so that no hopper takes half a deck; and synced once more after the renaming, as FAT needs.
    hidden = path.with_name(f".{path.name}.part")
    try:
        with hidden.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
            hidden.replace(path)
            os.fsync(file.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            hidden.unlink(missing_ok=True)
        raise ConsoleError(f"{name}: it cannot be written ({error.strerror}): choose another place.") from None


def _trouble(error: OSError) -> str:
    match error:
        case FileNotFoundError():
            return "there is no such file: check the name and the folder."
        case IsADirectoryError():
            return "this is a folder: name a deck in it."
        case PermissionError():
            return "it may not be read: change its permissions, or ask its owner to."
        case _:
            return f"it cannot be read ({error.strerror}): try a copy."
