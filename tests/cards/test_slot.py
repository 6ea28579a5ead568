import asyncio
from pathlib import Path

from bridge.cards.slot import Slot, Stick, plain
from tests.virtual import run_virtually


def test_whoever_waits_hears_of_another_stick_and_not_of_the_same() -> None:
    async def scenario() -> None:
        slot = Slot(Stick(0, None, "no stick is in"))
        heard: list[Stick] = []

        async def listen() -> None:
            while len(heard) < 2:
                await slot.changed(slot.stick)
                heard.append(slot.stick)

        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(listen())
            for stick in (Stick(0, None, "no stick is in"), Stick(1, Path("/a")), Stick(1, Path("/a"))):
                await asyncio.sleep(0)
                slot.put(stick)
            await asyncio.sleep(0)
            assert heard == [Stick(1, Path("/a"))]
            slot.put(Stick(2, Path("/a")))  # the same folder, put in again
        assert heard == [Stick(1, Path("/a")), Stick(2, Path("/a"))]

    run_virtually(scenario())


def test_news_that_came_before_one_waits_is_not_missed() -> None:
    async def scenario() -> None:
        slot = plain(Path("/a"))
        seen = slot.stick
        slot.put(Stick(1, Path("/b")))
        await slot.changed(seen)
        assert slot.stick.folder == Path("/b")

    run_virtually(scenario())
