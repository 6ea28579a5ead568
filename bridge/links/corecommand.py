"""The command that starts a core, as an author gives it."""

from collections.abc import Sequence
from pathlib import Path

PLACE = "{}"


def with_socket(words: Sequence[str], socket: Path) -> list[str]:
    """Return the command with the core socket in place of each `{}`, or after its last word where there is none."""
    if any(PLACE in word for word in words):
        return [word.replace(PLACE, str(socket)) for word in words]
    return [*words, str(socket)]
