"""What a console asks of its core: power, save and restore; and what it says when there is no answer."""

import asyncio
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.daemon.daemon import STOP, TOLD
from bridge.daemon.ending import LIMIT
from bridge.links.client import CoreClient
from bridge.links.messages import KNOWS_POWER, KNOWS_STATE, TASK_POWER_OFF, TASK_SAVE, Task
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

BOTH = KNOWS_POWER | KNOWS_STATE


def with_core(folder: Path, work: Callable[[Rig, CoreClient], Coroutine[Any, Any, None]], knows: int = BOTH) -> None:
    async def main() -> None:
        async with Rig(folder) as rig:
            client = new_client(rig, knows)
            await rig.talk(client, 50)
            await work(rig, client)
            client.close()

    run_virtually(main())


def new_client(rig: Rig, knows: int) -> CoreClient:
    return CoreClient(str(rig.sockets.core), "trial", ["A.0"], [], ticks_per_second=1e4, run=1, knows=knows)


def powered(client: CoreClient) -> bool:
    return client.power


async def answer(rig: Rig, client: CoreClient, words: str, *, failed: bool = False) -> Task:
    """Let the core take what it is asked for, and answer."""
    await rig.talk(client, 20)
    task = client.task_came()
    assert task is not None
    client.done(words, failed=failed)
    await rig.talk(client, 20)
    return task


def said(rig: Rig) -> list[tuple[str, str]]:
    return [(state.state, state.words) for state in rig.states if state.device == "core task"]


def test_a_state_is_saved_under_its_name(tmp_path: Path) -> None:
    async def work(rig: Rig, client: CoreClient) -> None:
        asked = rig.ask("save", "evening")
        assert await answer(rig, client, "1,024 words") == Task(1, TASK_SAVE, 500, "evening")
        assert (await asked).state == "done"
        asked = rig.ask("restore", "morning")
        await answer(rig, client, "nothing of this name", failed=True)
        assert (await asked).state == "failed"
        assert said(rig) == [
            ("done", "The emulator says: 1,024 words"),
            ("failed", "The emulator says: nothing of this name"),
        ]

    with_core(tmp_path, work)


@pytest.mark.parametrize("name", ["", "../x", "Evening", "e" * 33])
def test_a_name_that_is_none_is_never_sent(tmp_path: Path, name: str) -> None:
    async def work(rig: Rig, client: CoreClient) -> None:
        outcome = await rig.ask("save", name)
        assert outcome.state == "not-asked"
        assert "a-z, 0-9 and -" in outcome.words
        await rig.talk(client, 20)
        assert client.task_came() is None

    with_core(tmp_path, work)


@pytest.mark.parametrize(("knows", "sent"), [(0, []), (KNOWS_STATE, []), (KNOWS_POWER, [TASK_POWER_OFF])])
def test_a_core_is_asked_for_nothing_it_has_not_said_it_knows(tmp_path: Path, knows: int, sent: list[int]) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            client = new_client(rig, knows)
            await rig.talk(client, 50)
            asked = rig.ask("power", "off", "closing time")
            came = await rig.talk(client, 50)
            assert [message.task for _, message in came if isinstance(message, Task)] == sent
            asked.cancel()
            client.close()

    run_virtually(main())


def test_with_no_core_nobody_is_waited_for(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            start = rig.clock.now()
            assert (await rig.daemon.save("evening", 5.0)).words == "No emulator is linked."
            assert rig.clock.now() == start

    run_virtually(main())


def test_the_next_task_takes_the_place_of_one_that_is_not_answered(tmp_path: Path) -> None:
    async def work(rig: Rig, client: CoreClient) -> None:
        first = rig.ask("save", "one")
        await rig.talk(client, 20)
        second = rig.ask("save", "two")
        await answer(rig, client, "")
        assert (await first).state == "no-answer"
        assert (await second).state == "done"

    with_core(tmp_path, work)


def test_a_core_that_goes_is_not_waited_for(tmp_path: Path) -> None:
    async def work(rig: Rig, client: CoreClient) -> None:
        asked = rig.ask("save", "one")
        await rig.talk(client, 20)
        start = rig.clock.now()
        client.close()
        assert (await asked).words == "The emulator went before it had answered."
        assert rig.clock.now() - start < 10_000_000

    with_core(tmp_path, work)


def test_an_answer_that_comes_too_late_is_passed_over(tmp_path: Path) -> None:
    async def work(rig: Rig, client: CoreClient) -> None:
        asked = rig.ask("save", "one")
        await rig.talk(client, 600)
        assert (await asked).words == (
            "The emulator was asked to save its machine's state, and gave no answer within 0.5 s."
        )
        await answer(rig, client, "at last")
        assert client.connected
        assert [state for state, _ in said(rig)] == ["no-answer"]

    with_core(tmp_path, work)


def test_a_core_that_comes_while_the_power_is_off_is_told(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            assert (await rig.ask("power", "off", "closing time")).state == "not-asked"
            client = new_client(rig, BOTH)
            await rig.talk(client, 50)
            assert not powered(client)
            asked = rig.ask("power", "on", "opening")
            await answer(rig, client, "")
            assert (await asked).state == "done"
            assert powered(client)
            client.close()
            client = new_client(rig, BOTH)
            await rig.talk(client, 50)
            assert powered(client)
            client.close()

    run_virtually(main())


def test_at_the_end_the_core_is_told_and_its_answer_awaited(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            client = new_client(rig, BOTH)
            await rig.talk(client, 50)
            ending = asyncio.create_task(rig.daemon.stop())
            assert (await answer(rig, client, "all is safe")).words == "the console is shutting down"
            await ending
            assert said(rig) == [("done", "The emulator says: all is safe")]
            client.close()

    run_virtually(main())


def test_a_core_that_does_not_answer_at_the_end_is_said_so_and_left(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            client = new_client(rig, BOTH)
            await rig.talk(client, 50)
            start = rig.clock.now()
            await rig.daemon.stop()
            assert TOLD <= (rig.clock.now() - start) / 1e9 < TOLD + 0.1
            words = f"The emulator was asked to make ready for the power to go, and gave no answer within {TOLD:g} s."
            assert said(rig) == [("no-answer", words)]
            client.close()

    run_virtually(main())


def test_the_cores_time_and_the_buses_and_the_tasks_fit_into_that_of_the_end() -> None:
    # source: arithmetic: each of the three may take all of its time.
    assert TOLD + 2 * STOP < LIMIT
