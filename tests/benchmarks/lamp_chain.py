from functools import partial

import numpy as np

from bridge.parts import tlc5947
from tests.benchmarks.harness import Figures, p50_us


def lamp_chain() -> Figures:
    """One frame to a chain of TLC5947, for the demo's 192 lamps and for 256 (11 chips): encoding it, and its twin."""
    figures: Figures = {}
    for chips in (8, 11):
        channels = 24 * chips
        codes = (np.arange(channels) * 1237 % 4096).astype(np.uint16)
        data = tlc5947.encode(codes)
        twin = tlc5947.Twin(chips)
        twin.blank(False)
        figures[f"parts_encode_{channels}_us"] = p50_us(partial(tlc5947.encode, codes))
        figures[f"parts_decode_{channels}_us"] = p50_us(partial(tlc5947.decode, data))
        figures[f"parts_twin_{channels}_us"] = p50_us(partial(_frame, twin, data))
    return figures


def _frame(twin: tlc5947.Twin, data: bytes) -> None:
    twin.transfer(data)
    twin.latch(True)
    twin.latch(False)
