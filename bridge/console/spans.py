"""Runs of numbers as builders write them: "23-0", "0-11, 24-35", pins also "a1-a12"."""

import re
from collections.abc import Iterable

_PIN = "[A-Za-z]{0,3}[0-9]{1,4}"
_ITEM = re.compile(r"([A-Za-z]{0,3})([0-9]{1,4})(?:\s*-\s*([A-Za-z]{0,3})([0-9]{1,4}))?")
PINS_PATTERN = rf"^\s*{_PIN}(\s*-\s*{_PIN})?(\s*,\s*{_PIN}(\s*-\s*{_PIN})?)*\s*$"
PATTERN = PINS_PATTERN.replace("[A-Za-z]{0,3}", "")


def read_pins(text: str) -> list[str]:
    """Return the pins `text` lists, in its order: "3-1, a1" is 3, 2, 1, a1.

    Raises ValueError, with words for the builder, if it is no such list.
    """
    pins: list[str] = []
    for item in text.split(","):
        found = _ITEM.fullmatch(item.strip())
        if not found:
            raise ValueError(f'has "{item.strip()}" where a number, or a run such as 0-23, belongs')
        row, first, last_row, last = found.groups()
        if last is None:
            last_row, last = row, first
        if row != last_row:
            raise ValueError(f'has "{item.strip()}", which runs from one row of pins into another')
        step = 1 if int(first) <= int(last) else -1
        pins += [f"{row}{number}" for number in range(int(first), int(last) + step, step)]
    return pins


def read(text: str) -> list[int]:
    """Return the numbers `text` lists, in its order: "3-1, 8" is 3, 2, 1, 8. Raises ValueError as `read_pins` does."""
    pins = read_pins(text)
    lettered = next((pin for pin in pins if not pin.isdecimal()), None)
    if lettered:
        raise ValueError(f'has "{lettered}" where only numbers belong')
    return [int(pin) for pin in pins]


def write(pins: Iterable[int | str]) -> str:
    """Return `pins` as a builder writes them, in the same order, runs joined; "" for none."""
    runs: list[list[tuple[str, int]]] = []
    for pin in pins:
        here = _split(str(pin))
        if runs and _goes_on(runs[-1], here):
            runs[-1].append(here)
        else:
            runs.append([here])
    ends = [run[:1] + run[1:][-1:] for run in runs]
    return ", ".join("-".join(f"{row}{number}" for row, number in run) for run in ends)


def write_addresses(addresses: Iterable[int | str]) -> str:
    """Return I2C addresses as a builder writes them, in the same order, runs joined; "" for none."""
    runs: list[list[int]] = []
    for address in map(int, addresses):
        if runs and address == runs[-1][-1] + 1:
            runs[-1].append(address)
        else:
            runs.append([address])
    return ", ".join("-".join(f"0x{end:02X}" for end in run[:1] + run[1:][-1:]) for run in runs)


def _split(pin: str) -> tuple[str, int]:
    number = pin.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
    return pin.removesuffix(number), int(number)


def _goes_on(run: list[tuple[str, int]], here: tuple[str, int]) -> bool:
    """Tell whether `here` is the next step of the run, up or down, in the same row of pins."""
    step = here[1] - run[-1][1]
    return here[0] == run[-1][0] and abs(step) == 1 and (len(run) == 1 or step == run[1][1] - run[0][1])
