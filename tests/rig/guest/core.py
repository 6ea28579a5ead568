"""The core of the rig's console: the demonstration's machine, or a program that does one thing.

`core.py SOCKET`; which of them, /srv/builder/core says: "skerry"; "punch RUN FIRST" for cards of that run, numbered
from FIRST, of which each that is safe is told the host at once, a line each; "type" for a line of numbers without end;
"lamps NAME…" to light these of its lamps.
"""

import os
import runpy
import select
import struct
import sys
import time
from pathlib import Path

from bridge.cards.code import HOLES
from bridge.links.client import CoreClient
from bridge.links.messages import Punched, Refused

CHOICE = Path("/srv/builder/core")
LAMPS = ["CABINET.0", "CABINET.15", "DOOR.0", "DOOR.1"]
TOLD = "/dev/virtio-ports/rig.told"


def main() -> None:
    """Run until ended."""
    choice = CHOICE.read_text().split() if CHOICE.exists() else ["skerry"]
    if choice[0] == "skerry":
        runpy.run_module("bridge.demo.skerry", run_name="__main__", alter_sys=True)
    elif choice[0] == "lamps":
        light(sys.argv[1], choice[1:])
    elif choice[0] == "type":
        type_numbers(sys.argv[1])
    else:
        punch(sys.argv[1], int(choice[1]), int(choice[2]))


def punch(path: str, run: int, first: int) -> None:
    """Punch cards without end, each once the one before is safe."""
    told = os.open(TOLD, os.O_WRONLY)
    client = CoreClient(path, "puncher", ["RUN"], [], ticks_per_second=1000.0, run=run)
    number, under_way = first, 0
    while True:
        for message in client.poll(time.monotonic_ns()):
            if isinstance(message, Punched) and message.number == under_way:
                os.write(told, f"{number}\n".encode())
                number, under_way = number + 1, 0
            elif isinstance(message, Refused):
                sys.exit(message.reason)
        if client.connected and not under_way:
            under_way = client.punch(card(f"CARD {number:08}"))
        client.send_due(time.monotonic_ns())
        select.select([client.fileno()] if client.fileno() >= 0 else [], [], [], 0.05)


def light(path: str, lit: list[str]) -> None:
    """Light some lamps and nothing else."""
    client = CoreClient(path, "lamps", LAMPS, [], ticks_per_second=1000.0)
    client.rest(sum(1 << n for n, name in enumerate(LAMPS) if name in lit))
    while True:
        client.poll(time.monotonic_ns())
        select.select([client.fileno()] if client.fileno() >= 0 else [], [], [], 0.05)


def type_numbers(path: str) -> None:
    """Type numbers of four digits in their order, as fast as there is credit."""
    client = CoreClient(path, "typist", ["RUN"], [], ticks_per_second=1000.0)
    number, left = 0, b""
    while True:
        client.poll(time.monotonic_ns())
        while client.credit:
            if not left:
                number, left = number + 1, f"{number:04} ".encode() + (b"\r\n" if number % 15 == 0 else b"")
            left = left[client.type(left) :]
        client.send_due(time.monotonic_ns())
        select.select([client.fileno()] if client.fileno() >= 0 else [], [], [], 0.05)


def card(text: str) -> bytes:
    """Return a card with a text on it, in the code that decks are in."""
    return struct.pack("<80H", *(HOLES[ord(c)] for c in text.ljust(80)))


if __name__ == "__main__":
    main()
