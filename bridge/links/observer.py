"""The observer link: what the console does, as lines of JSON, for pages, recorders and screens (observer-link.md).

Each line is an object with a `topic`. *States* (device, lamps, deck, …) are remembered, so that a newcomer is told how
everything stands at once; *events* (a key, a typed character) are only passed on. What few want and is much, such as
all that crosses the core link, is a *stream*: told to those who ask for it. An observer that reads too slowly misses
lines rather than slowing anything down, and is told how many, with all states anew, once it has caught up.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any

from bridge.links.listen import listen

FORMAT = 1
MOST_OBSERVERS = 16
MOST_UNREAD = 1 << 18
"""Bytes kept for one observer that has stopped reading."""
LONGEST_LINE = 1 << 21
LONGEST_WISH = 1 << 12
"""Bytes of a line that an observer sends; more is none."""


class ObserverLink:
    """Serves the observer link for one console."""

    def __init__(self, console: str) -> None:
        self.observers: set[_Observer] = set()
        self._hello = {"topic": "hello", "format": FORMAT, "console": console}
        self._states: dict[tuple[str, str], dict[str, Any]] = {}
        self._streams: dict[str, Callable[[], list[dict[str, Any]]]] = {}
        self._server: asyncio.Server | None = None

    async def serve(self, path: Path) -> None:
        """Listen at `path`; raises ConsoleError when that is not possible."""
        self._server = await listen(path, lambda: _Observer(self))

    def state(self, topic: str, name: str = "", **values: Any) -> None:
        """Pass on how something stands now; `name` tells things of one topic apart. Values must be JSON's."""
        line = {"topic": topic, **({"name": name} if name else {}), **values}
        if self._states.get((topic, name)) != line:
            self._states[topic, name] = line
            self._pass_on(line)

    def event(self, topic: str, **values: Any) -> None:
        """Pass on something that happened."""
        self._pass_on({"topic": topic, **values})

    def offer(self, topic: str, standing: Callable[[], list[dict[str, Any]]]) -> None:
        """Offer a stream; `standing()` returns the lines that whoever asks for it is told first."""
        self._streams[topic] = standing

    def wanted(self, topic: str) -> bool:
        """Whether somebody has asked for a stream."""
        return any(topic in observer.wants for observer in self.observers)

    def stream(self, line: dict[str, Any]) -> None:
        """Pass a line of a stream on to those who have asked for it."""
        data = _line(line)
        for observer in self.observers:
            if line["topic"] in observer.wants:
                observer.send(data)

    def standing(self, wants: set[str]) -> list[dict[str, Any]]:
        """Return what begins the streams that are wanted, of those there are."""
        return [line for topic in sorted(wants & self._streams.keys()) for line in self._streams[topic]()]

    def snapshot(self) -> list[dict[str, Any]]:
        """Return the hello and every state, as a newcomer is told them."""
        return [self._hello, *self._states.values()]

    def close(self) -> None:
        """Stop listening and let every observer go."""
        if self._server is not None:
            self._server.close()
        for observer in tuple(self.observers):
            observer.close()

    def _pass_on(self, line: dict[str, Any]) -> None:
        if self.observers:
            data = _line(line)
            for observer in self.observers:
                observer.send(data)


def _line(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode() + b"\n"


class _Observer(asyncio.Protocol):
    def __init__(self, link: ObserverLink) -> None:
        self._link = link
        self._transport: asyncio.Transport | None = None
        self._behind = False
        self._missed = 0
        self._wish = b""
        self.wants: set[str] = set()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 -- what create_unix_server hands out
        if len(self._link.observers) >= MOST_OBSERVERS:
            transport.write(_line({"topic": "refused", "words": f"{MOST_OBSERVERS} observers are here already"}))
            transport.close()
            return
        self._transport = transport
        transport.set_write_buffer_limits(high=MOST_UNREAD)
        self._link.observers.add(self)
        self._tell(self._link.snapshot())

    def data_received(self, data: bytes) -> None:
        *lines, self._wish = (self._wish + data).split(b"\n")
        if len(self._wish) > LONGEST_WISH:
            self._wish = b""
        for line in lines:
            wants = _wishes(line)
            if wants - self.wants:
                new = wants - self.wants
                self.wants |= wants
                self._tell(self._link.standing(new))

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 -- the protocol's signature
        self._link.observers.discard(self)
        self._transport = None

    def pause_writing(self) -> None:
        self._behind = True

    def resume_writing(self) -> None:
        self._behind = False
        self.send(_line({"topic": "missed", "lines": self._missed}))
        self._missed = 0
        self._tell([*self._link.snapshot(), *self._link.standing(self.wants)])

    def _tell(self, lines: Sequence[dict[str, Any]]) -> None:
        for line in lines:
            self.send(_line(line))

    def send(self, data: bytes) -> None:
        if self._behind:
            self._missed += 1
        elif self._transport is not None:
            self._transport.write(data)

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()


def _wishes(line: bytes) -> set[str]:
    """Return the streams that a line from an observer asks for; whatever else it is, it is ignored."""
    try:
        wish = json.loads(line)
    except (ValueError, RecursionError):
        return set()
    also = wish.get("also") if isinstance(wish, dict) else None
    return {topic for topic in also if isinstance(topic, str)} if isinstance(also, list) else set()


async def observe(path: str, also: Sequence[str] = ()) -> AsyncIterator[dict[str, Any]]:
    """Yield what the console at this observer socket says, until it goes; raises OSError when it can't be reached.

    `also` names the streams to ask for.
    """
    reader, writer = await asyncio.open_unix_connection(path, limit=LONGEST_LINE)
    try:
        if also:
            writer.write(_line({"also": list(also)}))
        while line := await reader.readline():
            yield json.loads(line)
    finally:
        writer.close()
