"""The core's end of the core link, for cores written in Python: one object, reconnecting by itself.

The calls are those of the C client, under the same names but for read (read_card here): what ends in `_wait` blocks,
nothing else does.
"""

import contextlib
import os
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.clock import SECOND
from bridge.links.messages import (
    FOR_GOOD,
    KNOWS_FOR,
    KNOWS_POWER,
    KNOWS_STATE,
    MOST_WORDS,
    TASK_POWER_OFF,
    VERSION,
    CardRead,
    Cause,
    Credit,
    CycleEnd,
    Decoder,
    Device,
    Done,
    FromDaemon,
    FromLinked,
    Have,
    Hello,
    Key,
    Keyboard,
    Knows,
    Lamps,
    LastCard,
    LinkError,
    OwnTime,
    Punch,
    Punched,
    Read,
    Refused,
    Task,
    Type,
    Welcome,
    encode,
    is_state_name,
)
from bridge.links.ontime import OnTime

FRAME = SECOND // 100
RETRY = SECOND // 4
RETRY_REFUSED = 10 * SECOND
"""Nanoseconds until the next try after a refusal that stays until somebody changes something."""
MOST_TYPED = 4096
"""Codes of the typewriter's keyboard that are kept for `keyboard`, the oldest; likewise in C."""
_FULL = 1 << 16
_MOST_UNSENT = 2 << 20
_MOST_TICKS = 1 << 31


@dataclass
class _Wanted:
    """What has been asked of the daemon and not yet answered; asked again after a reconnection."""

    card: bool = False
    punch: Punch | None = None


