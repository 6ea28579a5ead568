import subprocess
import tempfile
from pathlib import Path

from tests.benchmarks.harness import Figures
from tests.links.compiled import HERE, build

NAMES = ("core_cycle_ns", "core_cycle_mixed_ns", "core_cycle_naive_ns", "core_flush_us")


def core_client() -> Figures:
    """The C client, gcc -O2: a machine cycle of 256 lamps, of one length and of lengths 1 to 15; and a frame's end."""
    with tempfile.TemporaryDirectory() as folder:
        program = build("gcc", ["-std=c99", "-O2", str(HERE / "cost.c")], Path(folder) / "cost")
        said = subprocess.run([program], capture_output=True, text=True, check=True).stdout
    figures = dict(zip(NAMES, map(float, said.split()), strict=True))
    return figures | {"core_cycle_vs_naive": figures["core_cycle_naive_ns"] / figures["core_cycle_ns"]}
