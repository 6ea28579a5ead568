"""The demonstration's decks, and machines that run them."""

from collections.abc import Sequence
from copy import deepcopy
from functools import cache

from bridge.cards.deck import Card, parse
from bridge.demo.skerry.processor import READER, Processor
from bridge.files import examples
from tests.demo.skerry.scripted import Scripted, run_to_end

DECKS = examples() / "decks"
LIMIT = 800_000
"""Cycles after which a job has gone wrong; the demonstration's takes 300,000."""


def deck(name: str) -> list[Card]:
    return parse((DECKS / name).read_bytes(), name)


def cards(lines: Sequence[str]) -> list[Card]:
    return parse("\n".join(lines).encode(), "a test")


def load(hopper: Sequence[Card], limit: int = LIMIT) -> tuple[Processor, Scripted, int]:
    """Return the machine, its devices and the cycles done when LOAD has gone as far as these cards carry it."""
    devices = Scripted(hopper)
    processor = Processor(devices)
    processor.press("LOAD")
    return processor, devices, run_to_end(processor, limit)


@cache
def _waiting_for_constants() -> tuple[Processor, Scripted]:
    processor, devices, _ = load(deck("loader.deck") + deck("tide.deck"))
    assert processor.waiting == READER
    assert not devices.typed
    return processor, devices


def tide_job(constants: Sequence[Card]) -> tuple[Processor, Scripted]:
    """Return the machine and its devices after the loaded tide program has done what it can with these cards."""
    processor, devices = deepcopy(_waiting_for_constants())
    devices.hopper += Scripted(constants).hopper
    run_to_end(processor, LIMIT)
    return processor, devices
