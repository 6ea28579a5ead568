"""A recording of the core link: each message with its time, kept as the lines of the observer link that told of it."""

import base64
import binascii
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from bridge.errors import ConsoleError
from bridge.links.messages import (
    CardRead,
    Credit,
    CycleEnd,
    Decoder,
    Have,
    Key,
    Keyboard,
    Lamps,
    LastCard,
    LinkError,
    Message,
    OwnTime,
    Punch,
    Punched,
    Read,
    Type,
    encode,
)
from bridge.links.tap import TOPIC

FORMAT = 1
Kind = Literal["lamps", "keys", "cards", "typing", "link"]
KINDS: tuple[Kind, ...] = ("lamps", "keys", "cards", "typing")


@dataclass(frozen=True)
class Record:
    """One message that crossed the link at `at` (the daemon's monotonic nanoseconds); None: the core went."""

    at: int
    sender: Literal["core", "daemon"]
    message: Message | None

    @property
    def kind(self) -> Kind:
        """What it is about."""
        match self.message:
            case Lamps():
                return "lamps"
            case Key():
                return "keys"
            case Type() | Credit() | Keyboard():
                return "typing"
            case Read() | CardRead() | CycleEnd() | Punch() | Punched() | Have() | LastCard() | OwnTime():
                return "cards"
        return "link"


@dataclass(frozen=True)
class Recording:
    """The records of one console, in the order of their times."""

    console: str
    records: Sequence[Record]


class NoRecordError(ValueError):
    """A line that tells of no message of the core link."""


def record_of(line: Mapping[str, Any]) -> Record:
    """Return what a line of the observer link's "core" stream tells; raises NoRecordError if it is none."""
    try:
        at, sender = line["at"], line["from"]
        data = base64.b64decode(line["bytes"], validate=True)
        messages = list(Decoder().feed(data))
    except (KeyError, TypeError, ValueError, binascii.Error, LinkError) as error:
        raise NoRecordError(str(error)) from None
    if line.get("topic") != TOPIC or not isinstance(at, int) or sender not in {"core", "daemon"}:
        raise NoRecordError("it is no line of the core stream")
    if len(messages) != bool(data):
        raise NoRecordError(f"{len(messages)} known messages in {len(data)} bytes")
    return Record(at, sender, messages[0] if messages else None)


def line_of(record: Record) -> dict[str, Any]:
    """Return the line that tells of a record."""
    data = b"" if record.message is None else encode(record.message)
    return {"topic": TOPIC, "from": record.sender, "at": record.at, "bytes": base64.b64encode(data).decode("ascii")}


def heading(console: str) -> dict[str, Any]:
    """Return the first line of a recording's file."""
    return {"topic": "trace", "format": FORMAT, "console": console}


def text_of(line: Mapping[str, Any]) -> str:
    """Return a line as it stands in a file."""
    return json.dumps(line, separators=(",", ":")) + "\n"


def write(path: Path, console: str, records: Iterable[Record]) -> None:
    """Write a recording; raises ConsoleError when that is not possible."""
    try:
        with path.open("w", encoding="utf-8") as file:
            file.write(text_of(heading(console)))
            file.writelines(text_of(line_of(record)) for record in records)
    except OSError as error:
        raise ConsoleError(f"{path}: cannot be written ({error.strerror}).") from None


def read(path: Path) -> Recording:
    """Read a recording; raises ConsoleError, with the line, where it is none.

    A last line that is cut off, as when the power went, is left out.
    """
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except OSError as error:
        raise ConsoleError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise ConsoleError(f"{path}: this is no recording.") from None
    first = _parsed(lines[0])
    if not isinstance(first, dict) or first.get("topic") != "trace":
        raise ConsoleError(f"{path}: this is no recording: its first line does not say so.")
    if first.get("format") != FORMAT:
        raise ConsoleError(f"{path}: a recording of format {first.get('format')}; this version knows {FORMAT}.")
    records = sorted(_records(path, lines), key=lambda record: record.at)
    return Recording(str(first.get("console", "")), records)


def _records(path: Path, lines: Sequence[str]) -> Iterator[Record]:
    for number, text in enumerate(lines[1:-1], 2):
        try:
            line = _parsed(text)
            if not isinstance(line, dict):
                raise NoRecordError("it is no object")  # noqa: TRY301 -- one place says where
            yield record_of(line)
        except NoRecordError as error:
            raise ConsoleError(f"{path}, line {number}: this is no record ({error}).") from None


def _parsed(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        return None
