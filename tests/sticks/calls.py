"""What the tests let a worker run; it imports them by name."""

import os
import signal
from pathlib import Path

import numpy as np
import numpy.typing as npt


class OddError(Exception):
    """Cannot be made again from what pickle keeps of it."""

    def __init__(self, first: str, second: str) -> None:
        super().__init__(first + second)


def hang(fifo: Path) -> str:
    """Return once somebody has opened the other end of the pipe."""
    return fifo.read_text()


def fail(number: int) -> None:
    raise OSError(number, os.strerror(number), "a.deck")


def fault() -> None:
    raise ZeroDivisionError("a fault of ours")


def odd_fault() -> None:
    raise OddError("a", "b")


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def ones(count: int) -> npt.NDArray[np.uint16]:
    return np.ones(count, "<u2")


def text(count: int) -> str:
    return "x" * count


def function_of_its_own() -> object:
    return lambda: None


def work(until: Path) -> int:
    """Be busy until the file is there."""
    turns = 0
    while not until.exists():
        turns += 1
    return turns


def signals() -> list[bool]:
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    return [signal.getsignal(number) is signal.SIG_IGN for number in numbers]
