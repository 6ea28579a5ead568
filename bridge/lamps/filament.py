"""A tungsten filament's energy balance: from duty and voltage to temperature and light.

    C(T) dT/dt = d (v V)² / R(T) - ε(T) σ A (T⁴ - T0⁴)

with the duty d, the voltage v relative to the rated V, the resistance R, heat capacity C and emissivity ε of tungsten
at temperature T, and surroundings at T0 = 300 K. Light is relative to the rated light. Nothing is tuned: the area A
follows from the rated point, the mass from a rise or fall time.
"""

import bisect
import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bridge.lamps import tungsten
from bridge.lamps.light import luminance

AMBIENT = 300.0
"""The temperature around a filament, in kelvin."""

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Property = Callable[[Doubles], Doubles]


@dataclass(frozen=True)
class Material:
    """What a filament is made of: resistivity (any unit), specific heat J/(kg K), emissivity, all of temperature in K.

    The tables are tungsten's; constant properties are for exact tests.
    """

    resistivity: Property = tungsten.resistivity
    specific_heat: Property = tungsten.specific_heat
    emissivity: Property = tungsten.emissivity
    ambient: float = AMBIENT


TUNGSTEN = Material()


@dataclass(frozen=True)
class FilamentType:
    """One kind of filament lamp, resolved.

    `area` is its radiating surface in m², `mass` in kg; `rise` and `fall` are the seconds its light takes from 10 to
    90 % of rated when switched on cold, and back when switched off.
    """

    volts: float
    amps: float
    kelvin: float
    area: float
    mass: float
    rise: float
    fall: float
    material: Material = TUNGSTEN

    def heating(self, kelvin: Doubles) -> Doubles:
        """Return dT/dt in K/s that full duty at rated voltage adds."""
        material = self.material
        rated = material.resistivity(np.array(self.kelvin))
        power = self.volts * self.amps * rated / material.resistivity(kelvin)
        return power / (self.mass * material.specific_heat(kelvin))

    def cooling(self, kelvin: Doubles) -> Doubles:
        """Return dT/dt in K/s that radiation takes away."""
        material = self.material
        radiated = material.emissivity(kelvin) * tungsten.STEFAN_BOLTZMANN * self.area
        return radiated * (kelvin**4 - material.ambient**4) / (self.mass * material.specific_heat(kelvin))


def resolve(
    volts: float,
    amps: float,
    kelvin: float,
    *,
    rise_ms: float | None = None,
    fall_ms: float | None = None,
    material: Material = TUNGSTEN,
) -> FilamentType:
    """Return the type of a lamp from what can be read on it or measured.

    `kelvin` is its temperature at rated `volts` and `amps`. One of `rise_ms` and `fall_ms` (light, 10–90 %) gives the
    mass; with both, the mass is the one between (geometric mean) and `mismatch` tells how they disagree.
    Raises ValueError if both are missing.
    """
    rated = np.array(kelvin)
    area = (
        volts
        * amps
        / (float(material.emissivity(rated)) * tungsten.STEFAN_BOLTZMANN * (kelvin**4 - material.ambient**4))
    )
    unit = FilamentType(volts, amps, kelvin, area, 1.0, 0.0, 0.0, material)
    rise, fall = _rise_and_fall(unit)
    masses = [given / 1000 / own for given, own in ((rise_ms, rise), (fall_ms, fall)) if given is not None]
    if not masses:
        raise ValueError("a filament's mass follows from its rise or its fall; neither is given")
    mass = float(np.prod(masses) ** (1 / len(masses)))
    return FilamentType(volts, amps, kelvin, area, mass, rise * mass, fall * mass, material)


def mismatch(kind: FilamentType, rise_ms: float, fall_ms: float) -> float:
    """Return how many times longer the measured fall is, for the measured rise, than it is for such a filament.

    1 is agreement; far from it, one of the two was not measured on this lamp, or the temperature is another.
    """
    return (fall_ms / rise_ms) / (kind.fall / kind.rise)


def disagreement(kind: FilamentType, rise_ms: float | None, fall_ms: float | None) -> str:
    """Return what there is to say of a rise and a fall that cannot be of one lamp, "" if they agree or one is missing.

    They agree while they are within a quarter: times read off a photodiode's trace are no better.
    """
    if rise_ms is None or fall_ms is None:
        return ""
    off = mismatch(kind, rise_ms, fall_ms)
    if 1 / DISAGREE < off < DISAGREE:
        return ""
    return (
        f"rise_ms and fall_ms disagree: for that rise the fall is {off:.2f} times what a filament of {kind.kelvin:g} K "
        "does. Measure again, or check the temperature."
    )


