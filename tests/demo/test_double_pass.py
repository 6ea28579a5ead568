"""The double pass at a console whose operator is late with everything: it waits with words, and goes on."""

import asyncio
import json
import math
import re
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.cards.deck import print_deck
from bridge.demo import operator as operators
from bridge.demo.jobs import CONDENSED, DOUBLE_PASS, LAMPS, RESIDUALS, TYPED, Done, double_pass
from bridge.demo.operator import Operator
from bridge.demo.screen import Plain
from bridge.demo.skerry.core import SkerryCore
from bridge.errors import ConsoleError
from tests.daemon.harness import Rig
from tests.demo.skerry.job import DECKS
from tests.demo.skerry.test_condense import condensed
from tests.demo.skerry.test_residuals import both_passes, heights_deck
from tests.virtual import run_virtually

HEIGHTS = heights_deck(list(range(700, 748)))


HANDS = 24
"""How many times something is done by hand in the whole job."""


class Late(Operator):
    """Does nothing by hand until the console has stood still for a while; `waited` is how the operator gave up then."""

    def __init__(self, rig: Rig) -> None:
        self.said: list[str] = []
        super().__init__(rig.folder, lambda _: None, self.said.append)
        self._rig = rig
        self._to_do: list[Callable[[], Awaitable[Any]]] = []
        self.waited: list[str] = []

    async def _by_hand(self, act: Callable[[], Awaitable[Any]]) -> None:
        self._to_do.append(act)

    async def take_out(self, hopper: str) -> Path:
        stick = await super().take_out(hopper)
        if hopper == "punch":  # nothing waits for that
            await self._to_do.pop()()
        return stick

    async def until(self, what: str, true: Callable[[], bool]) -> None:
        while self._to_do:
            with pytest.raises(ConsoleError) as gave_up:
                await super().until(what, true)
            self.waited.append(str(gave_up.value))
            await self._to_do.pop(0)()
        await super().until(what, true)

    async def page(self) -> list[str]:
        return self._rig.line.sent.decode().split("\r\n")[:-1]


def late_job(folder: Path) -> tuple[Done, Late]:
    decks = folder / "decks"
    decks.mkdir()
    for name in ("loader", "residuals", "condense"):
        shutil.copy(DECKS / f"{name}.deck", decks)
    (decks / "gannet-bay-heights.deck").write_text("".join(f"{line}\n" for line in HEIGHTS))

    async def main() -> tuple[Done, Late]:
        async with Rig(folder / "state", pace=math.inf) as rig:
            operator = Late(rig)
            rig.run_core(SkerryCore(str(rig.sockets.core), run=1))
            watch = asyncio.create_task(operator.watch())
            try:
                return await double_pass(operator, Plain(), decks), operator
            finally:
                watch.cancel()
                await asyncio.gather(watch, return_exceptions=True)
                operator.close()

    return run_virtually(main())


@pytest.fixture(scope="module")
def late(tmp_path_factory: pytest.TempPathFactory) -> tuple[Done, Late]:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(operators, "HINT", 0.6)
        patched.setattr(operators, "PATIENCE", 0.7)
        return late_job(tmp_path_factory.mktemp("late"))


def test_whatever_the_hand_leaves_undone_is_said(late: tuple[Done, Late]) -> None:
    waited = late[1].waited
    assert len(waited) == HANDS
    assert [words.removesuffix(" Nothing happens any more.") for words in waited] == late[1].said
    assert all(words.startswith("Waiting for ") and "The reader: " in words for words in waited)


@pytest.mark.parametrize(
    ("what", "hoppers"),
    [
        ("the deck in the reader to be seen", "The reader: no stick"),
        ("key LOAD", r"The reader: loader \+ residuals.deck: 84 of 84 cards"),
        ("key LOAD", r"The reader: loader \+ condense \+ residuals.deck: 117 of 117 cards"),
        ("key LOAD", r"The reader: punched-\d.deck: 22 of 22 cards"),
        ("the machine to type 'BLANK CARDS INTO THE PUNCH.'", r"The reader: no stick .* waits for a card"),
        ("the reader to see that its stick is out", r"The reader: gannet-bay-heights.deck is read .* waits for a card"),
        ("the machine to type 'CARDS PUNCHED'", r"The reader: no stick .* waits for a card"),
        ("the machine to type 'CARDS PUNCHED'", r"The punch: .*no stick .*waiting: 1"),
    ],
)
def test_what_stands_still_is_named(late: tuple[Done, Late], what: str, hoppers: str) -> None:
    assert any(re.match(f"Waiting for {re.escape(what)}\\. .*{hoppers}", words) for words in late[1].waited)


def test_the_late_hand_gets_the_job_done(late: tuple[Done, Late]) -> None:
    done, _ = late
    alone = both_passes(HEIGHTS)
    assert list(done.results) == list(DOUBLE_PASS.files)
    assert done.results[RESIDUALS].splitlines() == alone.punched
    assert done.results[CONDENSED] == print_deck(condensed("residuals"))
    page = done.results[TYPED].replace("\n", "\r\n")
    assert page.count(alone.typed) == 2
    assert "CONDENSED: CARDS READ  81, CARDS PUNCHED  22." in page
    lamps = json.loads(done.results[LAMPS])
    assert (lamps["STOPPED"], lamps["RUN"], lamps["ERROR"], lamps["READER"]) == (4095, 0, 0, 0)
    assert "deck of 6 cards" in done.words
    assert "81 cards were condensed into 22" in done.words


def test_a_console_that_only_tells_its_health_stands_still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(operators, "HINT", 2.0)
    monkeypatch.setattr(operators, "PATIENCE", 4.0)
    said: list[str] = []

    async def tell(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for late in range(20):
            writer.write(b'{"topic": "bus", "name": "panel", "late_p99_us": %d}\n' % late)
            await asyncio.sleep(1)
        writer.close()

    async def main() -> str:
        server = await asyncio.start_unix_server(tell, tmp_path / "observer.sock")
        operator = Operator(tmp_path, lambda _: None, said.append)
        watch = asyncio.create_task(operator.watch())
        begin = asyncio.get_running_loop().time()
        with pytest.raises(ConsoleError) as gave_up:
            await operator.until("a miracle", lambda: False)
        assert asyncio.get_running_loop().time() - begin < 8
        server.close()
        await asyncio.gather(watch, return_exceptions=True)
        return str(gave_up.value)

    assert run_virtually(main()) == "Waiting for a miracle. Nothing happens any more."
    assert said == ["Waiting for a miracle."]
