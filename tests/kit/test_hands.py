"""What someone at the panel can do by words, on a whole rehearsed console."""

import asyncio
import contextlib
import shlex
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from bridge.console import load
from bridge.files import examples
from bridge.kit.hands import HELP, Hands, NotDoneError
from bridge.links.client import CoreClient
from bridge.links.messages import TASK_SAVE, Key, Task
from bridge.links.observer import observe
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

FIRST = examples() / "first-panel.toml"


@contextlib.asynccontextmanager
async def worked(rig: Rig) -> AsyncIterator[Hands]:
    hands = Hands(rig.console, rig.daemon, rig.folder)

    async def watch() -> None:
        async for line in observe(str(rig.sockets.observer)):
            hands.told(line)

    watching = asyncio.create_task(watch())
    yield hands
    watching.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await watching


def at_the_panel(folder: Path, work: Callable[[Rig, Hands], Awaitable[None]], file: Path | None = None) -> None:
    async def main() -> None:
        async with Rig(folder, load(file) if file else None) as rig, worked(rig) as hands:
            await work(rig, hands)

    run_virtually(main())


def test_keys_are_thrown_pressed_and_turned(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        client = CoreClient(
            str(rig.sockets.core), "trial", [], ["W.5", "START", "SELECT.A", "SELECT.B"], ticks_per_second=1
        )
        await rig.talk(client, 500)
        assert await hands.do("throw W.5") == ["W.5 is on"]
        assert await hands.do("throw W.5 on") == ["W.5 is on"]
        assert await hands.do("throw W.5") == ["W.5 is off"]
        await hands.do("press START")
        await hands.do("turn SELECT A")
        await hands.do("turn SELECT B")
        said = [(m.key, m.closed) for _, m in await rig.talk(client, 10) if isinstance(m, Key)]
        assert said == [(0, 1), (0, 0), (1, 1), (1, 0), (2, 1), (2, 0), (3, 1)]
        assert (await hands.do("look"))[-1].startswith("on: SELECT.B")
        client.close()

    at_the_panel(tmp_path, work)


def test_lamps_are_drawn_and_told(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        lamps = [f"A.{n}" for n in range(8)]
        client = CoreClient(str(rig.sockets.core), "trial", lamps, [], ticks_per_second=1)
        client.rest(0b00100001)
        await rig.talk(client, 1000)
        look = await hands.do("look")
        assert look[0] == "A  ··█····█  accumulator"
        told = dict(pair.split("=") for pair in (await hands.do("lamps A"))[0].split())
        assert told == {f"A.{n}": "4095" if n in {0, 5} else "0" for n in range(8)}
        # source: arithmetic: lit for one tick in eight, an instant lamp has an eighth of 4095.
        client.cycle(0b10, 1)
        client.cycle(0, 7)
        await rig.talk(client, 20)
        assert (await hands.do("look"))[0] == "A  ······░·  accumulator"
        client.close()

    at_the_panel(tmp_path, work, FIRST)


def test_sticks_are_carried_and_none_is_lost(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        deck = tmp_path / "two words.deck"
        deck.write_text("HELLO\n")
        for _ in range(2):
            await hands.do(f"deck in {shlex.quote(str(deck))}")
        await hands.do("deck out")
        with pytest.raises(NotDoneError, match="no stick is in the reader"):
            await hands.do("deck out")
        await hands.do("deck in")
        await rig.wait(2000)
        assert any(line.startswith("reader: ready - two words.deck") for line in await hands.do("devices"))
        with pytest.raises(NotDoneError, match="a stick is in the reader"):
            await hands.do("deck in")
        client = CoreClient(str(rig.sockets.core), "trial", [], [], ticks_per_second=1)
        client.punch(bytes(160))
        await rig.talk(client, 3000)
        (punched,) = await hands.do("blanks out")
        assert Path(punched).read_text() == "\n"
        await hands.do("blanks in")
        assert len(list(tmp_path.rglob("two words.deck"))) == 3
        client.close()

    at_the_panel(tmp_path, work)


def test_the_drawer_keeps_every_stick(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        for n in range(3):
            (tmp_path / f"{n}.deck").write_text(f"{n}\n")
            await hands.do(f"deck in {tmp_path / f'{n}.deck'}")
        await hands.do("deck out")
        kept = {file.name for file in (tmp_path / "drawer").rglob("*.deck")}
        assert kept == {"0.deck", "1.deck", "2.deck"}

    at_the_panel(tmp_path, work)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("fly", 'no command "fly"'),
        ("throw", "throw KEY"),
        ("throw NOTHING", "no key is called"),
        ("throw W.5 up", "throw KEY"),
        ("press", "press KEY"),
        ("turn SELECT", "the knobs are "),
        ("turn SELECT Z", "SELECT can be turned to"),
        ("look here", "stands alone"),
        ("lamps NOWHERE", "the rows are A, "),
        ("deck in /no/such.deck", "no such file"),
        ("deck", "deck in FILE"),
        ("blanks", "blanks in"),
        ("type £", "ISO 646"),
        ("wait long", "wait SECONDS"),
        ("wait -1", "wait SECONDS"),
        ('press "W', "No closing quotation"),
    ],
)
def test_what_cannot_be_done_is_said(tmp_path: Path, line: str, words: str) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        with pytest.raises(NotDoneError, match=words):
            await hands.do(line)

    at_the_panel(tmp_path, work)


def test_a_key_whose_cable_is_off_is_said(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        rig.daemon.panel.plug("key inputs", plugged=False)
        await hands.do("wait 1")
        with pytest.raises(NotDoneError, match="is its cable off"):
            await hands.do("throw W.5")

    at_the_panel(tmp_path, work)


def test_a_console_without_devices_says_so(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        for line in ("deck in", "blanks in", "page", "type A"):
            with pytest.raises(NotDoneError, match="this console has no"):
                await hands.do(line)

    at_the_panel(tmp_path, work, FIRST)


def test_power_and_state_are_words_too(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        client = CoreClient(str(rig.sockets.core), "trial", [], [], ticks_per_second=1.0, run=1, knows=3)
        await rig.talk(client, 50)

        async def answered(line: str, words: str, *, failed: bool = False) -> tuple[Task | None, list[str]]:
            doing = asyncio.create_task(hands.do(line))
            await rig.talk(client, 20)
            task = client.task_came()
            client.done(words, failed=failed)
            await rig.talk(client, 20)
            return task, list(await doing)

        task, told = await answered("save evening", "1,024 words")
        assert task == Task(1, TASK_SAVE, 5000, "evening")
        assert told == ["The emulator says: 1,024 words"]
        with pytest.raises(NotDoneError, match="nothing of this name"):
            await answered("restore morning", "nothing of this name", failed=True)
        with pytest.raises(NotDoneError, match="could not"):
            await answered("power off", "", failed=True)
        assert (await answered("power on", ""))[1] == []
        client.close()
        for line in ("power", "power up", "save", "save a b", "save ../x"):
            with pytest.raises(NotDoneError):
                await hands.do(line)

    at_the_panel(tmp_path, work)


def test_every_command_is_in_the_help(tmp_path: Path) -> None:
    async def work(rig: Rig, hands: Hands) -> None:
        told = {line.split()[0] for line in HELP.splitlines()}
        assert told - {"quit"} == hands._verbs.keys() - {"help"}
        assert list(await hands.do("help")) == HELP.splitlines()
        assert await hands.do("  # a remark") == []

    at_the_panel(tmp_path, work)


def test_the_typewriter_is_typed_on(tmp_path: Path) -> None:
    # The rig's own line stands for the typewriter, so the twin is not there; a rehearsal has one.
    async def work(rig: Rig, hands: Hands) -> None:
        pressed: list[bytes] = []

        class Twin:
            press = pressed.append

            def page(self) -> list[str]:
                return ["HEIGHTS"]

        rig.daemon.typewriter_twin = Twin()  # type: ignore[assignment]
        await hands.do("type GO 5\\r")
        assert await hands.do("page") == ["HEIGHTS"]
        rig.daemon.typewriter_twin = None
        assert pressed == [b"GO 5\r"]

    at_the_panel(tmp_path, work)
