import asyncio
import math
import struct
from collections.abc import Coroutine
from pathlib import Path
from typing import Any, Self

import pytest

from bridge.errors import ConsoleError
from bridge.links import core
from bridge.links.client import CoreClient
from bridge.links.core import CoreLink
from bridge.links.messages import (
    CAUSE_LEAVING,
    CardRead,
    Credit,
    FromDaemon,
    FromLinked,
    Have,
    Hello,
    Lamps,
    LinkError,
    Punch,
    Punched,
    Read,
    Refused,
    Type,
    Welcome,
    encode,
)
from bridge.report import DeviceState
from tests.virtual import run_virtually

MS = 1_000_000


class Console:
    """A daemon that only takes notes."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "core.sock"
        self.took_messages: list[Any] = []
        self.states: list[DeviceState] = []
        self.hello: Hello | None = None
        self.lefts = 0
        self.welcomes = 0
        self.link = CoreLink(self, self.states.append)

    def came(self, hello: Hello) -> Welcome:
        self.hello = hello
        return Welcome(1, math.inf, b"\x01", ("Q.9",), ())

    def welcomed(self) -> None:
        self.welcomes += 1

    def took(self, message: FromLinked) -> None:
        if isinstance(message, Type) and b"!" in message.codes:
            raise LinkError("no shouting", 5, 6)
        self.took_messages.append(message)

    def left(self) -> None:
        self.lefts += 1

    async def __aenter__(self) -> Self:
        await self.link.serve(self.path)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.link.close()
        await settle()


async def settle() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


async def turn(client: CoreClient, now: int = 0) -> list[FromDaemon]:
    came: list[FromDaemon] = []
    for _ in range(6):
        came += client.poll(now)
        await settle()
    return came


def new_client(console: Console, run: int = 7) -> CoreClient:
    return CoreClient(str(console.path), "trial", ["A.1", "A.0", "Q.9"], ["START"], ticks_per_second=1e4, run=run)


def with_console(tmp_path: Path, main: Any) -> None:
    async def wrapped() -> None:
        async with Console(tmp_path) as console:
            await main(console)

    run: Coroutine[Any, Any, None] = wrapped()
    run_virtually(run)


def test_a_core_is_welcomed_and_its_wishes_arrive(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        client = new_client(console)
        came = await turn(client)
        assert came == [Welcome(1, math.inf, b"\x01", ("Q.9",), ())]
        assert console.welcomes == 1
        assert console.hello is not None
        assert console.hello.lamps == ("A.1", "A.0", "Q.9")
        assert console.states[-1] == DeviceState("core", "linked", "Not on this panel: Q.9.")
        console.link.send(Credit(5))
        await turn(client)
        assert client.type(b"HEIGHTS") == 5
        client.read_card()
        client.read_card()
        assert client.punch(bytes(160)) == 1
        client.cycle(0b01, 3)
        client.cycle(0b11, 1)
        await turn(client, 100 * MS)
        assert [m for m in console.took_messages if not isinstance(m, Lamps)] == [
            Have(0, 0),
            Type(b"HEIGH"),
            Read(),
            Punch(1, bytes(160)),
        ]
        frame = console.took_messages[-1]
        assert (frame.elapsed, frame.bits) == (4, b"\x03")
        assert struct.unpack("<3I", frame.on_time) == (4, 1, 0)
        client.close()

    with_console(tmp_path, main)


def test_at_rest_the_bits_are_sent_once(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        client = new_client(console)
        await turn(client)
        client.rest(0b101)
        for n in range(1, 5):
            await turn(client, n * 100 * MS)
        assert console.took_messages[-1:] == [Lamps(0, b"\x05", b"")]
        assert sum(m == Lamps(0, b"\x05", b"") for m in console.took_messages) == 1
        client.close()

    with_console(tmp_path, main)


def test_a_second_core_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        first, second = new_client(console), new_client(console)
        await turn(first)
        came = await turn(second)
        assert any(isinstance(m, Refused) and "another core is linked already" in m.reason for m in came)
        assert (console.states[-1].device, console.states[-1].state) == ("another core", "refused")
        assert "another core is linked already" in console.states[-1].words
        first.read_card()
        await turn(first)
        assert Read() in console.took_messages
        assert console.lefts == 0
        first.close()
        second.close()

    with_console(tmp_path, main)


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", "not the core link"),
        (encode(Read()), "READ came before HELLO (byte 4 of the message, rule 1 of the core link)"),
        (encode(Hello(2, 9, 1, 1.0, "new", (), ())), "versions 2 to 9"),
        (struct.pack("<IB", 4, 0x01) + b"abc", "2 bytes expected, 1 there (byte 7 of the message, "),
        (
            encode(Hello(1, 1, 1, 1.0, "x", (), ())) + encode(Type(b"!")),
            "no shouting (byte 5 of the message, rule 6 of ",
        ),
        (encode(Hello(1, 1, 1, 1.0, "x", (), ())) * 2, "HELLO is not a core's to send now"),
        (b"", "no hello came within 5 seconds"),
    ],
)
def test_garbage_is_refused_with_the_reason_and_the_daemon_carries_on(tmp_path: Path, sent: bytes, reason: str) -> None:
    async def main(console: Console) -> None:
        reader, writer = await asyncio.open_unix_connection(str(console.path))
        writer.write(sent)
        answer = await reader.read()
        writer.close()
        assert reason.encode() in answer
        assert console.states[-1].state == "refused"
        assert reason in console.states[-1].words
        client = new_client(console)
        await turn(client)
        assert client.connected
        client.close()

    with_console(tmp_path, main)


def test_a_core_that_never_reads_is_let_go(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        client = new_client(console)
        await turn(client)
        for n in range(2 * core.MOST_UNREAD // 160):
            console.link.send(CardRead(n, 0, 0, bytes(160)))
        assert console.link.core is None
        assert "unread" in console.states[-1].words
        client.close()

    with_console(tmp_path, main)


def test_what_was_owed_is_asked_for_again_after_a_reconnection(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        client = new_client(console)
        await turn(client)
        client.read_card()
        number = client.punch(b"\x01" * 160)
        await turn(client)
        console.took_messages.clear()
        console.link.core.refuse("trial", CAUSE_LEAVING)  # type: ignore[union-attr]
        await turn(client, 100 * MS)
        assert client.refusal == "trial"
        assert console.lefts == 1
        await turn(client, 500 * MS)
        assert console.took_messages[:3] == [Have(0, 0), Read(), Punch(number, b"\x01" * 160)]
        console.link.send(Punched(number, 0))
        console.link.send(CardRead(1, 20, 30, bytes(160)))
        came = await turn(client, 600 * MS)
        assert [type(m) for m in came] == [Punched, CardRead]
        console.link.core.refuse("trial", CAUSE_LEAVING)  # type: ignore[union-attr]
        await turn(client, 700 * MS)
        await turn(client, 1100 * MS)
        assert [m for m in console.took_messages if isinstance(m, Have)] == [Have(0, 0), Have(1, 20)]
        client.close()

    with_console(tmp_path, main)


def test_a_socket_in_use_a_dead_one_and_a_file_in_the_way(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        second = CoreLink(console, console.states.append)
        with pytest.raises(ConsoleError, match="another consolewright is running"):
            await second.serve(console.path)
        console.link.close()
        await settle()
        await second.serve(console.path)
        client = new_client(console)
        await turn(client)
        assert client.connected
        client.close()
        second.close()
        await settle()
        in_the_way = tmp_path / "file"
        in_the_way.touch()
        with pytest.raises(ConsoleError, match="no socket"):
            await second.serve(in_the_way)
        with pytest.raises(ConsoleError, match="too long"):
            await second.serve(tmp_path / ("x" * 120))
        with pytest.raises(ConsoleError, match="cannot listen here"):
            await second.serve(tmp_path / "no" / "core.sock")

    with_console(tmp_path, main)


def test_callers_beyond_the_limit_are_refused(tmp_path: Path) -> None:
    async def main(console: Console) -> None:
        pairs = [await asyncio.open_unix_connection(str(console.path)) for _ in range(core.MOST_CALLERS + 1)]
        answers = await asyncio.gather(*(reader.read() for reader, _ in pairs))
        assert sum(b"too many connections" in answer for answer in answers) == 1
        for _, writer in pairs:
            writer.close()

    with_console(tmp_path, main)
