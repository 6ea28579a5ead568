"""What the console in the guest says of itself, as it comes through the observer link."""

import json
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.rig.machine import PATIENCE, GuestError

EVENTS = ("key", "typed", "punched", "missed")
"""Topics of what happens, of which a newcomer is not told."""


class Watcher:
    """Follows a console; a daemon that is started anew is followed on. `close` it."""

    def __init__(self, path: Path) -> None:
        self.history: list[dict[str, Any]] = []
        """Every state of a device that was told, oldest first."""
        self.states: dict[str, dict[str, Any]] = {}
        self.lamps: dict[str, int] = {}
        self.keys: dict[str, bool] = {}
        self._names: list[str] = []
        self._latest: dict[tuple[str, str], dict[str, Any]] = {}
        self._listener: Callable[[dict[str, Any]], None] | None = None
        self._pending = b""
        self._changed = threading.Condition()
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(str(path))
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def until(self, what: str, true: Callable[[], bool], seconds: float = PATIENCE) -> None:
        """Wait until something is true, looked at after each line."""
        with self._changed:
            if not self._changed.wait_for(true, seconds):
                told = [f"{one['name']}: {one['state']} {one['words']}" for one in self.history[-12:]]
                raise GuestError(f"in {seconds} s {what} did not come about; told were\n" + "\n".join(told))

    def latest(self, topic: str) -> dict[str, Any]:
        """Return the last line of a topic, without a line an empty one."""
        return self._latest.get((topic, ""), {})

    def listen(self, listener: Callable[[dict[str, Any]], None] | None) -> None:
        """Pass on how everything stands, and each line from now on, on a thread of its own; None ends that."""
        with self._changed:
            self._listener = listener
            if listener is not None:
                for line in self._latest.values():
                    listener(line)

    def close(self) -> None:
        """Hang up."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._socket.close()

    def _follow(self) -> None:
        while data := self._socket.recv(1 << 16):
            *lines, self._pending = (self._pending + data).split(b"\n")
            with self._changed:
                for line in lines:
                    self._take(line)
                self._changed.notify_all()

    def _take(self, text: bytes) -> None:
        try:
            line = json.loads(text)
        except ValueError:  # cut off when a daemon died
            return
        if line["topic"] not in EVENTS:
            self._latest[line["topic"], line.get("name", "")] = line
        if self._listener is not None:
            self._listener(line)
        match line["topic"]:
            case "hello":
                self.states.clear()
                self.keys.clear()
                self._latest = {("hello", ""): line}
            case "panel":
                self._names = line["lamps"]
            case "lamps":
                self.lamps = dict(zip(self._names, line["codes"], strict=True))
            case "key":
                self.keys[line["name"]] = line["closed"]
            case "device":
                self.states[line["name"]] = line
                self.history.append(line)
