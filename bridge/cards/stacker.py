"""The punch's stacker: a folder that stands for the stick in its port, and the deck file that grows there."""

import re
from pathlib import Path

from bridge.cards import folder

_NAME = re.compile(r"punched-([0-9]{1,9})\.deck", re.IGNORECASE)


class Stacker:
    """Adds cards to punched-1.deck, or the next number that is free, in the folder at `path`.

    It goes on in its file as long as it finds it as it left it, and begins the next one otherwise: on another stick, or
    after somebody changed the file. Nothing that was on a stick is ever overwritten.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._name = ""
        self._size = 0

    def add(self, line: bytes) -> None:
        """Add one card's line for good: on return it has been synced. Raises OSError; then try the same line again."""
        if not self._name:
            self._begin()
        try:
            folder.append(self._path, self._name, self._size, line)
        except (FileNotFoundError, folder.ChangedError):
            self._begin()
            folder.append(self._path, self._name, self._size, line)
        self._size += len(line)

    def trouble(self) -> str:
        """Return why no card could be added, in words, or ""."""
        try:
            folder.writable(self._path)
        except OSError as error:
            return folder.trouble(error, self._path)
        return ""

    def words(self, error: OSError) -> str:
        """Return what an error of `add` means."""
        return folder.trouble(error, self._path)

    def _begin(self) -> None:
        taken = [int(found[1]) for entry in folder.entries(self._path) if (found := _NAME.fullmatch(entry.name))]
        self._name = ""
        name = f"punched-{max(taken, default=0) + 1}.deck"
        folder.create(self._path, name)
        self._name, self._size = name, 0
