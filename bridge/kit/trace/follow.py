"""Following a running console through its observer link: watching, saving, and keeping the last while for a fault."""

import asyncio
import contextlib
import signal
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from bridge.daemon.state import socket_folder, state_folder
from bridge.errors import ConsoleError
from bridge.kit.trace.record import Kind, Record, heading, line_of, record_of, text_of, write
from bridge.kit.trace.ring import Ring
from bridge.kit.trace.words import Teller
from bridge.links.observer import observe
from bridge.links.tap import TOPIC

FAULTS = ("refused", "cable", "upset", "check", "set-aside", "failed", "no-answer")
"""States that something is wrong with, whatever device is in them."""
MOST_FAULTS = 20
"""Files that one recorder writes by itself."""

Say = Callable[[str], None]


def observer_socket(state: Path | None) -> Path:
    """Return where the console with this state folder tells observers."""
    return socket_folder(state_folder(state)) / "observer.sock"


async def told(path: Path) -> AsyncGenerator[Mapping[str, Any], None]:
    """Yield the lines of a console, its core link among them, until it goes; raises ConsoleError if it isn't there."""
    try:
        async for line in observe(str(path), also=[TOPIC]):
            if line["topic"] == "refused":
                raise ConsoleError(f"{path}: the console declines: {line['words']}.")
            yield line
    except OSError as error:
        raise ConsoleError(
            f"{path}: no console answers here ({error.strerror}). Is it running? --state names its state folder."
        ) from None


async def watch(path: Path, only: Collection[Kind], to: Path | None, say: Say) -> None:
    """Tell what crosses the core link of a console, until it goes: `only` these kinds, and what the link itself does.

    `to` is a file that gets the same as a recording.
    """
    async with contextlib.aclosing(told(path)) as lines:
        await _tell(lines, only, to, say)
    say("the console has gone")


async def _tell(lines: AsyncIterator[Mapping[str, Any]], only: Collection[Kind], to: Path | None, say: Say) -> None:
    teller, console = Teller(), ""
    with contextlib.ExitStack() as stack:
        file = None
        async for line in lines:
            if line["topic"] == "hello":
                console = line["console"]
                say(f"watching {console}")
                if to is not None and file is None:
                    try:
                        file = stack.enter_context(to.open("w", encoding="utf-8"))
                    except OSError as error:
                        raise ConsoleError(f"{to}: cannot be written ({error.strerror}).") from None
                    file.write(text_of(heading(console)))
            elif line["topic"] == "missed":
                say(f"{line['lines']} lines were missed: this reader is too slow")
            elif line["topic"] == TOPIC:
                record = record_of(line)
                if record.kind != "link" and record.kind not in only:
                    continue
                if file is not None:
                    file.write(text_of(line_of(record)))
                if words := teller.tell(record):
                    say(words)


class Recorder:
    """Keeps the last while of a console's core link, and writes it to `file` when asked to, at its end, or at a fault.

    What is written at the n-th fault goes beside `file`, with "-fault-n" in its name.
    """

    def __init__(self, file: Path, ring: Ring, say: Say) -> None:
        self._file, self._ring, self._say = file, ring, say
        self._console = ""
        self._faults = 0
        self._states: dict[str, str] = {}

    def take(self, line: Mapping[str, Any]) -> None:
        """Take a line of the observer link."""
        match line["topic"]:
            case "hello":
                self._console = line["console"]
                self._say(f"recording {self._console}; Ctrl-C ends it and writes {self._file}")
            case "core":
                self._ring.add(record_of(line))
            case "missed":
                self._say(f"{line['lines']} lines were missed: this recorder is too slow")
            case "device":
                before, self._states[line["name"]] = self._states.get(line["name"]), line["state"]
                if line["state"] in FAULTS and before is not None and before != line["state"]:
                    self._fault(f"{line['name']}: {line['state']}")

    def save(self) -> None:
        """Write what is kept."""
        self._write(self._file)

    def _fault(self, words: str) -> None:
        self._faults += 1
        if self._faults <= MOST_FAULTS:
            self._say(words)
            self._write(self._file.with_stem(f"{self._file.stem}-fault-{self._faults}"))

    def _write(self, file: Path) -> None:
        records: list[Record] = list(self._ring.records())
        write(file, self._console, records)
        self._say(f"{file}: {len(records)} messages")


async def save(path: Path, recorder: Recorder) -> None:
    """Record a console until SIGINT, SIGTERM or its end, and write; at SIGUSR1 write and go on."""
    loop = asyncio.get_running_loop()
    task = asyncio.ensure_future(_record(path, recorder))
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, task.cancel)
    loop.add_signal_handler(signal.SIGUSR1, recorder.save)
    try:
        with contextlib.suppress(asyncio.CancelledError):
            await task
        recorder.save()
    finally:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGUSR1):
            loop.remove_signal_handler(number)


async def _record(path: Path, recorder: Recorder) -> None:
    async with contextlib.aclosing(told(path)) as lines:
        async for line in lines:
            recorder.take(line)
