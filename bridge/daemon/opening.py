"""A part whose driver is made as soon as its wires can be opened, which may be long after the start."""

import contextlib
from collections.abc import Callable
from typing import Generic, TypeVar

from bridge.clock import SECOND
from bridge.errors import ConsoleError
from bridge.report import DeviceState

REOPEN = 5 * SECOND
"""Nanoseconds between attempts to open what a part is wired to."""

D = TypeVar("D")


class Opening(Generic[D]):
    """The driver of a part.

    `make` makes it, and is called again after it raised ConsoleError, saying what is missing, or OSError.
    """

    def __init__(self, part: str, make: Callable[[], D]) -> None:
        self._part = part
        self._make = make
        self.made: D | None = None
        """The driver, once there is one."""
        self._again: int | None = None
        self.trouble = DeviceState(part, "not-ready")
        """What is to be said of the part while there is no driver."""

    def open(self) -> D:
        """Make the driver, unless it is made. Raises ConsoleError."""
        if self.made is None:
            try:
                self.made = self._make()
            except ConsoleError as error:
                self._not_ready(str(error))
                raise
            except OSError as error:
                words = f"{self._part}: its bus does not answer ({error.strerror or error})."
                self._not_ready(words)
                raise ConsoleError(words) from None
        return self.made

    def driver(self, now: int) -> D | None:
        """Return the driver; without one, see every REOPEN from the first call on whether it can be made by now."""
        if self.made is None and now >= self._next(now):
            self._again = now + REOPEN
            with contextlib.suppress(ConsoleError):
                self.open()
        return self.made

    def _not_ready(self, words: str) -> None:
        self.trouble = DeviceState(self._part, "not-ready", " ".join(words.splitlines()))

    def _next(self, now: int) -> int:
        if self._again is None:
            self._again = now + REOPEN
        return self._again
