import asyncio
import base64
import json
from pathlib import Path
from typing import Any

import pytest

from bridge.links import observer
from bridge.links.messages import Decoder, Hello, Key, Lamps, Read, Welcome, encode
from bridge.links.observer import ObserverLink, observe
from bridge.links.tap import Tap
from tests.links.test_core import settle
from tests.virtual import run_virtually


def test_a_newcomer_is_told_every_state_then_each_change(tmp_path: Path) -> None:
    async def main() -> list[dict[str, Any]]:
        link = ObserverLink("trial")
        await link.serve(tmp_path / "observer.sock")
        link.state("device", "reader", state="empty")
        link.state("device", "reader", state="ready")
        link.event("key", name="START", closed=True)
        seen = []
        async for line in observe(str(tmp_path / "observer.sock")):
            seen.append(line)
            if len(seen) == 2:
                link.state("device", "reader", state="ready")
                link.event("key", name="STOP", closed=True)
                link.state("device", "reader", state="feeding")
            if len(seen) == 4:
                link.close()
        return seen

    assert run_virtually(main()) == [
        {"topic": "hello", "format": 1, "console": "trial"},
        {"topic": "device", "name": "reader", "state": "ready"},
        {"topic": "key", "name": "STOP", "closed": True},
        {"topic": "device", "name": "reader", "state": "feeding"},
    ]


def test_a_slow_observer_misses_lines_and_is_told_so(tmp_path: Path) -> None:
    async def main() -> None:
        link = ObserverLink("trial")
        await link.serve(tmp_path / "o.sock")
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / "o.sock"), limit=1 << 12)
        await settle()
        link.state("device", "punch", state="ready")
        for n in range(20_000):
            link.event("typed", text=f"{n:0100d}")
        buffered = [o._transport.get_write_buffer_size() for o in link.observers if o._transport]
        assert max(buffered) <= observer.MOST_UNREAD + 200
        lines = []
        while True:
            lines.append(json.loads(await reader.readline()))
            if lines[-1]["topic"] == "missed":
                break
        missed = lines[-1]["lines"]
        assert missed > 0
        assert sum(line["topic"] == "typed" for line in lines) + missed == 20_000
        assert json.loads(await reader.readline())["topic"] == "hello"
        assert json.loads(await reader.readline()) == {"topic": "device", "name": "punch", "state": "ready"}
        link.event("key", name="STOP")
        assert json.loads(await reader.readline())["topic"] == "key"
        writer.close()
        link.close()
        await settle()

    run_virtually(main())


def test_a_stream_is_told_only_to_those_who_ask_and_begins_as_things_stand(tmp_path: Path) -> None:
    async def main() -> None:
        link = ObserverLink("trial")
        await link.serve(tmp_path / "o.sock")
        tap = Tap()
        tap.wanted, tap.tell = lambda: link.wanted("core"), link.stream
        link.offer("core", tap.standing)
        tap.heard(Hello(1, 1, 7, 1.0, "toy", ("A",), tuple("KLMNOPQRST")))
        tap.sent(Welcome(1, 1.0, b"\x01\x00", (), ()))
        tap.sent(Key(5, 9, 1))
        tap.sent(Key(6, 0, 0))
        tap.heard(Lamps(7, b"\x01", bytes(4)))
        deaf, _deaf_writer = await asyncio.open_unix_connection(str(tmp_path / "o.sock"))
        seen: list[dict[str, Any]] = []

        async def watch() -> None:
            async for line in observe(str(tmp_path / "o.sock"), also=["core", "nothing of ours"]):
                seen.append(line)
                if len(seen) == 4:
                    tap.heard(Read())
                    tap.gone()
                    assert tap.standing() == []
                    link.close()

        await watch()
        assert [line["topic"] for line in seen] == ["hello", *["core"] * 5]
        assert [line["from"] for line in seen[1:]] == ["core", "daemon", "core", "core", "core"]
        # One clock tick for all, and yet no two lines of one time.
        assert [line["at"] for line in seen[1:]] == sorted({line["at"] for line in seen[1:]})
        standing = [message for line in seen[2:4] for message in Decoder().feed(base64.b64decode(line["bytes"]))]
        assert standing == [Welcome(1, 1.0, b"\x00\x02", (), ()), Lamps(0, b"\x01", b"")]
        assert [line["bytes"] for line in seen[4:]] == [base64.b64encode(encode(Read())).decode(), ""]
        assert (await deaf.read()).count(b"\n") == 1
        _deaf_writer.close()
        await settle()

    run_virtually(main())


@pytest.mark.parametrize(
    "said",
    [b"\n", b"core\n", b"[]\n", b'{"also": "core"}\n', b'{"also": [7]}\n', b"\xff\n", b"x" * 9000, b"[" * 4000 + b"\n"],
)
def test_whatever_else_an_observer_says_is_ignored(tmp_path: Path, said: bytes) -> None:
    async def main() -> None:
        link = ObserverLink("trial")
        await link.serve(tmp_path / "o.sock")
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / "o.sock"))
        await reader.readline()
        writer.write(said)
        await settle()
        assert not link.wanted("core")
        link.event("key", name="STOP")
        assert json.loads(await reader.readline()) == {"topic": "key", "name": "STOP"}
        writer.close()
        link.close()
        await settle()

    run_virtually(main())


def test_observers_beyond_the_limit_are_refused(tmp_path: Path) -> None:
    async def main() -> None:
        link = ObserverLink("trial")
        path = str(tmp_path / "o.sock")
        await link.serve(tmp_path / "o.sock")
        pairs = [await asyncio.open_unix_connection(path) for _ in range(observer.MOST_OBSERVERS + 1)]
        first = [json.loads(await reader.readline()) for reader, _ in pairs]
        assert [line["topic"] for line in first].count("refused") == 1
        for _, writer in pairs:
            writer.close()
        link.close()
        await settle()

    run_virtually(main())
