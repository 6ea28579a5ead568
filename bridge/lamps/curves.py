"""How a kind of lamp behaves, as curves: rise, fade, and light against duty."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bridge.lamps.filament import Filaments, FilamentType
from bridge.lamps.models import LampModels, NeonType

Doubles = npt.NDArray[np.float64]

MILLISECOND = 0.001
SPAN = 3.0
"""Rises are shown for so many times the rise of light from 10 to 90 %."""
DUTIES = 101


@dataclass(frozen=True)
class Curves:
    """Milliseconds and relative light of a rise and of a fade, each from a steady state; duty and steady light."""

    milliseconds: Doubles
    rise: Doubles
    fade: Doubles
    duty: Doubles
    steady: Doubles


def curves(kind: FilamentType) -> Curves:
    """Return the curves of a kind of filament lamp."""
    count = int(SPAN * max(kind.rise, kind.fall) / MILLISECOND)
    lamp = Filaments([kind], np.zeros(1, np.intp))
    on, off = np.ones(1, np.float32), np.zeros(1, np.float32)
    rise = _follow(lamp, on, count)
    lamp.step(1.0, on)
    fade = _follow(lamp, off, count)
    duty: Doubles = np.linspace(0, 1, DUTIES, dtype=np.float64)
    many = Filaments([kind], np.zeros(DUTIES, np.intp))
    for _ in range(20):
        many.step(1.0, duty.astype(np.float32))
    return Curves(np.arange(count, dtype=np.float64), rise, fade, duty, many.light().astype(np.float64))


@dataclass(frozen=True)
class Sweep:
    """Duty as it was driven, and relative light at each."""

    duty: Doubles
    light: Doubles


def strikes(kind: NeonType) -> tuple[Sweep, Sweep]:
    """Return the light of a neon whose duty is driven up from nothing, and then down again."""
    lamp = LampModels([kind], np.zeros(1, np.intp))
    up: Doubles = np.linspace(0, 1, 10 * DUTIES, dtype=np.float64)
    return _sweep(lamp, up), _sweep(lamp, up[::-1])


def _sweep(lamp: LampModels, duties: Doubles) -> Sweep:
    light = np.empty(len(duties))
    for n, duty in enumerate(duties):
        lamp.step(0, np.full(1, duty, np.float32))
        light[n] = lamp.light()[0]
    return Sweep(duties, light)


def _follow(lamp: Filaments, duty: npt.NDArray[np.float32], count: int) -> Doubles:
    light = np.empty(count)
    for n in range(count):
        light[n] = lamp.light()[0]
        lamp.step(MILLISECOND, duty)
    return light
