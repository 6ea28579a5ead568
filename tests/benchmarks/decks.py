"""Decks: how long 100,000 cards take to check, and how long the interpreter is held at a time meanwhile."""

import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Any

from bridge.cards import card, deck, editors, faults
from bridge.cards.deck import read_deck
from bridge.cards.editors import PIECE
from tests.benchmarks.harness import Figures

CARDS = 100_000
RUNS = 5
OURS = frozenset(module.__file__ for module in (card, deck, editors, faults))


def decks() -> Figures:
    """Plain text, and the dearest of what is accepted; and the longest that any line of the parser's code takes."""
    private = "".join(chr(0xE000 + holes) for holes in range(80))
    contents = {
        "plain": b"".join(b"%-72s%08d\n" % (b"TIDES OF GANNET BAY, HEIGHTS IN METRES", n) for n in range(CARDS)),
        "private": f"{private}\r\n".encode() * CARDS,
        "tabs": b"LOOP\tSUB\tHEIGHT\t* WHAT IS LEFT\t\t\t\t\t.\t\r\n" * CARDS,
        "blanks": b"%-100s\r\n" % b"TIDES OF GANNET BAY" * CARDS,
        "empty": b"\n" * CARDS,
        "long blanks": (b"\t" * (PIECE - 10) + b"\nA\n") * 700,
    }
    seconds = {name: min(_seconds(data) for _ in range(RUNS)) for name, data in contents.items()}
    # The best of several runs: what the code needs, not what the machine did meanwhile.
    longest = max(min(_longest_ns(data) for _ in range(RUNS)) for data in contents.values())
    return {
        "deck_parse_100k_s": seconds["plain"],
        "deck_parse_100k_worst_s": max(seconds.values()),
        "deck_longest_piece_ms": longest / 1e6,
    }


def _seconds(data: bytes) -> float:
    start = time.perf_counter()
    read_deck(data, "deck")
    return time.perf_counter() - start


def _longest_ns(data: bytes) -> int:
    """Return the longest time from one line of the parser's code to the next: no call in one can take longer.

    It is the thread's own time, without what other programs took meanwhile.
    """
    last, longest = time.thread_time_ns(), 0

    def trace(frame: FrameType, _event: str, _argument: object) -> Callable[..., Any] | None:
        nonlocal last, longest
        if frame.f_code.co_filename not in OURS:
            return None
        now = time.thread_time_ns()
        longest = max(longest, now - last)
        last = time.thread_time_ns()
        return trace

    sys.settrace(trace)
    try:
        last = time.thread_time_ns()
        read_deck(data, "deck")
    finally:
        sys.settrace(None)
    return longest
