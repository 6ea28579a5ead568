"""The core's end of the core link, for cores written in Python: one object, never blocking, reconnecting by itself."""

import contextlib
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.clock import SECOND
from bridge.links.messages import (
    VERSION,
    CardRead,
    Credit,
    CycleEnd,
    Decoder,
    Device,
    FromDaemon,
    Have,
    Hello,
    Key,
    Keyboard,
    Lamps,
    LastCard,
    LinkError,
    OwnTime,
    Punch,
    Punched,
    Read,
    Refused,
    Type,
    Welcome,
    encode,
)
from bridge.links.ontime import OnTime

FRAME = SECOND // 100
RETRY = SECOND // 4
_FULL = 1 << 16
_MOST_TICKS = 1 << 31


@dataclass
class _Wanted:
    """What has been asked of the daemon and not yet answered; asked again after a reconnection."""

    card: bool = False
    punch: Punch | None = None


class CoreClient:
    """One core's link to the console.

    The core calls `cycle` after each machine cycle, `rest` when its machine stands still, and `poll` often (each loop
    round): that sends what is due and returns what came. Times are monotonic nanoseconds, passed in. Losing the daemon
    is normal: the client keeps counting, tries again four times a second, says what it has and asks again for what was
    still owed: no card is lost or comes twice. A core with `own_time` keeps the machine's time by itself: it gets cards
    at once.
    """

    def __init__(
        self,
        path: str,
        name: str,
        lamps: Sequence[str],
        keys: Sequence[str],
        *,
        ticks_per_second: float,
        run: int = 0,
        own_time: bool = False,
    ) -> None:
        self._path = path
        self._hello = Hello(
            1,
            VERSION,
            run or int.from_bytes(os.urandom(8), "little"),
            ticks_per_second,
            name,
            tuple(lamps),
            tuple(keys),
        )
        self._bytes = (len(lamps) + 7) // 8
        self._on_time = OnTime(len(lamps))
        self._bits = 0
        self._shown: int | None = None
        self._socket: socket.socket | None = None
        self._decoder = Decoder()
        self._out = bytearray()
        self._next_try = 0
        self._next_frame = 0
        self._wanted = _Wanted()
        self._have = Have(0, 0)
        self._own_time = own_time
        self._punch_number = 0
        self.credit = 0
        self.pace = 1.0
        self.welcome: Welcome | None = None
        self.refusal = ""

    @property
    def connected(self) -> bool:
        """Whether the daemon has welcomed this core."""
        return self.welcome is not None

    def fileno(self) -> int:
        """Return the descriptor to wait on, or -1 while there is none."""
        return -1 if self._socket is None else self._socket.fileno()

    def cycle(self, bits: int, ticks: int = 1) -> None:
        """Count a machine cycle of `ticks`: bit n of `bits` is lamp n of the list given at the start.

        Nothing is counted while no console is there to show it; on a link held up very long the oldest is forgotten.
        """
        self._bits = bits
        if self.welcome is not None:
            if self._on_time.elapsed + ticks >= _MOST_TICKS:
                self._on_time.take()
            self._on_time.add(bits, ticks)

    def rest(self, bits: int) -> None:
        """Say how the lamps stand while the machine stands still."""
        self._bits = bits

    def read_card(self) -> None:
        """Ask for one card; a CardRead comes when it has been read. Asking twice before it comes is asking once."""
        if not self._wanted.card:
            self._wanted.card = True
            self._send(Read())

    def punch(self, card: bytes) -> int:
        """Ask for a card (160 bytes) to be punched and return its number; a Punched with it comes when it is safe."""
        self._punch_number += 1
        self._wanted.punch = Punch(self._punch_number, card)
        self._send(self._wanted.punch)
        return self._punch_number

    def type(self, codes: bytes) -> int:
        """Type as many of these ISO 646 codes as there is credit for, and return how many that was."""
        taken = codes[: self.credit]
        if taken:
            self.credit -= len(taken)
            self._send(Type(taken))
        return len(taken)

    def poll(self, now: int) -> list[FromDaemon]:
        """Connect, send and receive what can be done at once; return what came, oldest first."""
        if self._socket is None and now >= self._next_try:
            self._next_try = now + RETRY
            self._connect()
        if self._socket is None:
            return []
        came = self._receive()
        self.send_due(now)
        return came

    def send_due(self, now: int) -> None:
        """Send what is due and can be sent at once; for a core that has just done something worth showing."""
        if self.connected and now >= self._next_frame:
            self._frame(now)
        self._flush()

    def close(self) -> None:
        """Leave the console; it goes to its rest state."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self.welcome = None

    def _connect(self) -> None:
        trial = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            trial.connect(self._path)
        except OSError:
            trial.close()
            return
        trial.setblocking(False)
        self._socket = trial
        self._decoder = Decoder()
        self._out = bytearray(encode(self._hello))

    def _send(self, message: Read | Punch | Type | Have | OwnTime) -> None:
        if self.connected:
            self._out += encode(message)

    def _frame(self, now: int) -> None:
        """Send one frame if there is anything new; while the socket is full, keep counting and send a longer one."""
        if self._out:
            return
        bits = self._bits.to_bytes(self._bytes, "little")
        if self._on_time.elapsed:
            elapsed, on_time = self._on_time.take()
            self._out += encode(Lamps(elapsed, bits, on_time))
            self._shown = None
        elif self._shown != self._bits:
            self._out += encode(Lamps(0, bits, b""))
            self._shown = self._bits
        self._next_frame = now + FRAME

    def _flush(self) -> None:
        if self._socket is None or not self._out:
            return
        try:
            sent = self._socket.send(self._out, socket.MSG_NOSIGNAL)
        except BlockingIOError:
            return
        except OSError:
            self._lost()
            return
        del self._out[:sent]

    def _receive(self) -> list[FromDaemon]:
        came: list[FromDaemon] = []
        while self._socket is not None:
            try:
                data = self._socket.recv(_FULL)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                self._lost()
                break
            try:
                for message in self._decoder.feed(data):
                    self._take(message, came)
            except LinkError as error:
                self.refusal = f"the daemon broke the link's rules: {error}"
                self._lost()
        return came

    def _take(self, message: object, came: list[FromDaemon]) -> None:
        match message:
            case Welcome():
                self.welcome, self.pace, self.refusal = message, message.pace, ""
                self.credit, self._shown = 0, None
                self._ask_again()
            case CardRead():
                self._wanted.card = False
                self._have = Have(message.number, message.picked_at)
            case Punched():
                if self._wanted.punch is not None and self._wanted.punch.number == message.number:
                    self._wanted.punch = None
            case Credit():
                self.credit += message.characters
            case Refused():
                self.refusal = message.reason
            case Key() | CycleEnd() | Device() | Keyboard() | LastCard():
                pass
            case _:
                return
        came.append(message)

    def _ask_again(self) -> None:
        if self._own_time:
            self._send(OwnTime())
        self._send(self._have)
        if self._wanted.card:
            self._send(Read())
        if self._wanted.punch is not None:
            self._send(self._wanted.punch)

    def _lost(self) -> None:
        with contextlib.suppress(OSError):
            self.close()
        self._out.clear()
        self.credit = 0
