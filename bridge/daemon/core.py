"""What the daemon does with a core: names mapped once, then frames, keys, cards and typing passed on."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bridge.cards.deck import Card
from bridge.cards.punch import Punch as PunchDevice
from bridge.cards.reader import Reader
from bridge.console.facts import Console
from bridge.daemon.chains import LampJob
from bridge.links.messages import (
    VERSION,
    CardRead,
    Credit,
    CycleEnd,
    Device,
    FromDaemon,
    Hello,
    Key,
    Keyboard,
    Lamps,
    LinkError,
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


@dataclass
class Devices:
    """The devices a core works with; None where the console has none."""

    lamps: list[LampJob] = field(default_factory=list)
    reader: Reader | None = None
    punch: PunchDevice | None = None
    typewriter: Typewriter | None = None


class CoreDesk:
    """Serves the core that is linked, answering through `send`; every method runs on the event loop."""

    def __init__(self, console: Console, pace: float) -> None:
        self.devices = Devices()
        self.send: Callable[[FromDaemon], None] = lambda _: None
        self._pace = pace
        self._lamp_names = [lamp.name for lamp in console.lamps]
        self._key_names = [key.name for key in console.keys]
        self._closed = [False] * len(self._key_names)
        self._core_lamps = 0
        self._source = _NONE
        self._key_index: dict[int, int] = {}
        self._run = 0
        self.typed = 0
        """Characters that cores have sent to the typewriter, in all."""

    def came(self, hello: Hello) -> Welcome:
        """Map the core's names to the panel's and welcome it."""
        _no_name_twice("lamp", hello.lamps)
        _no_name_twice("key", hello.keys)
        place = {name: n for n, name in enumerate(hello.lamps)}
        self._core_lamps = len(hello.lamps)
        # A lamp that the core does not know takes after one that is never lit, just beyond the last byte of bits.
        self._source = np.array([place.get(name, 8 * self._bytes_of_bits) for name in self._lamp_names], np.intp)
        ours = {name: n for n, name in enumerate(self._key_names)}
        self._key_index = {ours[name]: n for n, name in enumerate(hello.keys) if name in ours}
        self._run = hello.run
        closed = np.zeros(len(hello.keys), np.bool_)
        closed[list(self._key_index.values())] = [self._closed[n] for n in self._key_index]
        if self.devices.typewriter is not None:
            # The welcome goes out when this returns; credit must follow it.
            asyncio.get_running_loop().call_soon(self.devices.typewriter.welcome)
        return Welcome(
            VERSION,
            self._pace,
            np.packbits(closed, bitorder="little").tobytes(),
            tuple(name for name in hello.lamps if name not in set(self._lamp_names)),
            tuple(name for name in hello.keys if name not in ours),
        )

    def took(self, message: Lamps | Read | Punch | Type) -> None:
        """Do what the core asks; raises LinkError where it breaks a rule."""
        devices = self.devices
        match message:
            case Lamps():
                self._lamps(message)
            case Read():
                if devices.reader is not None:
                    devices.reader.request()
            case Punch():
                card = _checked(message.card)
                if devices.punch is not None and not devices.punch.punch(self._run, message.number, card):
                    raise LinkError("PUNCH: too many cards under way; wait for PUNCHED before the next")
            case Type():
                if devices.typewriter is not None and not devices.typewriter.type(message.codes):
                    raise LinkError("TYPE: more characters than credit was given for")
                self.typed += len(message.codes)

    def left(self) -> None:
        """Let the lamps rest and forget what the core had asked for."""
        nothing = np.zeros(len(self._lamp_names), np.uint32)
        for job in self.devices.lamps:
            job.add(0, nothing, nothing.astype(np.bool_))
        self._key_index = {}
        if self.devices.reader is not None:
            self.devices.reader.forget()

    def key(self, event: KeyEvent) -> None:
        """Pass a key event on."""
        self._closed[event.key] = event.closed
        place = self._key_index.get(event.key)
        if place is not None:
            self.send(Key(event.at, place, event.closed))

    def card(self, card: Card, number: int, picked_at: int, read_at: int) -> None:
        """Pass a card on that the reader has read."""
        self.send(CardRead(number, picked_at, read_at, card))

    def cycle_end(self, number: int, at: int) -> None:
        """Tell that the reader's cycle is over."""
        self.send(CycleEnd(number, at))

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
        self.send(Device(state.device, state.state, state.words))

    @property
    def _bytes_of_bits(self) -> int:
        return (self._core_lamps + 7) // 8

    def _lamps(self, message: Lamps) -> None:
        lamps = self._core_lamps
        if len(message.bits) != self._bytes_of_bits:
            raise LinkError(f"LAMPS: {len(message.bits)} bytes of bits for {lamps} lamps")
        if len(message.on_time) != (4 * lamps if message.elapsed else 0):
            raise LinkError(
                f"LAMPS: {len(message.on_time)} bytes of on-time for {lamps} lamps, elapsed {message.elapsed}"
            )
        source = self._source
        bits = np.unpackbits(np.frombuffer(message.bits + b"\0", np.uint8), bitorder="little").view(np.bool_)[source]
        if message.elapsed:
            theirs = np.frombuffer(message.on_time + bytes(4 * (8 * self._bytes_of_bits + 1 - lamps)), "<u4")
            if theirs.max() > message.elapsed:
                raise LinkError(f"LAMPS: lamp {theirs.argmax()} lit {theirs.max()} of {message.elapsed} ticks")
            on_time = theirs[source]
        else:
            on_time = np.zeros(len(source), np.uint32)
        for job in self.devices.lamps:
            job.add(message.elapsed, on_time, bits)


def _no_name_twice(kind: str, names: tuple[str, ...]) -> None:
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise LinkError(f"HELLO: {kind} {twice!r} is listed twice")


def _checked(card: bytes) -> Card:
    if np.frombuffer(card, "<u2").max() > TWELVE_ROWS:
        raise LinkError("PUNCH: a column has a hole below row 9: only the low twelve bits may be set")
    return Card(card)
