"""What the daemon does with a core: names mapped once, then frames, keys, cards and typing passed on."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bridge.cards.deck import Card
from bridge.cards.ledger import CardRefusedError
from bridge.cards.punch import Punch as PunchDevice
from bridge.cards.reader import ReadCard, Reader
from bridge.console.facts import Console
from bridge.daemon.chains import LampJob
from bridge.daemon.tasks import CoreTasks
from bridge.links.messages import (
    VERSION,
    CardRead,
    Credit,
    CycleEnd,
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
    Type,
    Welcome,
)
from bridge.report import DeviceState
from bridge.switches.scan import KeyEvent
from bridge.typewriter.line import Typewriter

Indexes = npt.NDArray[np.intp]
_NONE: Indexes = np.zeros(0, np.intp)
TWELVE_ROWS = 0xFFF
_BITS = 11
"""The byte of a LAMPS message where its bits begin."""
_NAMES = 27
"""The byte of a HELLO message after which its lists begin, but for the name of the core."""
_COLUMNS = 9
"""The byte of a PUNCH message where its first column begins."""


@dataclass
class Devices:
    """The devices a core works with; None where the console has none."""

    lamps: list[LampJob] = field(default_factory=list)
    reader: Reader | None = None
    punch: PunchDevice | None = None
    typewriter: Typewriter | None = None


@dataclass
class _Delivered:
    """The last card that was read: for which run, and whether it has been sent to it."""

    run: int
    card: CardRead
    sent: bool = False
    cycle: CycleEnd | None = None


class CoreDesk:
    """Serves the core that is linked, answering through `send`; every method runs on the event loop."""

    def __init__(self, console: Console, pace: float) -> None:
        self.devices = Devices()
        self.send: Callable[[FromDaemon], None] = lambda _: None
        self.tasks = CoreTasks(lambda message: self.send(message))  # noqa: PLW0108 -- send is set later
        self._pace = pace
        self._lamp_names = [lamp.name for lamp in console.lamps]
        self._key_names = [key.name for key in console.keys]
        self._closed = [False] * len(self._key_names)
        self._core_lamps = 0
        self._source = _NONE
        self._key_index: dict[int, int] = {}
        self._run = 0
        self._asked = False
        self._may_say = False
        self._delivered: _Delivered | None = None
        self._last_card: tuple[int, LastCard] | None = None
        self._states: dict[str, DeviceState] = {}
        self.typed = 0
        """Characters that cores have sent to the typewriter, in all."""

    def came(self, hello: Hello) -> Welcome:
        """Map the core's names to the panel's and welcome it."""
        _no_name_twice(hello)
        place = {name: n for n, name in enumerate(hello.lamps)}
        self._core_lamps = len(hello.lamps)
        # A lamp that the core does not know takes after one that is never lit, just beyond the last byte of bits.
        self._source = np.array([place.get(name, 8 * self._bytes_of_bits) for name in self._lamp_names], np.intp)
        ours = {name: n for n, name in enumerate(self._key_names)}
        self._key_index = {ours[name]: n for n, name in enumerate(hello.keys) if name in ours}
        self._run = hello.run
        closed = np.zeros(len(hello.keys), np.bool_)
        closed[list(self._key_index.values())] = [self._closed[n] for n in self._key_index]
        self._asked = False
        self._may_say = True
        self.tasks.came()
        return Welcome(
            VERSION,
            self._pace,
            np.packbits(closed, bitorder="little").tobytes(),
            tuple(name for name in hello.lamps if name not in set(self._lamp_names)),
            tuple(name for name in hello.keys if name not in ours),
        )

    def welcomed(self) -> None:
        """Tell the core how every device stands, and let it type."""
        for state in self._states.values():
            self.send(Device(state.device, state.state, state.words))
        if self._last_card is not None and self._last_card[0] == self._run:
            self.send(self._last_card[1])
        if self.devices.typewriter is not None:
            self.devices.typewriter.welcome()

    def took(self, message: FromLinked) -> None:
        """Do what the core asks; raises LinkError where it breaks a rule."""
        devices = self.devices
        match message:
            case Lamps():
                self._lamps(message)
            case Read():
                self._read()
            case Have():
                self._have(message)
            case OwnTime():
                self._hurry(own_time=True)
            case Knows():
                self.tasks.knows(message)
            case Done():
                self.tasks.done(message)
            case Punch():
                self._punch(message.number, _checked(message.card))
            case Type():
                if devices.typewriter is not None and not devices.typewriter.type(message.codes):
                    raise LinkError("TYPE: more characters than credit was given for", 5, 6)
                self.typed += len(message.codes)

    def left(self) -> None:
        """Let the lamps rest and forget what the core had asked for."""
        nothing = np.zeros(len(self._lamp_names), np.uint32)
        for job in self.devices.lamps:
            job.add(0, nothing, nothing.astype(np.bool_))
        self._key_index = {}
        self._asked = False
        self.tasks.left()
        self._hurry(own_time=False)
        if self.devices.reader is not None:
            self.devices.reader.forget()

    def key(self, event: KeyEvent) -> None:
        """Pass a key event on."""
        self._closed[event.key] = event.closed
        place = self._key_index.get(event.key)
        if place is not None:
            self.send(Key(event.at, place, event.closed))

    def card(self, card: ReadCard) -> None:
        """Pass a card on that the reader has read, or keep it for the run that asked for it."""
        self._delivered = _Delivered(card.asker, CardRead(card.number, card.picked_at, card.read_at, card.card))
        self._last_card = None
        if self._asked and self._run == card.asker:
            self._send_card(self._delivered)

    def cycle_end(self, number: int, at: int) -> None:
        """Tell that the reader's cycle is over."""
        if self._delivered is not None:
            self._delivered.cycle = CycleEnd(number, at)
            if self._delivered.sent and self._run == self._delivered.run:
                self.send(self._delivered.cycle)

    def last_card(self, number: int, at: int) -> None:
        """Tell that the staff expect no more cards; for this run that holds until a card is read."""
        self._last_card = self._run, LastCard(number, at)
        self.send(self._last_card[1])

    def punched(self, run: int, number: int, at: int) -> None:
        """Acknowledge a card that is punched and safe; one of an earlier core is nobody's any more."""
        if run == self._run:
            self.send(Punched(number, at))

    def credit(self, characters: int) -> None:
        """Let the core type so many characters more."""
        self.send(Credit(characters))

    def keyboard(self, codes: bytes) -> None:
        """Pass on what was typed on the typewriter's keyboard."""
        self.send(Keyboard(codes))

    def device(self, state: DeviceState) -> None:
        """Tell the core how a device stands."""
        self._states[state.device] = state
        self.send(Device(state.device, state.state, state.words))

    def _read(self) -> None:
        """Give the core the card that was read for its run and did not reach it, else have the next one read."""
        self._may_say = False
        if self._asked or self.devices.reader is None:
            return
        self._asked = True
        kept = self._delivered
        if kept is not None and kept.run == self._run and not kept.sent:
            self._send_card(kept)
        else:
            self.devices.reader.request(self._run)

    def _send_card(self, kept: _Delivered) -> None:
        self._asked = False
        kept.sent = True
        self.send(kept.card)
        if kept.cycle is not None:
            self.send(kept.cycle)

    def _have(self, message: Have) -> None:
        """Compare what the core has got with what was sent to its run; once it asks for cards, there is no telling."""
        kept = self._delivered
        if not self._may_say or kept is None or kept.run != self._run:
            return
        self._may_say = False
        kept.sent = (message.number, message.picked_at) == (kept.card.number, kept.card.picked_at)
        if kept.sent and kept.cycle is not None:
            self.send(kept.cycle)

    def _hurry(self, *, own_time: bool) -> None:
        """Have cards move at once for a core that keeps the machine's time itself."""
        for machine in (self.devices.reader, self.devices.punch):
            if machine is not None:
                machine.at_once = own_time

    def _punch(self, number: int, card: Card) -> None:
        if self.devices.punch is None:
            return
        try:
            if not self.devices.punch.punch(self._run, number, card):
                raise LinkError("PUNCH: too many cards under way; wait for PUNCHED before the next", 5, 4)
        except CardRefusedError as error:
            raise LinkError(f"PUNCH: {error}", 5, 4) from None

    @property
    def _bytes_of_bits(self) -> int:
        return (self._core_lamps + 7) // 8

    def _lamps(self, message: Lamps) -> None:
        lamps = self._core_lamps
        if len(message.bits) != self._bytes_of_bits:
            raise LinkError(f"LAMPS: {len(message.bits)} bytes of bits for {lamps} lamps", _BITS - 2, 2)
        if len(message.on_time) != (4 * lamps if message.elapsed else 0):
            raise LinkError(
                f"LAMPS: {len(message.on_time)} bytes of on-time for {lamps} lamps, elapsed {message.elapsed}",
                *(_BITS + self._bytes_of_bits, 2),
            )
        source = self._source
        bits = np.unpackbits(np.frombuffer(message.bits + b"\0", np.uint8), bitorder="little").view(np.bool_)[source]
        if message.elapsed:
            theirs = np.frombuffer(message.on_time + bytes(4 * (8 * self._bytes_of_bits + 1 - lamps)), "<u4")
            if theirs.max() > message.elapsed:
                lamp, lit = int(theirs.argmax()), theirs.max()
                byte = _BITS + self._bytes_of_bits + 4 * lamp
                raise LinkError(f"LAMPS: lamp {lamp} lit {lit} of {message.elapsed} ticks", byte, 2)
            on_time = theirs[source]
        else:
            on_time = np.zeros(len(source), np.uint32)
        for job in self.devices.lamps:
            job.add(message.elapsed, on_time, bits)


def _no_name_twice(hello: Hello) -> None:
    at = _NAMES + len(hello.name.encode())
    for kind, names in (("lamp", hello.lamps), ("key", hello.keys)):
        known: set[str] = set()
        at += 2
        for name in names:
            if name in known:
                raise LinkError(f"HELLO: {kind} {name!r} is listed twice", at, 1)
            known.add(name)
            at += 2 + len(name.encode())


def _checked(card: bytes) -> Card:
    columns = np.frombuffer(card, "<u2")
    if columns.max() > TWELVE_ROWS:
        column = int(columns.argmax())
        words = f"PUNCH: column {column + 1} has a hole below row 9: only the low twelve bits may be set"
        raise LinkError(words, _COLUMNS + 2 * column)
    return Card(card)
