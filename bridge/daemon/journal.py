"""How grave a line is, for a journal that can show the grave ones alone: sd-daemon(3)'s prefixes."""

import os
from collections.abc import Mapping
from typing import TextIO

FAULT, WARNING = 3, 4
"""What somebody has to mend; a device that is not well. A line without a level is an ordinary one."""


def leveled(text: str, level: int, stream: TextIO, environment: Mapping[str, str] = os.environ) -> str:
    """Return the lines with their level in front if `stream` leads to the journal, else as they are."""
    if not _is_journal(stream, environment):
        return text
    return "\n".join(f"<{level}>{line}" for line in text.splitlines())


def _is_journal(stream: TextIO, environment: Mapping[str, str]) -> bool:
    """Tell by the name the journal's socket has in the environment, which a shell in a terminal may have inherited."""
    try:
        there = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environment.get("JOURNAL_STREAM") == f"{there.st_dev}:{there.st_ino}"
