"""A small core that does all a core can do, and faults to build into it."""

import asyncio
import struct
from collections.abc import Callable
from typing import Any

from bridge.clock import SECOND, LoopClock
from bridge.links.client import CoreClient
from bridge.links.messages import (
    TASK_RESTORE,
    TASK_SAVE,
    Decoder,
    Done,
    Have,
    Lamps,
    LinkError,
    Punch,
    Read,
    Type,
    encode,
)

STEP = 0.01
"""Seconds between looks at the link; a tick is 0.1 ms, a cycle ten."""
LAMPS, KEYS = ["RUN", "A.1", "A.0"], ["GO", "STOP"]


class Toy:
    """While GO is closed it counts, reads cards, punches each that it has read, and types a mark for each."""

    client_type: type[CoreClient] = CoreClient

    def __init__(self, path: str) -> None:
        self.client = self.new_client(path)
        self.path = path
        self.count = 0
        self.to_punch: list[bytes] = []
        self.to_type = b""
        self.saved: dict[str, int] = {}

    def new_client(self, path: str) -> CoreClient:
        return self.client_type(path, "toy", LAMPS, KEYS, ticks_per_second=1e4, run=7, knows=3)

    def going(self) -> bool:
        return self.client.key(0)

    def step(self, now: int) -> None:
        client = self.client
        client.poll(now)
        self.tend()
        card = client.card_came()
        if card is not None:
            self.to_punch.append(card.card)
            self.to_type += b"*\r\n"
        if self.going():
            for _ in range(round(STEP * 1e4) // 10):
                self.count += 1
                client.cycle(1 | self.count % 4 << 1, 10)
            client.read_card()
        else:
            client.rest(self.count % 4 << 1)
        if self.to_punch and client.punch(self.to_punch[0]):
            self.to_punch.pop(0)
        self.to_type = self.to_type[self.type(self.to_type) :]
        client.send_due(now)

    def tend(self) -> None:
        task = self.client.task_came()
        if task is None:
            return
        if task.task == TASK_SAVE:
            self.saved[task.words] = self.count
        elif task.task == TASK_RESTORE and task.words not in self.saved:
            self.client.done("nothing of this name", failed=True)
            return
        elif task.task == TASK_RESTORE:
            self.count = self.saved[task.words]
        self.client.done(f"at {self.count}")

    def type(self, codes: bytes) -> int:
        return self.client.type(codes)

    async def run(self) -> None:
        clock = LoopClock()
        try:
            while True:
                self.step(clock.now())
                await clock.until(clock.now() + round(STEP * SECOND))
        finally:
            self.client.close()


def faulty(fault: Callable[[CoreClient], Any]) -> type[Toy]:
    """Return a toy whose client is changed by `fault` once it is made."""

    class Faulty(Toy):
        def new_client(self, path: str) -> CoreClient:
            client = super().new_client(path)
            fault(client)
            return client

    return Faulty


def says_read_first(client: Any) -> None:
    connect = client._connect

    def connecting() -> None:
        connect()
        client._out[:0] = encode(Read())

    client._connect = connecting


def lists_a_lamp_twice(client: Any) -> None:
    object.__setattr__(client._hello, "lamps", ("RUN", "RUN", "A.0"))


def changed_frames(change: Callable[[Lamps], Lamps | None]) -> Callable[[Any], None]:
    def fault(client: Any) -> None:
        frame = client._frame

        def framing(now: int) -> None:
            frame(now)
            messages = list(Decoder().feed(bytes(client._out)))
            changed = [change(message) if isinstance(message, Lamps) else message for message in messages]
            client._out[:] = b"".join(encode(message) for message in changed if message is not None)

        client._frame = framing

    return fault


def _a_tick_more(frame: Lamps) -> Lamps:
    if not frame.elapsed:
        return frame
    return Lamps(frame.elapsed, frame.bits, struct.pack("<3I", 0, frame.elapsed + 1, 0))


lights_longer_than_time = changed_frames(_a_tick_more)
a_byte_too_many = changed_frames(lambda frame: Lamps(frame.elapsed, frame.bits + b"\0", frame.on_time))
tells_nothing_at_rest = changed_frames(lambda frame: frame if frame.elapsed else None)


def sends_all_the_time(client: Any) -> None:
    frame = client._frame

    def framing(now: int) -> None:
        frame(now)
        client._out += encode(Lamps(1, b"\1", bytes(12))) * (2 if client.key(0) else 0)
        client._next_frame = 0

    client._frame = framing


def repeats_itself_at_rest(client: Any) -> None:
    send_due = client.send_due

    def sending(now: int) -> None:
        client._next_frame, client._shown = 0, None
        send_due(now)
        client._shown = None
        client._out += encode(Lamps(0, b"\0", b"")) if client.connected else b""
        send_due(now)

    client.send_due = sending


def has_forgotten_its_card(client: Any) -> None:
    welcomed = client._welcomed

    def welcoming(message: Any) -> None:
        client._have = Have(0, 0)
        welcomed(message)

    client._welcomed = welcoming


def does_not_ask_again(client: Any) -> None:
    def asking() -> None:
        client._send(client._have)

    client._ask_again = asking


def numbers_cards_anew(client: Any) -> None:
    ask_again = client._ask_again

    def asking() -> None:
        if client._wanted.punch is not None:
            client._punch_number += 1
            client._wanted.punch = Punch(client._punch_number, client._wanted.punch.card)
        ask_again()

    client._ask_again = asking


def another_card_under_the_same_number(client: Any) -> None:
    ask_again = client._ask_again

    def asking() -> None:
        if client._wanted.punch is not None:
            client._wanted.punch = Punch(client._punch_number, b"\7\0" * 80)
        ask_again()

    client._ask_again = asking


def is_another_run_each_time(client: Any) -> None:
    connect = client._connect

    def connecting() -> None:
        object.__setattr__(client._hello, "run", client._hello.run + 1)
        connect()

    client._connect = connecting


def gives_up_when_refused(client: Any) -> None:
    lost = client._lost

    def losing() -> None:
        lost()
        if client.refusal:
            client._next_try = 1 << 62

    client._lost = losing


def never_comes_again(client: Any) -> None:
    lost = client._lost

    def losing() -> None:
        welcomed = client.connected
        lost()
        if welcomed:
            client._next_try = 1 << 62

    client._lost = losing


def takes_each_piece_for_a_message(client: Any) -> None:
    receive = client._receive

    def receiving() -> Any:
        client._decoder = Decoder()
        return receive()

    client._receive = receiving


def ends_at_an_unknown_message(client: Any) -> None:
    class Strict(Decoder):
        def feed(self, data: bytes) -> Any:
            yield from super().feed(data)
            if b"\x7alater" in data or bytes(self._pending).startswith(b"\x06\0\0\0\x7a"):
                raise LinkError("what is that?")

    connect = client._connect

    def connecting() -> None:
        connect()
        client._decoder = Strict()

    client._connect = connecting


def forgets_while_the_socket_is_full(client: Any) -> None:
    cycle = client.cycle

    def counting(bits: int, ticks: int = 1) -> None:
        if not client._out:
            cycle(bits, ticks)

    client.cycle = counting


def punches_two_at_once(client: Any) -> None:
    punch = client.punch

    def punching(card: bytes) -> int:
        number: int = punch(card)
        if number:
            client._punch_number += 1
            client._send(Punch(client._punch_number, card))
        return number

    client.punch = punching


class Deaf(Toy):
    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.client.poll(0)

    def going(self) -> bool:
        return False


class Busy(Toy):
    """Never gets round to what it is asked."""

    def tend(self) -> None:
        pass


class Eager(Toy):
    """Says that it has done whatever it was asked, twice."""

    def tend(self) -> None:
        task = self.client.task_came()
        if task is not None:
            self.client.done("yes")
            self.client._send(Done(task.number, 0, "y" * 300))


class Quits(Toy):
    """Ends when its power goes."""

    async def run(self) -> None:
        clock = LoopClock()
        while self.client.power:
            self.step(clock.now())
            await clock.until(clock.now() + round(STEP * SECOND))
        self.client.close()


class Talkative(Toy):
    """Types whatever the credit is."""

    def type(self, codes: bytes) -> int:
        self.client._send(Type(codes)) if codes else None
        return len(codes)


def run_beside(core: Toy) -> "asyncio.Task[None]":
    return asyncio.create_task(core.run())
