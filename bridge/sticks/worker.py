"""Calls on a stick, run in a process that may hang on it for ever without holding up this one."""

import asyncio
import errno
import os
import socket
import subprocess
from collections import deque
from collections.abc import Callable
from typing import Any, TypeVar, TypeVarTuple, Unpack

from bridge.sticks import parcel, process

T = TypeVar("T")
A = TypeVarTuple("A")

MODULE = "bridge.sticks.child"
PATIENCE = 1.0
"""Seconds without any progress after which a call is said to have stalled."""
LATE = 1.0
"""Seconds by which a look at the process may be late before it counts as one that will never come."""
REST = 5.0
"""Seconds after a process died by itself before the next one is started: it may well die too."""


class Worker:
    """Runs calls one after another in a process of its own, which may hang or die; for one hopper.

    Call it with a function of a module and its arguments: small, and picklable. It returns or raises what the function
    does; only NumPy arrays in that may be large (see `parcel`). It raises TimeoutError when the process has neither
    answered nor run for PATIENCE, and from then on at once, until the process answers after all or `pulled` tells that
    the stick is out. Then the process is given up, killed if it can be, and the next call is run by another. OSError
    (ECONNRESET) means that the process has died; another is started by the first call after REST, or after `pulled`.

    Belongs to the running event loop; `close` it. `abandoned` counts the processes given up.
    """

    def __init__(self, patience: float = PATIENCE, rest: float = REST) -> None:
        self.abandoned = 0
        self._patience = patience
        self._rest = rest
        self._loop = asyncio.get_running_loop()
        self._given_up: list[subprocess.Popen[bytes]] = []
        self._waiting: deque[asyncio.Future[Any]] = deque()
        self._before_pull = 0
        self._stalled = False
        self._ran = 0
        self._timer: asyncio.TimerHandle | None = None
        self._rest_until = 0.0
        self._process: subprocess.Popen[bytes] | None = None
        self._channel: socket.socket | None = None

    @property
    def pid(self) -> int | None:
        """The process's number, None while there is none."""
        return self._process.pid if self._process else None

    @property
    def watched(self) -> bool:
        """Whether it is sure that a call which hangs now will be noticed, or has been."""
        if not self._waiting or self._stalled:
            return True
        return self._timer is not None and self._timer.when() + LATE > self._loop.time()

    def start(self) -> None:
        """Start the process now rather than at the first call. Raises OSError."""
        if self._process is None:
            self._process, self._channel = process.spawn(MODULE)
            self._loop.add_reader(self._channel, self._answered)
        self._given_up = [one for one in self._given_up if one.poll() is None]

    async def __call__(self, call: Callable[[Unpack[A]], T], /, *arguments: *A) -> T:
        """Run the call over there."""
        if self._stalled:
            raise _stalled()
        if self._process is None and self._loop.time() < self._rest_until:
            raise _died()
        self.start()
        assert self._channel is not None  # noqa: S101 -- started
        try:
            parcel.send(self._channel, (call, arguments))
        except ConnectionError:
            self._died()
            raise _died() from None
        answer: asyncio.Future[T] = self._loop.create_future()
        self._waiting.append(answer)
        if len(self._waiting) == 1:
            self._watch()
        return await answer

    def pulled(self) -> None:
        """Hear that the stick is out: what hangs on it will never return."""
        self._rest_until = 0.0
        self._before_pull = len(self._waiting)
        if self._stalled:
            self._give_up()

    async def close(self) -> None:
        """End the process; a call that is running is let finish, if that does not take long."""
        running, self._process = self._process, None
        self._let_go(_died())
        self._rest_until = float("inf")
        for one in (running, *self._given_up):
            if one is not None:
                await process.end(one)

    def _answered(self) -> None:
        assert self._channel is not None  # noqa: S101 -- it is what woke us
        try:
            result, error = parcel.receive(self._channel)
        except BlockingIOError:
            return
        except EOFError:
            self._died()
            return
        answer = self._waiting.popleft()
        self._before_pull = max(self._before_pull - 1, 0)
        self._stalled = False
        self._unwatch()
        if self._waiting:
            self._watch()
        if answer.done():  # cancelled, or stalled meanwhile
            return
        if error is None:
            answer.set_result(result)
        else:
            answer.set_exception(error)

    def _watch(self) -> None:
        assert self._process is not None  # noqa: S101 -- something waits for its answer
        self._ran = process.progress(self._process)
        self._timer = self._loop.call_later(self._patience, self._look)

    def _unwatch(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        """See whether the process has run since the last look."""
        assert self._process is not None  # noqa: S101 -- something waits for its answer
        if process.progress(self._process) != self._ran:
            self._watch()
            return
        self._stalled = True
        for answer in self._waiting:
            _fail(answer, _stalled())
        if self._before_pull:
            self._give_up()

    def _give_up(self) -> None:
        assert self._process is not None  # noqa: S101 -- it has stalled
        self._process.kill()
        self._given_up.append(self._process)
        self._process = None
        self.abandoned += 1
        self._let_go(_stalled())

    def _died(self) -> None:
        assert self._process is not None  # noqa: S101 -- it was ours a moment ago
        self._given_up.append(self._process)  # its end has closed, so it is about to be over
        self._process = None
        self._rest_until = self._loop.time() + self._rest
        self._let_go(_died())

    def _let_go(self, error: OSError) -> None:
        """Forget the process that was, and fail what waits for it."""
        self._unwatch()
        self._stalled = False
        self._before_pull = 0
        if self._channel is not None:
            self._loop.remove_reader(self._channel)
            self._channel.close()
            self._channel = None
        for answer in self._waiting:
            _fail(answer, error)
        self._waiting.clear()


def _fail(answer: "asyncio.Future[Any]", error: OSError) -> None:
    if not answer.done():
        answer.set_exception(error)


def _stalled() -> OSError:
    return TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))


def _died() -> OSError:
    return ConnectionResetError(errno.ECONNRESET, "the process that reads and writes it has died")
