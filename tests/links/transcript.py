"""Golden transcripts of the core link: what crossed it, byte by byte, with what was done at either end and when.

A line is `MILLISECOND WHO WHAT`: `setup` what the core says of itself, `call` a call of the client, `hand` something
done at the console, `core` and `daemon` bytes, of one whole message, as hexadecimal. `python -m tests.links.transcript
FILE` writes the one of that name anew; a version's transcripts stay as they are, since cores that were written for it
do.
"""

import asyncio
import ctypes
import socket
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.kit.trace.record import Record, record_of
from bridge.kit.trace.words import Teller
from bridge.links.messages import CAUSE_LEAVING, Decoder, encode
from tests.daemon.harness import Rig
from tests.links.test_clients import AskedTask, PythonCore
from tests.virtual import run_virtually

FOLDER = Path(__file__).parent / "transcripts"
END = 4000
"""Milliseconds."""
SCRIPTS: dict[str, dict[int, list[str]]] = {
    "v1-session": {
        100: ["call stand 5"],
        200: ["hand throw START 1"],
        300: ["hand throw START 0"],
        **{400 + n: [f"call shine {n:x} {1 + n % 3}"] for n in range(25)},
        600: ["call read"],
        1500: ["call punch"],
        2600: ["call type TIDE"],
        2800: ["hand keyboard GO"],
        3000: ["hand lose"],
        3600: ["call shine 3ffffffffffffffff 1000"],
    },
    "v1-tasks": {
        0: ["setup knows=3"],
        100: ["hand power off closing-time"],
        300: ["call done 0 ready"],
        400: ["hand power on opening"],
        500: ["call done 0 going-on"],
        600: ["hand save evening"],
        800: ["call done 0 1024-words"],
        1000: ["hand restore evening"],
        1100: ["hand restore morning"],
        1200: ["call done 1 none-of-this-name"],
        1300: ["hand save late"],
        2000: ["call done 0 too-late"],
        2100: ["hand lose"],
        2600: ["hand power off closing-time"],
    },
}


@dataclass(frozen=True)
class Line:
    at: int
    who: str
    what: str


