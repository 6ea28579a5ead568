import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.rehearsal import control
from tests.daemon.harness import Rig
from tests.daemon.panels import small_console
from tests.virtual import run_virtually

Ask = Callable[[Any], Awaitable[dict[str, Any]]]


def with_control(folder: Path, main: Callable[[Rig, Ask], Awaitable[None]]) -> None:
    async def wrapped() -> None:
        async with Rig(folder, small_console(folder)) as rig:
            reader, writer = await asyncio.open_unix_connection(str(rig.sockets.rehearsal))

            async def ask(request: Any) -> dict[str, Any]:
                data = request if isinstance(request, bytes) else json.dumps(request).encode()
                writer.write(data + b"\n")
                answer: dict[str, Any] = json.loads(await reader.readline())
                return answer

            await main(rig, ask)
            writer.close()

    run_virtually(wrapped())


def test_keys_are_thrown_and_lamps_looked_at(tmp_path: Path) -> None:
    async def main(rig: Rig, ask: Ask) -> None:
        assert await ask({"do": "throw", "key": "DOOR", "closed": True}) == {}
        await rig.wait(50)
        assert rig.daemon._desk._closed == [False, True]
        assert await ask({"do": "lamps"}) == {"lamps": {f"A.{bit}": 0 for bit in range(7, -1, -1)}}

    with_control(tmp_path, main)


def test_cables_are_pulled_and_put_back(tmp_path: Path) -> None:
    async def main(rig: Rig, ask: Ask) -> None:
        for plugged, state in ((False, "cable"), (True, "ready")):
            assert await ask({"do": "plug", "part": "key inputs", "plugged": plugged}) == {}
            await rig.wait(300)
            assert rig.state_of("key inputs").state == state  # type: ignore[union-attr]

    with_control(tmp_path, main)


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (b"no json", "Expecting value"),
        ([1, 2], '"do" must be one of throw'),
        ({"do": "fly"}, '"do" must be one of throw'),
        ({"do": ["throw"]}, '"do" must be one of throw'),
        ({"do": "throw", "key": "NOPE"}, "no rehearsed key is called 'NOPE'"),
        ({"do": "throw", "key": ["START"]}, "no rehearsed key"),
        ({"do": "plug", "part": 7}, "no rehearsed part is called 7"),
        ({"do": "upset", "part": "lamp drivers"}, "no rehearsed part with settings to lose is called 'lamp drivers'"),
        ({"do": "upset", "part": ["x"]}, "no rehearsed part with settings"),
        ({"do": "page"}, "the typewriter is not rehearsed"),
        ({"do": "keyboard", "text": "é"}, "ISO 646"),
    ],
)
def test_what_cannot_be_done_is_said_and_the_next_request_is_served(tmp_path: Path, request_: Any, words: str) -> None:
    async def main(_: Rig, ask: Ask) -> None:
        assert words in (await ask(request_))["error"]
        assert "lamps" in await ask({"do": "lamps"})

    with_control(tmp_path, main)


def test_a_line_without_end_is_hung_up_on(tmp_path: Path) -> None:
    async def main(rig: Rig, _: Ask) -> None:
        reader, writer = await asyncio.open_unix_connection(str(rig.sockets.rehearsal))
        writer.write(b"x" * (control.LONGEST_LINE + 1))
        assert await reader.read() == b""
        writer.close()

    with_control(tmp_path, main)
