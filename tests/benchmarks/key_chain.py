import random
from functools import partial

from bridge.parts import hc165
from tests.benchmarks.harness import Figures, p50_us


def key_chain() -> Figures:
    """One scan of 128 keys on a chain of 74HC165: decoding it, and its twin."""
    chips = 16
    data = random.Random(165).randbytes(chips)
    twin = hc165.Twin(chips)
    twin.levels = hc165.decode(data)
    return {
        "parts_scan_128_us": p50_us(partial(hc165.decode, data)),
        "parts_scan_twin_128_us": p50_us(partial(_scan, twin, bytes(chips))),
    }


def _scan(twin: hc165.Twin, out: bytes) -> None:
    twin.load(False)
    twin.load(True)
    twin.transfer(out)