class CoreClient:
    """One core's link to the console.

    The core calls `cycle` after each machine cycle, `rest` when its machine stands still, and `poll` often (each loop
    round): that sends what is due and returns what came, for cores that want to be told; those that would rather ask
    use `key`, `card_came` and the rest. Lamps and keys are numbered as they are listed here. Times are monotonic
    nanoseconds, passed in; the waiting calls look at the clock themselves, and take seconds, None for no limit.

    Losing the daemon is normal: the client keeps counting, tries again four times a second (or, where it was refused
    for good, every ten seconds), says what it has and asks again for what was still owed: no card is lost or comes
    twice. A core with `own_time` keeps the machine's time by itself: it gets cards at once. `knows` are the tasks it
    does, a sum of KNOWS_POWER and KNOWS_STATE (bridge.links.messages): it is given no others.
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
        knows: int = 0,
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
        self._knows = knows & (KNOWS_POWER | KNOWS_STATE)
        self._task: Task | None = None
        self._taken: Task | None = None
        self._punch_number = 0
        self._polled = 0
        self._untold: list[FromDaemon] = []
        self._closed = [False] * len(keys)
        self._presses = [0] * len(keys)
        self._card: CardRead | None = None
        self._keyboard: deque[int] = deque()
        self._devices: dict[str, Device] = {}
        self.credit = 0
        """How many characters may be typed now."""
        self.pace = 1.0
        """How many times faster than the real machine the console's devices run; infinity is without waiting."""
        self.cycle_over = False
        """Whether the cycle of the last card is over."""
        self.last_card = 0
        """The number after which the staff expect no card (the reader's "end" key), 0 if they have not said so."""
        self.power = True
        """Whether the machine has power: yes, unless the console has said that it goes and not yet that it is back."""
        self.welcome: Welcome | None = None
        self.refusal = ""
        """Why the console refused this core, in words, or ""."""
        self.cause = 0
        """The same as a number (CAUSE_… in bridge.links.messages), 0 if the console gave none."""

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
            self._make_room(ticks)
            self._on_time.add(bits, ticks)

    def count(self, bits: int, ticks: int, on_time: npt.NDArray[np.uint32]) -> None:
        """Count `ticks` for which each lamp's share has been counted already, at whose end they stand as in `bits`."""
        self.cycle(bits, 0)
        if self.welcome is not None:
            self._make_room(ticks)
            self._on_time.add_counts(ticks, on_time)

    def _make_room(self, ticks: int) -> None:
        if self._on_time.elapsed + ticks >= _MOST_TICKS:
            self._on_time.take()

    def rest(self, bits: int) -> None:
        """Say how the lamps stand while the machine stands still."""
        self._bits = bits

    def lamp_missing(self, lamp: int) -> bool:
        """Whether the panel lacks this lamp; known once connected."""
        return self.welcome is not None and self._hello.lamps[lamp] in self.welcome.missing_lamps

    def key_missing(self, key: int) -> bool:
        """Whether the panel lacks this key; known once connected."""
        return self.welcome is not None and self._hello.keys[key] in self.welcome.missing_keys

    def key(self, key: int) -> bool:
        """Whether a key is closed now."""
        return self._closed[key]

    def presses(self, key: int) -> int:
        """Return how often a key has been closed since the last such call: a press counts however short it was."""
        count, self._presses[key] = self._presses[key], 0
        return count

    def read_card(self) -> None:
        """Ask for one card; a CardRead comes when it has been read. Asking twice before it comes is asking once."""
        if not self._wanted.card:
            self._wanted.card = True
            self._send(Read())

    def card_came(self) -> CardRead | None:
        """Take the card that has come, or None."""
        card, self._card = self._card, None
        return card

    def read_wait(self, seconds: float | None = None) -> CardRead | None:
        """Ask for a card and wait for it; None if it has not come in time, and then it is still asked for."""
        if self._card is None:
            self.read_card()
        self._until(lambda: self._card is not None, seconds)
        return self.card_came()

    def punch(self, card: bytes) -> int:
        """Ask for a card (160 bytes) to be punched; a Punched with its number comes when it is safe.

        Returns the number, or 0 while the card before is not yet safe.
        """
        if self._wanted.punch is not None:
            return 0
        self._punch_number += 1
        self._wanted.punch = Punch(self._punch_number, card)
        self._send(self._wanted.punch)
        return self._punch_number

    @property
    def punched(self) -> bool:
        """Whether all that was to be punched is safe."""
        return self._wanted.punch is None

    def punch_wait(self, card: bytes, seconds: float | None = None) -> bool:
        """Punch a card and wait until it is safe; False if it is not in time.

        It is then still under way, unless the one before it was: in that case `punched` tells of that one.
        """
        end = _end(seconds)
        if not self._until(lambda: self.punched, seconds):
            return False
        self.punch(card)
        return self._until(lambda: self.punched, _left(end))

    def type(self, codes: bytes) -> int:
        """Type as many of these ISO 646 codes as there is credit for, and return how many that was."""
        taken = codes[: self.credit]
        if taken:
            self.credit -= len(taken)
            self._send(Type(taken))
        return len(taken)

    def type_wait(self, codes: bytes, seconds: float | None = None) -> int:
        """Type them all, waiting for credit; return how many could be in time."""
        end = _end(seconds)
        done = self.type(codes)
        while done < len(codes) and self._until(lambda: self.credit > 0, _left(end)):
            done += self.type(codes[done:])
        self._flush()
        return done

    def keyboard(self) -> int | None:
        """Return the next code from the typewriter's keyboard, or None."""
        return self._keyboard.popleft() if self._keyboard else None

    def keyboard_wait(self, seconds: float | None = None) -> int | None:
        """Wait for the next code from the typewriter's keyboard; None if none comes in time."""
        self._until(lambda: bool(self._keyboard), seconds)
        return self.keyboard()

    def task_came(self) -> Task | None:
        """Take what the console asks for, once, or None; `task` is one of the TASK_ constants. Answer it with `done`.

        After TASK_POWER_OFF the board may go dark as soon as it is answered: what must live on has to be on the disk
        before. Another task takes the place of one that is not answered yet.
        """
        if self._task is None:
            return None
        self._task, self._taken = None, self._task
        return self._taken

    def task_wait(self, seconds: float | None = None) -> Task | None:
        """Wait until the console asks for something; None if it does not in time."""
        self._until(lambda: self._task is not None, seconds)
        return self.task_came()

    def done(self, words: str = "", *, failed: bool = False) -> None:
        """Answer the task that was taken last, in words for people.

        Where nobody waits for it any more nothing happens.
        """
        if self._taken is not None:
            self._answer(self._taken, words, failed=failed)
        self._taken = None

    def done_wait(self, words: str = "", *, failed: bool = False, seconds: float | None = None) -> bool:
        """Answer likewise, and wait until it is out, as a core that ends itself must; False if it is not in time."""
        self.done(words, failed=failed)
        self._flush()
        return self._until(lambda: not self._out, seconds)

    def _answer(self, task: Task, words: str, *, failed: bool) -> None:
        cut = words.encode()[:MOST_WORDS].decode(errors="ignore")
        self._send(Done(task.number, int(failed), cut))

    def device(self, name: str) -> Device:
        """Return how a device ("reader", "punch", "typewriter") stands; its state is "" while it is not known."""
        return self._devices.get(name, Device(name, "", ""))

    def poll(self, now: int) -> list[FromDaemon]:
        """Connect, send and receive what can be done at once; return what came since the last call, oldest first."""
        came = self._untold + self._turn(now)
        self._untold = []
        return came

    def wait(self, seconds: float | None = None) -> list[FromDaemon]:
        """Wait until something comes, at most so long, then do what `poll` does; returns as it does."""
        self._pause(seconds)
        return self.poll(time.monotonic_ns())

    def _until(self, true: Callable[[], bool], seconds: float | None) -> bool:
        """Serve the link until `true()`, at most so long; return whether it is. What comes is told by the next poll."""
        end = _end(seconds)
        while True:
            came = self._turn(time.monotonic_ns())
            self._untold = (self._untold + came)[-MOST_TYPED:]
            left = _left(end)
            if true() or left == 0:
                return true()
            self._pause(left)

    def _pause(self, seconds: float | None) -> None:
        """Wait for something to come, or for room to send what waits; not beyond the next try to connect."""
        self._flush()
        longest = RETRY / SECOND if seconds is None or self._socket is None else seconds
        readers = [] if self._socket is None else [self._socket]
        select.select(readers, readers if self._out else [], [], longest if seconds is None else min(seconds, longest))

    def _turn(self, now: int) -> list[FromDaemon]:
        self._polled = now
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
        self._flush()
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

    def _send(self, message: FromLinked) -> None:
        if self.connected:
            self._out += encode(message)
        if len(self._out) > _MOST_UNSENT:
            self._lost()  # a console that asks on and on, and never reads the answers

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
        if isinstance(message, FromDaemon):
            self._note(message)
            self._note_card(message)
            came.append(message)

    def _note(self, message: FromDaemon) -> None:
        match message:
            case Welcome():
                self._welcomed(message)
            case Key():
                self._set_key(message.key, closed=bool(message.closed))
            case Credit():
                self.credit += message.characters
            case Keyboard():
                self._keyboard.extend(message.codes[: MOST_TYPED - len(self._keyboard)])
            case Device():
                self._devices[message.device] = message
            case Cause():
                self.cause = message.cause
            case Task():
                self._note_task(message)
            case Refused():
                self.refusal = message.reason

    def _note_task(self, task: Task) -> None:
        known = KNOWS_FOR.get(task.task, 0) & self._knows
        if not known:
            self._answer(task, "this core knows no such task", failed=True)
        elif known == KNOWS_STATE and not is_state_name(task.words):
            self._answer(task, "no state can have this name", failed=True)
        else:
            if known == KNOWS_POWER:
                self.power = task.task != TASK_POWER_OFF
            self._task = task

    def _note_card(self, message: FromDaemon) -> None:
        match message:
            case CardRead():
                self._wanted.card, self.cycle_over, self._card = False, False, message
                self._have = Have(message.number, message.picked_at)
            case CycleEnd():
                self.cycle_over = True
            case Punched():
                if self._wanted.punch is not None and self._wanted.punch.number == message.number:
                    self._wanted.punch = None
            case LastCard():
                self.last_card = message.number

    def _welcomed(self, message: Welcome) -> None:
        self.welcome, self.pace, self.refusal, self.cause = message, message.pace, "", 0
        self.credit, self._shown, self.power = 0, None, True
        # A key that was pressed and let go while the link was down is not seen; one that is down now was pressed.
        for n in range(min(len(self._closed), 8 * len(message.closed))):
            self._set_key(n, closed=bool(message.closed[n // 8] >> n % 8 & 1))
        self._ask_again()

    def _set_key(self, key: int, *, closed: bool) -> None:
        if key < len(self._closed):
            self._presses[key] += closed and not self._closed[key]
            self._closed[key] = closed

    def _ask_again(self) -> None:
        if self._knows:
            self._send(Knows(self._knows))
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
        if self.cause in FOR_GOOD:
            self._next_try = self._polled + RETRY_REFUSED
        self._out.clear()
        self.credit = 0
        self._task = self._taken = None


def _end(seconds: float | None) -> int | None:
    """Return the moment that is so many seconds away, None for none."""
    return None if seconds is None else time.monotonic_ns() + round(max(seconds, 0.0) * SECOND)


def _left(end: int | None) -> float | None:
    """Return how many seconds are left until then."""
    return None if end is None else max(0, end - time.monotonic_ns()) / SECOND
