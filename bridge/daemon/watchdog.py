"""Looks after the daemon for the service manager's watchdog.

The event loop does the looking, so one that is blocked feeds nothing.
"""

from collections.abc import Callable

from bridge.clock import LoopClock

Hanging = list[str]
"""What hangs, in words."""


async def feed(clock: LoopClock, every: int, look: Callable[[], Hanging], tell: Callable[[Hanging], None]) -> None:
    """Look every so many nanoseconds and tell what hangs, until cancelled; nothing means that the watchdog is fed."""
    while True:
        tell(look())
        await clock.until(clock.now() + every)
