"""Runs benchmarks and hands on their figures."""

import time
from collections.abc import Callable, Sequence
from statistics import median

Figures = dict[str, float]
Benchmark = Callable[[], Figures]
"""Known by its function's name; returns figures under names that end in their unit."""


def p50_us(work: Callable[[], object], runs: int = 2000) -> float:
    """Return the median time of one call in microseconds, over `runs` calls after a tenth as many to warm up."""
    for _ in range(runs // 10):
        work()
    times = []
    for _ in range(runs):
        start = time.perf_counter_ns()
        work()
        times.append(time.perf_counter_ns() - start)
    return median(times) / 1000


def run(benchmarks: Sequence[Benchmark]) -> Figures:
    """Return the figures of all of them, printing each as it comes; ValueError if two report one name."""
    figures: Figures = {}
    for benchmark in benchmarks:
        for name, value in benchmark().items():
            if name in figures:
                raise ValueError(f"{benchmark.__name__} reports {name}, which another benchmark reports too")
            figures[name] = value
            print(f"{name:<32}{value:>12,.4g}", flush=True)
    return figures
