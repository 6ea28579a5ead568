import asyncio
import contextlib
import math

from bridge.clock import SECOND, LoopClock, paced
from tests.virtual import run_virtually


def test_virtual_time_jumps_to_the_deadline() -> None:
    async def main() -> int:
        clock = LoopClock()
        start = clock.now()
        await clock.until(start + 3600 * SECOND)
        return clock.now() - start

    assert run_virtually(main()) == 3600 * SECOND


def test_late_wake_ups_are_late_but_never_early() -> None:
    async def main() -> list[int]:
        clock = LoopClock()
        start = clock.now()
        late = []
        for n in range(1, 201):
            await clock.until(start + n * SECOND)
            late.append(clock.now() - start - n * SECOND)
        return late

    late = run_virtually(main(), late=0.005)
    assert min(late) >= 0
    assert 3_000_000 < max(late) <= 5_000_000


def test_a_past_moment_still_yields() -> None:
    async def main() -> bool:
        clock = LoopClock()
        ran: list[bool] = []
        asyncio.get_running_loop().call_soon(ran.append, True)
        await clock.until(clock.now() - SECOND)
        return bool(ran)

    assert run_virtually(main())


def test_pace_divides_and_infinity_is_at_once() -> None:
    assert paced(SECOND, 2.0) == SECOND // 2
    assert paced(SECOND, math.inf) == 0


def test_a_wait_given_up_in_the_moment_it_ends_is_given_up() -> None:
    async def main() -> bool:
        clock = LoopClock()
        end = clock.now() + SECOND
        waiting = asyncio.create_task(clock.until(end))
        await asyncio.sleep(0)
        # Runs in the same turn of the loop as the wake-up, and before it.
        asyncio.get_running_loop().call_at(end / SECOND - 1e-12, waiting.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            await waiting
        return waiting.cancelled()

    assert run_virtually(main())
