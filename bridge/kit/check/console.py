"""A console that follows a script: the daemon's end of the core link, which holds what a core sends to the page.

It moves nothing: cards, credit and keys are what the script says. Everything that comes is judged as it comes.
"""

import asyncio
import contextlib
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.cards.card import BLANK_CARD
from bridge.clock import LoopClock
from bridge.kit.check.verdicts import Findings
from bridge.links.listen import listen
from bridge.links.messages import (
    MOST_WORDS,
    VERSION,
    CardRead,
    Cause,
    Credit,
    CycleEnd,
    Decoder,
    Device,
    Done,
    FromDaemon,
    Have,
    Hello,
    Key,
    Knows,
    Lamps,
    LinkError,
    Message,
    OwnTime,
    Punch,
    Punched,
    Read,
    Refused,
    Task,
    Type,
    Welcome,
    encode,
    name_of,
)

Condition = Callable[[], bool]
Act = Callable[..., None]
MS = 1_000_000
TWELVE_ROWS = 0xFFF
CARD_AFTER, CYCLE_AFTER, PUNCHED_AFTER = 0.02, 0.04, 0.03
"""Seconds."""
SINGLE_BYTES, PIECES_APART = 48, 0.006
"""What comes first of the first WELCOME and what follows it, byte by byte, and how many seconds apart."""
UNKNOWN = struct.pack("<IB", 6, 0x7A) + b"later"
"""A message of a type that no version knows yet."""


@dataclass(frozen=True)
class Frame:
    """One LAMPS message, when it came."""

    at: int
    elapsed: int
    bits: bytes


