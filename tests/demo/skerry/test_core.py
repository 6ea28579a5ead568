"""The demo machine as a core on a real console: what it does when link, keys or cards come and go."""

from pathlib import Path

from bridge.demo.skerry.core import CYCLE, SkerryCore
from bridge.demo.skerry.orders import ORDERS
from bridge.links.messages import CAUSE_LEAVING
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

JUMP, CARD, PNCH, HALT = (ORDERS[name].code << 18 for name in ("JUMP", "CARD", "PNCH", "HALT"))


async def started(rig: Rig, *program: int) -> SkerryCore:
    """Return a core on the console with a program at 0."""
    core = SkerryCore(str(rig.sockets.core), run=1)
    core.processor.store[: len(program)] = program
    rig.run_core(core)
    await rig.wait(1000)
    assert core.client.connected
    return core


def test_it_runs_at_its_pace(tmp_path: Path) -> None:
    # source: ORDERS.md: 96 us a cycle; a JUMP takes three.
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            core = await started(rig, JUMP)
            counted = 0
            count = core.client.cycle

            def cycle(bits: int, ticks: int = 1) -> None:
                nonlocal counted
                counted += ticks
                count(bits, ticks)

            core.client.cycle = cycle  # type: ignore[method-assign]
            await rig.press("START")
            begin, before = rig.clock.now(), counted
            await rig.wait(10_000)
            expected = (rig.clock.now() - begin) / CYCLE
            assert abs(counted - before - expected) < 60
            await rig.press("STOP")
            assert not core.processor.running

    run_virtually(main())


def test_a_card_owed_to_an_order_given_up_is_thrown_away(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            core = await started(rig, CARD, HALT)
            await rig.press("START")
            assert core.processor.waiting
            await rig.press("RESET")
            await rig.press("START")
            (tmp_path / "reader" / "two.deck").write_text("A\nB\n")
            await rig.wait(3000)
            assert not core.processor.running
            assert core.processor._card[0] == 1 << 11 | 1 << 7  # 12-2, the B

    run_virtually(main())


def test_a_core_that_loses_its_console_goes_on_when_it_is_back(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            core = await started(rig, CARD, PNCH, HALT)
            await rig.press("START")
            rig.daemon._core_link.core.refuse("trial", CAUSE_LEAVING)  # type: ignore[union-attr]
            await rig.wait(1000)
            assert [state.state for state in rig.states if state.device == "core"][-2:] == ["refused", "linked"]
            (tmp_path / "reader" / "one.deck").write_text("A\n")
            await rig.wait(4000)
            assert not core.processor.running
            (deck,) = (tmp_path / "punch").glob("*.deck")
            assert deck.read_text() == "\n"

    run_virtually(main())


def test_a_key_held_while_the_core_comes_is_a_level_not_a_press(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            await rig.throw("W.3", closed=True)
            await rig.throw("START", closed=True)
            core = await started(rig, JUMP)
            assert core.processor.keys == 8
            assert not core.processor.running
            await rig.throw("START", closed=False)
            await rig.press("START")
            assert core.processor.running

    run_virtually(main())
