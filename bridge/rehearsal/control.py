"""The rehearsal's control socket: another terminal, a page or a test throws keys and looks at lamps through it.

One request a line, an object of JSON with `do`; one answer a line: what was asked for, or `{"error": words}`.

    {"do": "throw", "key": NAME, "closed": true}     close or open a key's contact; with
                                                     "bounces": false it does not bounce
    {"do": "lamps"}                                  {"lamps": {NAME: code 0–4095}} as the drivers' twins show them
    {"do": "plug", "part": NAME, "plugged": false}   pull a part's cable off, or put it back
    {"do": "fault", "part": NAME, "wire": "clock", "kind": "open", "chip": 3}   break a wire of a chain of keys; with
                                                     "other", "floats", "pin", "comes_and_goes" as in broken.py
    {"do": "mend", "part": NAME}                     and mend it
    {"do": "page"}                                   {"page": [lines], "printed": codes done} of the typewriter's twin
    {"do": "keyboard", "text": "…"}                  type on the typewriter's own keyboard
"""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.links.listen import listen
from bridge.rehearsal.panel import RehearsedPanel
from bridge.rehearsal.typewriter import RehearsedTypewriter

LONGEST_LINE = 1 << 16


class RequestError(Exception):
    """A request that cannot be met, in words."""


class Control:
    """Serves the control socket of one rehearsal; `typewriter` is None when it is not rehearsed."""

    def __init__(self, panel: RehearsedPanel, typewriter: RehearsedTypewriter | None) -> None:
        self._panel = panel
        self._typewriter = typewriter
        self._server: asyncio.Server | None = None
        self.callers: set[asyncio.Transport] = set()
        self._verbs: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "throw": self._throw,
            "lamps": lambda _: {"lamps": self._panel.codes()},
            "plug": self._plug,
            "upset": self._upset,
            "fault": lambda asked: self._fault(asked, asked),
            "mend": lambda asked: self._fault(asked, None),
            "page": lambda _: {"page": self._writer().page(), "printed": self._writer().printed},
            "keyboard": self._keyboard,
        }

    async def serve(self, path: Path) -> None:
        """Listen at `path`; raises ConsoleError when that is not possible."""
        self._server = await listen(path, lambda: _Caller(self))

    def close(self) -> None:
        """Stop listening and hang up."""
        if self._server is not None:
            self._server.close()
        for caller in tuple(self.callers):
            caller.close()

    def answer(self, line: bytes) -> bytes:
        """Do what one line asks and return the answer's line."""
        try:
            reply = self._do(json.loads(line))
        except (RequestError, ValueError) as error:
            reply = {"error": str(error)}
        return json.dumps(reply, separators=(",", ":")).encode() + b"\n"

    def _do(self, request: Any) -> dict[str, Any]:
        verb = self._verbs.get(str(request.get("do"))) if isinstance(request, dict) else None
        if verb is None:
            raise RequestError(f'"do" must be one of {", ".join(self._verbs)}')
        return verb(request)

    def _throw(self, request: dict[str, Any]) -> dict[str, Any]:
        try:
            bounces = request.get("bounces") is not False
            self._panel.throw(request.get("key", ""), closed=bool(request.get("closed")), bounces=bounces)
        except (KeyError, TypeError):
            raise RequestError(f"no rehearsed key is called {request.get('key')!r}") from None
        return {}

    def _plug(self, request: dict[str, Any]) -> dict[str, Any]:
        try:
            self._panel.plug(request.get("part", ""), plugged=bool(request.get("plugged")))
        except (KeyError, TypeError):
            raise RequestError(f"no rehearsed part is called {request.get('part')!r}") from None
        return {}

    def _upset(self, request: dict[str, Any]) -> dict[str, Any]:
        try:
            self._panel.upset(request.get("part", ""))
        except (KeyError, TypeError, AttributeError):
            raise RequestError(f"no rehearsed part with settings to lose is called {request.get('part')!r}") from None
        return {}

    def _fault(self, request: dict[str, Any], asked: dict[str, Any] | None) -> dict[str, Any]:
        try:
            self._panel.fault(request.get("part", ""), asked)
        except (KeyError, TypeError):
            raise RequestError(f"no rehearsed part is called {request.get('part')!r}") from None
        return {}

    def _keyboard(self, request: dict[str, Any]) -> dict[str, Any]:
        text = request.get("text")
        if not isinstance(text, str) or not text.isascii():
            raise RequestError('"text" must be ISO 646 characters')
        self._writer().press(text.encode("ascii"))
        return {}

    def _writer(self) -> RehearsedTypewriter:
        if self._typewriter is None:
            raise RequestError("the typewriter is not rehearsed")
        return self._typewriter


class _Caller(asyncio.Protocol):
    def __init__(self, control: Control) -> None:
        self._control = control
        self._pending = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 -- what create_unix_server hands out
        self._transport = transport
        self._control.callers.add(transport)

    def data_received(self, data: bytes) -> None:
        if self._transport is None:
            return
        *lines, self._pending = (self._pending + data).split(b"\n")
        if len(self._pending) > LONGEST_LINE:
            self._transport.close()
            return
        for line in lines:
            self._transport.write(self._control.answer(line))

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 -- the protocol's signature
        if self._transport is not None:
            self._control.callers.discard(self._transport)