class ScriptedConsole:
    """Serves one core at `path`, giving it `deck` and then blank cards; what it sees goes to `findings`.

    The script sets `serves` to say what is answered: "cards", "punch", "credit". `names` are those the
    panel has, None for all that the core knows.
    """

    def __init__(self, path: Path, findings: Findings, deck: Sequence[bytes], names: Sequence[str] | None) -> None:
        self.path, self.findings = path, findings
        self.serves: set[str] = set()
        self.hello: Hello | None = None
        self.frames: list[Frame] = []
        self.activity = 0
        """How many things the core did that a key may have made it do: lamps changed, cards, characters."""
        self.refused_at: int | None = None
        self.linked_at: int | None = None
        self.links = 0
        self.typed = self.reads = self.cards = 0
        self._deck = list(deck)
        self._names = None if names is None else frozenset(names)
        self._clock = LoopClock()
        self._loop = asyncio.get_running_loop()
        self._server: asyncio.Server | None = None
        self._peer: _Peer | None = None
        self._changed = asyncio.Event()
        self._refuse_next: tuple[int, str] | None = None
        self._closed: set[int] = set()
        self._credit = 0
        self._timers: set[asyncio.TimerHandle] = set()
        # Of the core's cards, over all its connections.
        self._read_asked = False
        self._last = Have(0, 0)
        self._said_have = False
        self._read_since_welcome = False
        self._punches: dict[int, bytes] = {}
        self._acknowledged: set[int] = set()
        self._read_owed_at_loss = False
        self._punch_owed_at_loss: int | None = None
        self.knows = 0
        self.answer: Done | None = None
        """What the last task was answered with."""
        self._task = 0
        self._open: set[int] = set()

    # What the script does

    async def listen(self) -> None:
        """Be there."""
        self._server = await listen(self.path, lambda: _Peer(self))

    def go(self) -> None:
        """Be gone, socket and all, as a daemon that stops."""
        if self._server is not None:
            self._server.close()
        self._server = None
        self.path.unlink(missing_ok=True)
        self.hang_up()

    def hang_up(self) -> None:
        """Cut the link."""
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        if self._peer is not None:
            self._peer.close()

    def refuse_next(self, cause: int, reason: str) -> None:
        """Refuse the next core that says hello."""
        self._refuse_next = cause, reason

    async def until(self, true: Condition, seconds: float) -> bool:
        """Wait until `true()`, at most so long; return whether it is."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not true():
                    self._changed.clear()
                    await self._changed.wait()
        return true()

    async def wait(self, seconds: float) -> None:
        """Let time pass."""
        await self._clock.until(self._clock.now() + round(seconds * 1000) * MS)

    @property
    def linked(self) -> bool:
        """Whether the core has been welcomed."""
        return self._peer is not None and self._peer.welcomed

    def key(self, key: int, *, closed: bool) -> None:
        """Close or open a key."""
        (self._closed.add if closed else self._closed.discard)(key)
        self.send(Key(self._clock.now(), key, closed))

    def give_credit(self, characters: int) -> None:
        """Let the core type so many characters more."""
        self._credit += characters
        self.send(Credit(characters))

    async def ask(self, task: int, words: str, within: float) -> Done | None:
        """Give the core a task and wait for its answer, so many seconds."""
        self._task += 1
        self.answer = None
        self._open.add(self._task)
        self.send(Task(self._task, task, round(within * 1000), words))
        await self.until(lambda: self.answer is not None or not self.linked, within)
        return self.answer

    def send(self, message: FromDaemon) -> None:
        """Send, if a core is linked."""
        if self._peer is not None:
            self._peer.send(encode(message))

    def stall(self, *, stalled: bool) -> None:
        """Stop reading, or go on."""
        if self._peer is not None:
            self._peer.stall(stalled=stalled)

    def now(self) -> int:
        """Return the time in nanoseconds."""
        return self._clock.now()

    def serve_all(self) -> None:
        """Answer everything from now on, what is asked for already too."""
        self.serves = {"cards", "punch", "credit"}
        if self._read_asked:
            self._later(CARD_AFTER, self._serve_card)
        for number in self._punches.keys() - self._acknowledged:
            self._later(PUNCHED_AFTER, self._serve_punch, number)

    # What the core does

    def came(self, peer: "_Peer", message: Message) -> None:
        """Judge one message and answer it."""
        self._judge(peer, message)
        self._changed.set()

    def broken(self, peer: "_Peer", error: LinkError) -> None:
        """Note bytes that are no message, and refuse the core."""
        self.findings.failed("messages", str(error))
        peer.send(encode(Cause(1)) + encode(Refused(str(error))))
        peer.close()

    def gone(self, peer: "_Peer") -> None:
        """Note that the core has closed its end, or that its end was closed."""
        if self._peer is peer:
            self._peer = None
            self._read_owed_at_loss = self._read_asked
            self._punch_owed_at_loss = max(self._punches.keys() - self._acknowledged, default=None)
        self._changed.set()

    def _judge(self, peer: "_Peer", message: Message) -> None:
        if peer is self._peer:
            self._take(message)
        elif isinstance(message, Hello):
            self._greet(peer, message)
        else:
            self.findings.failed("hello", f"{name_of(type(message))} came before HELLO (byte 4)")
            peer.close()

    def _take(self, message: Message) -> None:
        match message:
            case Lamps():
                self._lamps(message)
            case Have():
                self._have(message)
            case Read():
                self._read()
            case Punch():
                self._punch(message)
            case Type():
                self._type(message)
            case Knows():
                self.knows = message.tasks
            case Done():
                self._done(message)
            case OwnTime():
                pass
            case _:
                words = f"{name_of(type(message))} is not a core's to send when linked (byte 4)"
                self.findings.failed("messages", words)

    def _greet(self, peer: "_Peer", hello: Hello) -> None:
        for kind, names in (("lamp", hello.lamps), ("key", hello.keys)):
            for name in {name for name in names if names.count(name) > 1} if len(set(names)) < len(names) else ():
                self.findings.failed("hello", f"HELLO: {kind} {name!r} is listed twice")
        if not hello.oldest <= VERSION <= hello.newest:
            self.findings.failed(
                "hello", f"HELLO: versions {hello.oldest} to {hello.newest} (byte 5); this is version {VERSION}"
            )
        if not hello.ticks_per_second > 0:
            self.findings.failed("hello", f"HELLO: ticks_per_second is {hello.ticks_per_second} (byte 17)")
        if self._refuse_next is not None:
            cause, reason = self._refuse_next
            self._refuse_next, self.refused_at = None, self._clock.now()
            peer.send(encode(Cause(cause)) + encode(Refused(reason)))
            peer.close()
            return
        if self._peer is not None:
            self.findings.failed("hello", "a second link was opened while the first one stood")
            peer.close()
            return
        self.links += 1
        self.hello, self._peer, self.linked_at = hello, peer, self._clock.now()
        self._credit = self.knows = 0
        self._said_have = self._read_since_welcome = False
        closed = bytearray((len(hello.keys) + 7) // 8)
        for key in self._closed:
            closed[key // 8] |= 1 << key % 8
        welcome = encode(Welcome(VERSION, 1.0, bytes(closed), self._missing(hello.lamps), self._missing(hello.keys)))
        devices = encode(Device("reader", "ready", "the check's own deck")) + encode(Device("punch", "ready", ""))
        # The first one comes in the smallest pieces there are: a stream has no message boundaries.
        peer.welcomed = True
        peer.send(welcome + UNKNOWN + devices, single=SINGLE_BYTES if self.links == 1 else 0)

    def _missing(self, names: tuple[str, ...]) -> tuple[str, ...]:
        return () if self._names is None else tuple(name for name in names if name not in self._names)

    def _lamps(self, frame: Lamps) -> None:
        assert self.hello is not None  # noqa: S101 -- only a core that was greeted gets here
        lamps, fail = len(self.hello.lamps), self.findings.failed
        size = (lamps + 7) // 8
        if len(frame.bits) != size:
            fail("messages", f"LAMPS: {len(frame.bits)} bytes of bits for {lamps} lamps, not {size} (byte 9)")
        expected = 4 * lamps if frame.elapsed else 0
        if len(frame.on_time) != expected:
            words = f"{len(frame.on_time)} bytes of on-time for {lamps} lamps and elapsed {frame.elapsed}"
            fail("messages", f"LAMPS: {words}, not {expected} (byte {11 + len(frame.bits)})")
        else:
            for lamp, lit in enumerate(struct.unpack(f"<{lamps if frame.elapsed else 0}I", frame.on_time)):
                if lit > frame.elapsed:
                    name, byte = self.hello.lamps[lamp], 11 + len(frame.bits) + 4 * lamp
                    fail("on-time", f"LAMPS: {name} lit {lit} of {frame.elapsed} ticks (byte {byte})")
                    break
        if (
            not self.frames
            or frame.bits != self.frames[-1].bits
            or bool(frame.elapsed) != bool(self.frames[-1].elapsed)
        ):
            self.activity += 1
        self.frames.append(Frame(self._clock.now(), frame.elapsed, frame.bits))

    def _have(self, message: Have) -> None:
        if self._read_since_welcome:
            self.findings.failed("cards", "HAVE came after a READ; it must come before any (rule 5)")
        if self._said_have:
            return
        self._said_have = True
        if message != self._last:
            said = f"HAVE number {message.number} picked_at {message.picked_at}"
            self.findings.failed(
                "cards", f"{said} (byte 5), but the last card it got was {self._last.number}, {self._last.picked_at}"
            )

    def _read(self) -> None:
        self.activity += 1
        self._read_since_welcome = True
        if self._read_owed_at_loss:
            self._read_owed_at_loss = False
        if self._read_asked and "cards" in self.serves:
            return
        self.reads += not self._read_asked
        self._read_asked = True
        if "cards" in self.serves:
            self._later(CARD_AFTER, self._serve_card)

    def _serve_card(self) -> None:
        if self._peer is None or not self._read_asked:
            return
        self._read_asked = False
        self.cards += 1
        card = self._deck.pop(0) if self._deck else BLANK_CARD
        self._last = Have(self.cards, self._clock.now())
        self.send(CardRead(self.cards, self._last.picked_at, self._clock.now(), card))
        self._later(CYCLE_AFTER, lambda number=self.cards: self.send(CycleEnd(number, self._clock.now())))

    def _punch(self, message: Punch) -> None:
        self.activity += 1
        fail, number = self.findings.failed, message.number
        for column, holes in enumerate(struct.unpack("<80H", message.card)):
            if holes > TWELVE_ROWS:
                fail("punching", f"PUNCH: column {column + 1} has a hole below row 9 (byte {9 + 2 * column})")
                break
        if number in self._punches:
            if self._punches[number] != message.card:
                fail("punching", f"PUNCH: another card under number {number}, which was used (byte 5)")
            elif number in self._acknowledged:
                fail("punching", f"PUNCH: card {number} was acknowledged, and is sent again (byte 5)")
            if number == self._punch_owed_at_loss:
                self._punch_owed_at_loss = None
        else:
            if self._punches and number != max(self._punches) + 1:
                fail("punching", f"PUNCH: number {number} after {max(self._punches)} (byte 5)")
            if self._punches.keys() - self._acknowledged:
                fail("punching", f"PUNCH: card {number} while another one was under way")
            self._punches[number] = message.card
        if "punch" in self.serves:
            self._later(PUNCHED_AFTER, self._serve_punch, number)

    def _serve_punch(self, number: int) -> None:
        if self._peer is not None:
            self._acknowledged.add(number)
            self.send(Punched(number, self._clock.now()))

    def _type(self, message: Type) -> None:
        self.activity += 1
        count = len(message.codes)
        if count > self._credit:
            self.findings.failed(
                "typing", f"TYPE: {count} characters for a credit of {self._credit} (byte {5 + self._credit})"
            )
        above = [n for n, code in enumerate(message.codes) if code > 127]
        if above:
            self.findings.failed(
                "typing", f"TYPE: code {message.codes[above[0]]} is none of ISO 646 (byte {5 + above[0]})"
            )
        self.typed += count
        self._credit = max(0, self._credit - count)
        if "credit" in self.serves and self._credit == 0:
            self._later(CARD_AFTER, self.give_credit, 3)

    def _done(self, message: Done) -> None:
        fail, number = self.findings.failed, message.number
        if number not in self._open:
            fail("tasks", f"DONE {number} answers nothing that was asked, or not for the first time (byte 5)")
        if len(message.words.encode()) > MOST_WORDS:
            fail("tasks", f"DONE: more than {MOST_WORDS} bytes of words (byte 10)")
        self._open.discard(number)
        if number == self._task:
            self.answer = message

    @property
    def punches(self) -> int:
        """How many cards it has had punched."""
        return len(self._punches)

    def owed(self) -> str:
        """Return what is owed to the core now, in words, or ""."""
        owed = ["a card"] if self._read_asked else []
        owed += ["a punched card"] if self._punches.keys() - self._acknowledged else []
        return " and ".join(owed)

    def judge_what_was_owed(self) -> None:
        """Judge, a while after a new WELCOME, whether the core has asked again for what it was owed."""
        if self._read_owed_at_loss:
            self.findings.failed("cards", "a READ that was not answered was not sent again after WELCOME")
        if self._punch_owed_at_loss is not None:
            self.findings.failed(
                "punching", f"PUNCH {self._punch_owed_at_loss}, not acknowledged, was not sent again after WELCOME"
            )
        self._read_owed_at_loss, self._punch_owed_at_loss = False, None

    def _later(self, seconds: float, act: Act, *words: int) -> None:
        def due() -> None:
            self._timers.discard(timer)
            act(*words)

        timer = self._loop.call_later(seconds, due)
        self._timers.add(timer)


class _Peer(asyncio.Protocol):
    """One connection of a core."""

    def __init__(self, console: ScriptedConsole) -> None:
        self._console = console
        self._decoder = Decoder()
        self._transport: asyncio.Transport | None = None
        self._pieces: list[bytes] = []
        self.welcomed = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 -- what create_unix_server hands out
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        try:
            for message in self._decoder.feed(data):
                if self._transport is None:
                    return
                self._console.came(self, message)
        except LinkError as error:
            self._console.broken(self, error)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 -- the protocol's signature
        self._transport = None
        self._console.gone(self)

    def send(self, data: bytes, single: int = 0) -> None:
        """Send, the first `single` bytes one by one, some time apart."""
        waiting = bool(self._pieces)
        self._pieces += [data[n : n + 1] for n in range(single)] + [data[single:]]
        if not waiting:
            self._send_piece()

    def stall(self, *, stalled: bool) -> None:
        if self._transport is not None:
            (self._transport.pause_reading if stalled else self._transport.resume_reading)()

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()
            self._transport = None
            self._console.gone(self)

    def _send_piece(self) -> None:
        if self._transport is None:
            self._pieces.clear()
        elif self._pieces:
            self._transport.write(self._pieces.pop(0))
            asyncio.get_running_loop().call_later(PIECES_APART if len(self._pieces) > 1 else 0, self._send_piece)
