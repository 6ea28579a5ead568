"""Sessions of the core link, and damage to them, all from a seed."""

import struct
from collections.abc import Callable, Sequence
from random import Random

from bridge.links.messages import (
    CardRead,
    Cause,
    Credit,
    CycleEnd,
    Device,
    Done,
    Have,
    Hello,
    Key,
    Keyboard,
    Knows,
    Lamps,
    LastCard,
    Message,
    OwnTime,
    Punch,
    Punched,
    Read,
    Task,
    Type,
    Welcome,
    encode,
)

LAMPS = ("A.1", "A.0", "RUN")
KEYS = ("START", "STOP")


def card(rng: Random) -> bytes:
    return struct.pack("<80H", *(rng.randrange(4096) for _ in range(80)))


def frame(rng: Random) -> Lamps:
    elapsed = rng.choice([0, 1, 960, 2**32 - 1])
    lit = struct.pack("<3I", *(rng.randint(0, elapsed) for _ in LAMPS)) if elapsed else b""
    return Lamps(elapsed, bytes([rng.randrange(8)]), lit)


def of_a_core(rng: Random, count: int) -> list[bytes]:
    """Return a session that a core may send: a hello and so many messages; one in eight has a card punched."""
    run = rng.randrange(1 << 64)
    said: list[Message] = [Hello(1, 1, run, 1e4, "fuzz", LAMPS, KEYS), Have(0, 0)]
    to_punch = rng.randrange(8) == 0
    for _ in range(count - 2):
        kind = rng.randrange(12)
        if kind == 0:
            said.append(Read())
        elif kind == 1:
            said.append(OwnTime())
        elif kind == 2 and to_punch:
            to_punch = False
            said.append(Punch(1, card(rng)))
        elif kind == 3:
            said.append(Type(b""))
        elif kind == 4:
            said.append(Knows(rng.randrange(256)))
            said.append(Done(rng.randrange(3), rng.randrange(2), "✓"))
        else:
            said.append(frame(rng))
    return [encode(message) for message in said]


def of_a_console(rng: Random, count: int) -> list[bytes]:
    """Return a session that a console may send."""
    kinds: Sequence[Callable[[], Message]] = (
        lambda: Key(rng.randrange(1 << 64), rng.randrange(3), rng.randrange(2)),
        lambda: CardRead(rng.randrange(1 << 32), 1, 2, card(rng)),
        lambda: CycleEnd(rng.randrange(9), 3),
        lambda: Punched(rng.randrange(3), 3),
        lambda: Credit(rng.choice([0, 1, 5, 65535])),
        lambda: Device("reader", "ready", "Löcher" * rng.randrange(99)),
        lambda: Keyboard(rng.randbytes(rng.randrange(99))),
        lambda: LastCard(rng.randrange(9), 3),
        lambda: Cause(rng.randrange(256)),
        lambda: Task(rng.randrange(1 << 32), rng.randrange(6), 5000, rng.choice(["evening", "../x", "", "ö" * 500])),
    )
    said: list[Message] = [Welcome(1, 2.5, b"\1", ("A.0",), ("STOP",))]
    said += [rng.choice(kinds)() for _ in range(count - 1)]
    return [encode(message) for message in said]


def damaged(rng: Random, messages: list[bytes]) -> bytes:
    """Return a session's bytes with some damage to its messages: to lengths, types, fields, order, and its end."""
    messages = list(messages)
    for _ in range(rng.choice([1, 1, 2, 4])):
        n = rng.choice([at for at, message in enumerate(messages) if message])
        one = bytearray(messages[n])
        match rng.randrange(8):
            case 0:
                one[rng.randrange(len(one))] = rng.randrange(256)
            case 1:
                one[rng.randrange(len(one))] ^= 1 << rng.randrange(8)
            case 2:
                one[:4] = struct.pack(
                    "<I", rng.choice([0, 1, len(one) - 5, len(one) - 3, 1 << 20, (1 << 20) + 1, 1 << 31])
                )
            case 3:
                one[4:5] = rng.randbytes(1)
            case 4:
                del one[rng.randrange(len(one)) :]
            case 5:
                at = rng.randint(min(5, len(one)), len(one))
                one[at:at] = rng.choice([b"\0", b"\xff" * 4, rng.randbytes(9)])
                one[:4] = struct.pack("<I", len(one) - 4)
            case 6:
                m = rng.randrange(len(messages))
                messages[n], messages[m] = messages[m], messages[n]
                continue
            case 7:
                one *= 2
        messages[n] = bytes(one)
    return b"".join(messages)


def pieces(rng: Random, data: bytes) -> list[bytes]:
    """Return the bytes cut as a socket may cut them."""
    cut, at = [], 0
    while at < len(data):
        size = rng.choice([1, 7, 300, 5000])
        cut.append(data[at : at + size])
        at += size
    return cut
