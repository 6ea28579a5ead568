"""The daemon's end of the core link: one core at a time, and nothing it sends is trusted."""

import asyncio
from pathlib import Path
from typing import Protocol

from bridge.links.listen import listen
from bridge.links.messages import (
    CAUSE_LEAVING,
    CAUSE_RULE,
    CAUSE_SLOW,
    CAUSE_TAKEN,
    CAUSE_VERSION,
    VERSION,
    Cause,
    Decoder,
    FromDaemon,
    FromLinked,
    Hello,
    LinkError,
    Message,
    Refused,
    Welcome,
    encode,
    name_of,
)
from bridge.links.tap import Tap
from bridge.report import DeviceState, Report

HELLO_WITHIN = 5.0
"""Seconds a caller has for its hello."""
MOST_CALLERS = 8
MOST_UNREAD = 1 << 20
"""Bytes a core may leave unread before it is let go; it can link again at any time."""


class CoreHandler(Protocol):
    """What the daemon does with a core. Any method but `left` may raise LinkError to let the core go with a reason."""

    def came(self, hello: Hello) -> Welcome:
        """Answer the hello of a core; called before anything else of that core."""

    def welcomed(self) -> None:
        """Say what is to follow the welcome, which has just been sent."""

    def took(self, message: FromLinked) -> None:
        """Act on what the core sent."""

    def left(self) -> None:
        """Let go of what was the core's: it is gone, whatever the reason."""


class CoreLink:
    """Serves the core link; `report` is told in words when a core comes, goes or is refused, `tap` what crosses it."""

    def __init__(self, handler: CoreHandler, report: Report, tap: Tap | None = None) -> None:
        self.handler = handler
        self.report = report
        self.tap = tap or Tap()
        self.core: _Caller | None = None
        self.callers: set[_Caller] = set()
        self._server: asyncio.Server | None = None

    async def serve(self, path: Path) -> None:
        """Listen at `path`; raises ConsoleError when that is not possible."""
        self._server = await listen(path, lambda: _Caller(self))
        self.report(DeviceState("core", "absent", "No emulator is linked. Start it, or wait until it starts."))

    def send(self, message: FromDaemon) -> None:
        """Send to the core, if there is one."""
        if self.core is not None:
            self.core.send(message)

    def close(self) -> None:
        """Stop listening and let the core go."""
        if self._server is not None:
            self._server.close()
        self.report = lambda _: None
        for caller in tuple(self.callers):
            caller.refuse("the console is shutting down", CAUSE_LEAVING)


class _Caller(asyncio.Protocol):
    """One connection to the core's socket."""

    def __init__(self, link: CoreLink) -> None:
        self._link = link
        self._decoder = Decoder()
        self._transport: asyncio.Transport | None = None
        self._deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 -- what create_unix_server hands out
        self._transport = transport
        self._link.callers.add(self)
        if len(self._link.callers) > MOST_CALLERS:
            self.refuse("too many connections at once", CAUSE_TAKEN)
            return
        late = f"no hello came within {HELLO_WITHIN:g} seconds"
        self._deadline = asyncio.get_running_loop().call_later(HELLO_WITHIN, self.refuse, late, CAUSE_SLOW)

    def data_received(self, data: bytes) -> None:
        try:
            for message in self._decoder.feed(data):
                if self not in self._link.callers:
                    return
                self._take(message)
        except LinkError as error:
            self.refuse(str(error), CAUSE_RULE)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 -- the protocol's signature
        self._leave(DeviceState("core", "absent", "The emulator is gone; the lamps rest until it comes back."))

    def send(self, message: FromDaemon) -> None:
        """Send, unless this core has stopped reading."""
        if self._transport is None:
            return
        self._transport.write(encode(message))
        self._link.tap.sent(message)
        if self._transport.get_write_buffer_size() > MOST_UNREAD:
            self.refuse(f"the core has left more than {MOST_UNREAD} bytes unread", CAUSE_SLOW)

    def refuse(self, reason: str, cause: int) -> None:
        """Say why, and close."""
        if self._transport is None:
            return
        transport = self._transport
        transport.write(encode(Cause(cause)) + encode(Refused(reason)))
        if self._link.core is self:
            self._link.tap.sent(Cause(cause))
            self._link.tap.sent(Refused(reason))
        who = "core" if self._link.core in (None, self) else "another core"
        self._leave(DeviceState(who, "refused", f"An emulator was refused: {reason}."))
        transport.close()

    def _take(self, message: Message) -> None:
        if self._link.core is self:
            if not isinstance(message, FromLinked):
                raise LinkError(f"{name_of(type(message))} is not a core's to send now", 4, 1)
            self._link.tap.heard(message)
            self._link.handler.took(message)
        elif not isinstance(message, Hello):
            raise LinkError(f"{name_of(type(message))} came before HELLO", 4, 1)
        elif self._link.core is not None:
            self.refuse("another core is linked already; one console serves one core", CAUSE_TAKEN)
        elif not message.oldest <= VERSION <= message.newest:
            versions = f"versions {message.oldest} to {message.newest}"
            self.refuse(f"the core speaks {versions} of the link, this console version {VERSION}", CAUSE_VERSION)
        else:
            self._welcome(message)

    def _welcome(self, hello: Hello) -> None:
        welcome = self._link.handler.came(hello)
        self._link.core = self
        self._link.tap.heard(hello)
        if self._deadline is not None:
            self._deadline.cancel()
        self.send(welcome)
        self._link.handler.welcomed()
        missing = [*welcome.missing_lamps, *welcome.missing_keys]
        words = f"Not on this panel: {', '.join(missing)}." if missing else ""
        self._link.report(DeviceState("core", "linked", words))

    def _leave(self, state: DeviceState) -> None:
        self._transport = None
        if self._deadline is not None:
            self._deadline.cancel()
        if self not in self._link.callers:
            return
        self._link.callers.discard(self)
        if self._link.core is self:
            self._link.core = None
            self._link.tap.gone()
            self._link.handler.left()
            self._link.report(state)
        elif state.state != "absent":
            self._link.report(state)
