"""A chain of 74HC165 with one wire open, shorted or swapped: what the board then reads, bit for bit.

Wires lead from chip to chip: clock, load and supply away from the board, data towards it. A fault is in what leads to
one chip, and so harms all behind it; or, of the wires that branch off to each chip, at its own pin alone. An open input
reads low, high, as it last did, or anything, which is the fault's `floats`; a chip that has lost its supply is fed
through its inputs, and sends such levels, or is "held" alive with inputs that read anything. Where two outputs are
joined one of them wins, or either does. Not simulated: levels between low and high, reflections, and what
it does to the chips.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from random import Random
from typing import Any, Literal, get_args

from bridge.parts import hc165

Wire = Literal["clock", "data", "load", "supply"]
Floats = Literal["low", "high", "held", "noise"]
WIRES: tuple[Wire, ...] = get_args(Wire)
FLOATS: tuple[Floats, ...] = get_args(Floats)
GROUND, RAIL = "ground", "3.3 V"
_IDLE = 0.3
"""How often a fault that comes and goes does so between two scans."""


@dataclass(frozen=True)
class Fault:
    """One wire that leads to `chip` (0 nearest the board) is open, shorted to `other` or swapped with it."""

    wire: Wire
    kind: Literal["open", "short", "swap"]
    chip: int
    other: str = ""
    floats: Floats = "low"
    pin: bool = False
    comes_and_goes: bool = False


def every(chips: int) -> Iterator[Fault]:
    """Return every single fault of a chain of `chips`, but for those that come and go."""
    for wire, chip, floats in product(WIRES, range(chips), FLOATS):
        yield Fault(wire, "open", chip, floats=floats)
        if wire != "data":
            yield Fault(wire, "open", chip, floats=floats, pin=True)
        for other in (GROUND, RAIL, *WIRES):
            if other != wire and (wire, other) != ("supply", RAIL):
                yield Fault(wire, "short", chip, other, floats)
                if other in WIRES:
                    yield Fault(wire, "swap", chip, other, floats)


def order(asked: Mapping[str, Any], chips: int) -> Fault:
    """Return the fault that is `asked` for by the names of its fields; chips are counted from 1 there.

    Raises ValueError saying what is wrong.
    """
    number = asked.get("chip", 1)
    if type(number) is not int or not 1 <= number <= chips:
        raise ValueError(f'"chip" must be one of 1 to {chips}, 1 nearest the board')
    flags = {key: asked.get(key, False) is True for key in ("pin", "comes_and_goes")}
    words = {key: str(asked.get(key, "")) for key in ("wire", "kind", "other", "floats")}
    asked_for: dict[str, Any] = {**words, **flags, "chip": number - 1, "floats": words["floats"] or "low"}
    fault = Fault(**asked_for)
    if replace(fault, comes_and_goes=False) not in every(chips):
        raise ValueError(
            f'"wire" must be one of {", ".join(WIRES)}; "kind" open, short or swap; "other", not for open, {GROUND}, '
            f'{RAIL} or another wire, for swap a wire; "floats" one of {", ".join(FLOATS)}; "pin" only for open, '
            "not of data"
        )
    return fault


@dataclass(frozen=True)
class _Effect:
    """What becomes of a chain from chip `at` on; `only`: of loading, at that chip alone."""

    at: int = 0
    clock: Literal["arrives", "never", "noise"] = "arrives"
    data: Floats | None = None
    load: Literal["arrives", "never", "always", "noise"] = "arrives"
    inputs: bool = True
    only: bool = False


_SOUND = _Effect()
_LOAD: Mapping[Floats, Literal["always", "never", "noise"]] = {
    "low": "always",
    "high": "never",
    "held": "never",
    "noise": "noise",
}


def _effect(fault: Fault) -> _Effect:  # noqa: C901, PLR0911, PLR0912 -- a table
    chip, floats, noise = fault.chip, fault.floats, fault.floats == "noise"
    match fault.kind, fault.wire, fault.other:
        case "open", "clock", _:
            return _Effect(chip, clock="noise" if noise else "never")
        case "open", "data", _:
            return _Effect(chip, data=floats)
        case "open", "load", _:
            return _Effect(chip, load=_LOAD[floats], only=fault.pin)
        case "open", "supply", _:
            return _Effect(chip, inputs=False, only=fault.pin) if floats == "held" else _Effect(chip, data=floats)
        # A wire that all chips share is shorted for all of them, wherever that is.
        case "short", "supply", "ground":
            return _Effect(data="low")
        case "short", ("clock" | "data" | "load") as wire, "supply":
            return _effect(replace(fault, wire=wire, other=RAIL))
        case "short", "supply", other:
            return _effect(replace(fault, wire=other, other=RAIL))  # type: ignore[arg-type] # a wire
        case "short", "data", "ground":
            return _Effect(chip, data="low")
        case "short", "data", ("3.3 V" | "load"):
            return _Effect(chip, data="high")
        case "short", "data", _:
            return _Effect(chip, data=floats)
        case "short", "clock", other:
            return _Effect(clock="noise" if other == "data" and noise else "never")
        case "short", "load", ("ground" | "clock"):
            return _Effect(load="always")
        case "short", "load", other:
            return _Effect(load="noise" if other == "data" else "never")
        case "swap", *wires:
            pair = {*wires}
            if noise and pair != {"clock", "load"}:
                # Two outputs work against each other, nearer the board as well.
                return _Effect(data="noise", clock="noise" if "clock" in pair else "arrives")
            if pair == {"clock", "load"}:
                return _Effect(chip, load="always")
            return _Effect(chip, data=floats)
    raise AssertionError(fault)


class Broken:
    """Stands between a chain's wires and its `twin`, whose inputs it loads."""

    def __init__(self, twin: hc165.Twin, fault: Fault, random: Random) -> None:
        self._twin = twin
        self._effect = _effect(fault)
        self._random = random
        self._comes_and_goes = fault.comes_and_goes
        self._length = 8 * twin.chips
        self._register = 0
        self._there = not fault.comes_and_goes
        self._left = 0
        """Clocks until the fault comes or goes."""
        self._held = 0

    def load(self, level: bool) -> None:
        """Take an edge of PL."""
        if level:
            return
        if self._comes_and_goes and self._random.random() < _IDLE:
            self._turn()
        effect = self._now
        kept = levels = 0
        never = effect.load == "never" or (effect.load == "noise" and self._random.random() < 0.5)
        if never or not effect.inputs:
            there = 0xFF if effect.only else _ones(self._length)
            harmed = there << 8 * effect.at & _ones(self._length)
            kept = harmed if never else 0
            levels = 0 if effect.inputs else self._random.getrandbits(self._length) & harmed
        self._register = self._register & kept | (self._twin.levels ^ levels) & ~kept

    def transfer(self, data: bytes) -> bytes:
        """Shift out as many bytes as are clocked."""
        out = done = 0
        while done < 8 * len(data):
            run = 8 * len(data) - done
            if self._comes_and_goes:
                if not self._left:
                    self._turn()
                run = min(run, self._left)
                self._left -= run
            out |= self._shift(run) << done
            done += run
        return hc165.encode(out, len(data))

    @property
    def _now(self) -> _Effect:
        return self._effect if self._there else _SOUND

    def _turn(self) -> None:
        self._there = not self._there
        self._left = 1 + int(self._random.expovariate(1 / self._random.choice((8, 40, 400))))

    def _shift(self, clocks: int) -> int:
        """Give so many clocks; return what comes out, the first bit lowest."""
        effect = self._now
        if effect.load == "noise" and clocks > 1 and self._random.random() < 0.3:
            # It loads in the middle.
            before = self._random.randrange(1, clocks)
            out = self._shift(before)
            split = 8 * effect.at
            self._register = self._register & _ones(split) | self._twin.levels >> split << split
            return out | self._shift(clocks - before) << before
        split = 8 * effect.at
        near, far = self._register & _ones(split), self._register >> split
        fill = _ones(clocks) if self._twin.serial_in else 0
        if effect.load == "always":
            far = self._twin.levels >> split
        if effect.load == "always" or effect.clock == "never":
            sent = -(far & 1) & _ones(clocks)
        elif effect.clock == "noise":
            sent, far = self._noisy(clocks, far, self._length - split)
        else:
            far |= fill << self._length - split
            sent, far = far & _ones(clocks), far >> clocks
        if effect.data is not None:
            sent = self._floating(effect.data, clocks)
        self._held = sent >> clocks - 1 & 1
        near |= sent << split
        self._register = near >> clocks & _ones(split) | far << split
        return near & _ones(clocks)

    def _noisy(self, clocks: int, far: int, length: int) -> tuple[int, int]:
        """Give clocks of which some are lost and some are two."""
        sent = 0
        for clock in range(clocks):
            sent |= (far & 1) << clock
            for _ in range(self._random.choice((0, 0, 1, 1, 1, 2))):
                far = far >> 1 | self._twin.serial_in << length - 1
        return sent, far

    def _floating(self, floats: Floats, clocks: int) -> int:
        match floats:
            case "low":
                return 0
            case "high":
                return _ones(clocks)
            case "held":
                return -self._held & _ones(clocks)
            case "noise":
                return self._random.getrandbits(clocks)


def _ones(count: int) -> int:
    return (1 << count) - 1