DISAGREE = 1.25


def _rise_and_fall(kind: FilamentType) -> tuple[float, float]:
    """Return how many seconds the light takes from 10 to 90 % and back, by quadrature of dT / (dT/dt)."""
    grid = np.linspace(AMBIENT, kind.kelvin, 20_001)
    light = luminance(grid) / luminance(np.array(kind.kelvin))
    low, high = np.interp([0.1, 0.9], light, grid)
    between = np.linspace(low, high, 4001)
    heating, cooling = kind.heating(between), kind.cooling(between)
    return float(np.trapezoid(1 / (heating - cooling), between)), float(np.trapezoid(1 / cooling, between))


class _Flow(NamedTuple):
    """By how many cells filaments are hotter after some time, at each foot of a cell and column.

    `hotter` and `harder` are what is added one cell and one column further on, `both` what is added to both of these.
    """

    here: Floats
    hotter: Floats
    harder: Floats
    both: Floats


class Filaments:
    """n filaments, of several types at once: `types[which[i]]` is the type of lamp i. They start at 300 K.

    For each type the balance is solved once, from every temperature and for every drive, and kept: how much hotter a
    filament is after a given time. A step looks that up. It costs the same whatever the filaments do, cannot become
    unstable, and where duty and voltage are the rated ones the rated temperature stays for ever.
    """

    def __init__(self, types: Sequence[FilamentType], which: npt.NDArray[np.intp]) -> None:
        count = len(which)
        self._flow: Floats = np.concatenate([_flow(kind) for kind in types], axis=1)
        self._flow_for = functools.lru_cache(KEPT)(self._flow_after)
        self._shine: Floats = np.concatenate([_shine(kind) for kind in types])
        self._brighter = np.append(np.diff(self._shine), np.float32(0))
        rated = np.array([kind.kelvin for kind in types], np.float32)[which]
        self._kelvin_a_cell = (rated - np.float32(AMBIENT)) / np.float32(CELLS)
        # Whole numbers as float32, exact far beyond any table's size: adding kinds of numbers costs more than adding.
        self._shine_foot = (which * ROWS).astype(np.float32)
        self._table_foot = (which * (ROWS * COLUMNS)).astype(np.float32)
        self._duty: Floats | None = None
        self._ratio: Floats | float = 0.0
        self._column = np.zeros(count, np.float32)
        self._share = np.zeros(count, np.float32)
        # The state: temperature in cells of each one's table above 300 K, as whole cells and the part of one; and the
        # time that was asked for and not yet gone on by.
        self._heat = np.zeros(count, np.float32)
        self._cell = np.zeros(count, np.float32)
        self._above = np.zeros(count, np.float32)
        self._owed = 0.0

    @property
    def temperature(self) -> Floats:
        """The filaments' temperatures in kelvin; a new array."""
        return np.float32(AMBIENT) + self._heat * self._kelvin_a_cell

    def step(self, seconds: float, duty: Floats, ratio: Floats | float = 1.0) -> None:
        """Go on by `seconds` (0.1 ms to 1 s) at these duties (0 to 1) and voltages relative to the rated ones.

        Time is counted in parts of 1/65,536 s; what is left over is added to the next step. Voltages beyond
        `MOST_RATIO` are taken as that. Passing the very array of the last step again says that nothing has changed, and
        saves looking.
        """
        if duty is not self._duty or ratio is not self._ratio:
            self._drive(duty, ratio)
        seconds += self._owed
        ticks = round(seconds * GRID)
        self._owed = seconds - ticks / GRID
        pieces = -(-ticks // LONGEST)
        for n in range(pieces):
            self._advance(self._flow_for((ticks + n) // pieces))

    def light(self) -> Floats:
        """Return the light of each filament relative to its rated light; a new array."""
        foot = (self._cell + self._shine_foot).astype(np.intp)
        light = self._brighter.take(foot)
        light *= self._above
        light += self._shine.take(foot)
        return light

    def _drive(self, duty: Floats, ratio: Floats | float) -> None:
        self._duty, self._ratio = duty, ratio
        share = np.sqrt(duty)
        share *= np.float32(COLUMNS_TO_RATED) * ratio
        np.minimum(share, np.float32(COLUMNS - 1.001), out=share)
        column = np.floor(share)
        self._share = share - column
        column *= np.float32(ROWS)
        column += self._table_foot
        self._column = column

    def _flow_after(self, ticks: int) -> _Flow:
        """Return the flow in so many parts of a second, between those kept for the times next to it."""
        seconds = ticks / GRID
        after = bisect.bisect_left(TIMES, seconds)
        share = (seconds - TIMES[after - 1]) / (TIMES[after] - TIMES[after - 1])
        here, there = self._flow[after - 1 : after + 1]
        flow = here + np.float32(share) * (there - here)
        # No lamp stands in the last cell or the last column; its differences are those to another kind's, and unused.
        hotter, harder = np.roll(flow, -1) - flow, np.roll(flow, -ROWS) - flow
        return _Flow(flow, hotter, harder, np.roll(harder, -1) - harder)

    def _advance(self, flow: _Flow) -> None:
        foot = (self._cell + self._column).astype(np.intp)
        hotter = flow.both.take(foot, mode="clip")
        hotter *= self._share
        hotter += flow.hotter.take(foot, mode="clip")
        hotter *= self._above
        change = flow.harder.take(foot, mode="clip")
        change *= self._share
        change += flow.here.take(foot, mode="clip")
        change += hotter
        heat = self._heat
        heat += change
        np.floor(heat, out=self._cell)
        np.subtract(heat, self._cell, out=self._above)


CELLS = 160
"""Cells of the table between 300 K and the rated temperature, which is the foot of a cell."""
ROWS = CELLS * 6 // 5
"""Feet of cells in all: the table goes on above the rated temperature."""
COLUMNS_TO_RATED = 24
"""Columns of the table up to the rated drive; they are even in the square root of the power at rated resistance."""
MOST_RATIO = 1.25
COLUMNS = int(COLUMNS_TO_RATED * MOST_RATIO) + 1
TIMES = [0.0] + [ms / 1000 for ms in (0.1, 0.2, 0.3, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 2.5, 3, 3.5, 4, 4.5, 5, 5.5, 6)]
TIMES += [ms / 1000 for ms in (6.5, 7, 7.5, 8, 9, 10, 11)]
"""Seconds for which the flow is solved; a longer step is made of several."""
GRID = 1 << 16
"""Parts of a second in which time is counted: so the flow between two of TIMES can be kept for the next such step."""
LONGEST = int(TIMES[-1] * GRID)
KEPT = 32
"""For how many lengths of a step the flow is kept: frames that come a quarter of a millisecond early or late."""
STEPS_A_RISE = 500
"""How many steps a rise of light gets when the flow is solved: far more than it needs, as it is done once."""


def _feet(kind: FilamentType) -> Doubles:
    return AMBIENT + np.arange(ROWS) * (kind.kelvin - AMBIENT) / CELLS


def _shine(kind: FilamentType) -> Floats:
    return (luminance(_feet(kind)) / luminance(np.array(kind.kelvin))).astype(np.float32)


@functools.cache
def _flow(kind: FilamentType) -> Floats:
    """Return by how many cells a filament is hotter after each of TIMES: shape (times, columns x rows).

    Solved by exponential Rosenbrock–Euler steps: the balance is taken as a straight line in T, which is solved exactly.
    """
    grid = np.arange(AMBIENT - 20, 1.3 * kind.kelvin, 1.0)
    heating, cooling = kind.heating(grid), kind.cooling(grid)
    tables = heating, np.gradient(heating), cooling, np.gradient(cooling)
    drive = np.repeat((np.arange(COLUMNS) / COLUMNS_TO_RATED) ** 2, ROWS)
    start = np.tile(_feet(kind), COLUMNS)
    now, kept, passed = start.copy(), [np.zeros_like(start)], 0.0
    for until in TIMES[1:]:
        parts = math.ceil((until - passed) / (kind.rise / STEPS_A_RISE))
        seconds = (until - passed) / parts
        for _ in range(parts):
            cell = (now - grid[0]).astype(np.intp)
            above = now - grid[cell]
            warm, warmer, cool, cooler = (table[cell] for table in tables)
            # The slope is negative everywhere: a hotter filament takes less power and gives off more.
            slope = drive * warmer - cooler
            rate = drive * (warm + warmer * above) - (cool + cooler * above)
            now += np.expm1(slope * seconds) / slope * rate
        kept.append(now - start)
        passed = until
    return np.array(kept, np.float32) * np.float32(CELLS / (kind.kelvin - AMBIENT))
