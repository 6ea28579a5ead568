"""A tap on the core link: every message that crosses it, told to those observers who ask for it, and to nobody else."""

import base64
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from bridge.links.messages import FromCore, FromDaemon, Hello, Key, Lamps, Message, Welcome, encode

TOPIC = "core"


class Tap:
    """Is told what crosses the link and passes it on through `tell` while `wanted()`; times are those of `now`.

    No two messages get the same time, so that a recording can be sorted by it. While nobody listens it remembers no
    more than what a newcomer has to know: who the core is, and how its keys and lamps stand.
    """

    def __init__(self) -> None:
        self.now: Callable[[], int] = lambda: 0
        self.wanted: Callable[[], bool] = lambda: False
        self.tell: Callable[[dict[str, Any]], None] = lambda _: None
        self._last = 0
        self._hello: Hello | None = None
        self._welcome: Welcome | None = None
        self._lamps: Lamps | None = None

    def heard(self, message: FromCore) -> None:
        """Pass on what the core has sent."""
        if isinstance(message, Hello):
            self._hello, self._welcome, self._lamps = message, None, None
        elif isinstance(message, Lamps):
            self._lamps = message
        self._pass_on("core", message)

    def sent(self, message: FromDaemon) -> None:
        """Pass on what the core was sent."""
        if isinstance(message, Welcome):
            self._welcome = message
        elif isinstance(message, Key) and self._welcome is not None:
            self._welcome = replace(self._welcome, closed=_with(self._welcome.closed, message))
        self._pass_on("daemon", message)

    def gone(self) -> None:
        """Tell that the core has gone."""
        self._hello = self._welcome = self._lamps = None
        if self.wanted():
            self.tell(self._line("core", b""))

    def standing(self) -> list[dict[str, Any]]:
        """Return what a newcomer is told: the core's HELLO, the WELCOME it would get now, and how its lamps stand."""
        if self._hello is None or self._welcome is None:
            return []
        lines = [self._line("core", encode(self._hello)), self._line("daemon", encode(self._welcome))]
        if self._lamps is not None:
            lines.append(self._line("core", encode(Lamps(0, self._lamps.bits, b""))))
        return lines

    def _pass_on(self, sender: str, message: Message) -> None:
        if self.wanted():
            self.tell(self._line(sender, encode(message)))

    def _line(self, sender: str, data: bytes) -> dict[str, Any]:
        self._last = max(self.now(), self._last + 1)
        return {"topic": TOPIC, "from": sender, "at": self._last, "bytes": base64.b64encode(data).decode("ascii")}


def _with(closed: bytes, change: Key) -> bytes:
    changed = bytearray(closed)
    place, bit = change.key // 8, 1 << change.key % 8
    changed[place] = changed[place] | bit if change.closed else changed[place] & ~bit
    return bytes(changed)
