"""The one clock: monotonic nanoseconds, and waiting for a moment of it."""

import asyncio
import math

SECOND = 1_000_000_000


class LoopClock:
    """Monotonic time as an event loop tells it.

    On the ordinary loop this is the system's monotonic clock, the same that the bus threads read; on a loop with
    virtual time it is that loop's time, so everything that waits here can be tested without waiting.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop | None = None) -> None:
        self._loop = loop or asyncio.get_running_loop()

    def now(self) -> int:
        """Return the time in nanoseconds; only differences mean anything."""
        return round(self._loop.time() * SECOND)

    async def until(self, when: int) -> None:
        """Return at `when` (nanoseconds) or a little later, never before; yields to other tasks even if it is past."""
        arrived = self._loop.create_future()
        handle = self._loop.call_at(when / SECOND, _wake, arrived)
        try:
            await arrived
        finally:
            handle.cancel()


def _wake(arrived: "asyncio.Future[None]") -> None:
    if not arrived.done():
        arrived.set_result(None)


def paced(duration: float, pace: float) -> int:
    """Return how many nanoseconds `duration` nanoseconds of machine time last at a pace factor; 0 at pace infinity."""
    return 0 if math.isinf(pace) else round(duration / pace)