def read(file: Path) -> list[Line]:
    lines = [line for line in file.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    return [Line(int(at), who, what) for at, who, what in (line.split(maxsplit=2) for line in lines)]


def said(lines: Sequence[Line], who: str) -> bytes:
    return b"".join(bytes.fromhex(line.what) for line in lines if line.who == who)


def call(core: Any, what: str) -> None:
    name, *words = what.split()
    match name:
        case "stand":
            core.stand(int(words[0], 16))
        case "shine":
            core.shine(int(words[0], 16), int(words[1]))
        case "punch":
            assert core.punch((ctypes.c_uint16 * 80)(*range(80)))
        case "type":
            assert core.type(words[0].encode(), len(words[0])) == len(words[0])
        case "read":
            core.read()
        case "done":
            core.task_came(ctypes.byref(AskedTask()))
            core.done(int(words[0]), words[1].encode())


def prepare(folder: Path) -> None:
    for hopper in ("reader", "punch"):
        (folder / hopper).mkdir(parents=True)
    (folder / "reader" / "one.deck").write_text("TIDE\n")


def hand(rig: Rig, what: str) -> None:
    name, *words = what.split()
    match name:
        case "throw":
            rig.daemon.panel.throw(words[0], closed=words[1] == "1")
        case "keyboard":
            rig.line.received(words[0].encode())
        case "power" | "save" | "restore":
            rig.ask(name, *words)
        case "lose":
            assert rig.daemon._core_link.core is not None
            rig.daemon._core_link.core.refuse("this is a trial", CAUSE_LEAVING)


def setup(lines: Sequence[Line]) -> dict[str, int]:
    """Return what the transcript's core says of itself besides what all of them do."""
    pairs = (line.what.split("=") for line in lines if line.who == "setup")
    return {name: int(value) for name, value in pairs}


def record(script: dict[int, list[str]]) -> list[Line]:
    """Let the Python client and a whole daemon follow the script, and return what crossed and when."""

    async def main(folder: Path) -> list[Line]:
        lines: list[Line] = []
        prepare(folder)
        async with Rig(folder) as rig:
            tap, start = rig.daemon._core_link.tap, rig.clock.now()
            now = 0

            def tell(line: dict[str, Any]) -> None:
                message = record_of(line).message
                if message is not None:
                    lines.append(Line(now, line["from"], encode(message).hex()))

            tap.wanted, tap.tell = (lambda: True), tell
            more = setup([Line(0, *what.split()) for what in script.get(0, ())])
            core = PythonCore(str(rig.sockets.core), **more)
            for now in range(END):
                await rig.clock.until(start + now * 1_000_000)
                for what in script.get(now, ()):
                    who, _, act = what.partition(" ")
                    lines.append(Line(now, who, act))
                    if who != "setup":
                        call(core, act) if who == "call" else hand(rig, act)
                        await asyncio.sleep(0)
                core.poll(1)
            tap.wanted = lambda: False
            core.close()
        return lines

    with tempfile.TemporaryDirectory(prefix="cw-", dir="/tmp") as name:
        return run_virtually(main(Path(name)))


def replay_to_client(lines: Sequence[Line], core: Any, console: Any) -> bytes:
    """Let a client make the transcript's calls and hear its daemon; return all that it says."""
    heard = b""
    at: dict[int, list[Line]] = {}
    for line in lines:
        at.setdefault(line.at, []).append(line)
    for now in range(END):
        lost = False
        for line in at.get(now, ()):
            if line.who == "daemon":
                console.send(bytes.fromhex(line.what))
            elif line.who == "call":
                call(core, line.what)
            lost = lost or line.what == "lose"
        if lost:
            console.hang_up()
        core.poll(1)
        heard += console.raw()
    return heard


def replay_to_daemon(lines: Sequence[Line]) -> bytes:
    """Let a whole daemon hear the transcript's core, and its hands do what they did; return all that it says."""

    async def main(folder: Path) -> bytes:
        heard = b""
        prepare(folder)
        async with Rig(folder) as rig:
            start = rig.clock.now()
            end = socket.socket(socket.AF_UNIX)
            for now in range(END):
                await rig.clock.until(start + now * 1_000_000)
                for line in lines:
                    if line.at != now or line.who in {"daemon", "call", "setup"}:
                        continue
                    if line.who == "hand":
                        hand(rig, line.what)
                        continue
                    data = bytes.fromhex(line.what)
                    if data[4] == 1:
                        end.close()
                        end = socket.socket(socket.AF_UNIX)
                        end.connect(str(rig.sockets.core))
                        end.setblocking(False)
                    end.sendall(data)
                    await asyncio.sleep(0)
                heard += _got(end)
            end.close()
        return heard

    with tempfile.TemporaryDirectory(prefix="cw-", dir="/tmp") as name:
        return run_virtually(main(Path(name)))


def _got(end: socket.socket) -> bytes:
    try:
        return end.recv(1 << 20)
    except OSError:
        return b""


def words(lines: Sequence[Line]) -> list[str]:
    """Return the lines of a transcript's file, each message also in words."""
    told = ["# The core link, version 1, of a whole daemon and a core; tests/links/transcript.py says how to read it."]
    teller = Teller()
    for line in lines:
        if line.who in {"core", "daemon"}:
            (message,) = Decoder().feed(bytes.fromhex(line.what))
            in_words = teller.tell(Record(line.at * 1_000_000, "core" if line.who == "core" else "daemon", message))
            told.append(f"# {in_words[24:].partition(', first seen')[0] if in_words else 'LAMPS, the same again'}")
        told.append(f"{line.at} {line.who} {line.what}")
    return told


if __name__ == "__main__":
    file = Path(sys.argv[1])
    file.write_text("\n".join(words(record(SCRIPTS[file.stem]))) + "\n", encoding="utf-8")
