"""`python -m tests.soak NAME`: what takes long, by hand, on all cores; prints what it did as one dated line."""

import argparse
import datetime
import os
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor

from tests.soak.link import link
from tests.soak.punch import punch

Soak = Callable[[int], Iterator[dict[str, int]]]
"""Made with a seed; yields counts again and again, the same for the same seed, and raises on the first failure."""

SOAKS: dict[str, Soak] = {soak.__name__: soak for soak in (punch, link)}
APART = 1_000_000
"""How far apart the seeds are that processes begin with."""


def count(name: str, seed: int, minutes: float) -> Counter[str]:
    start = time.monotonic()
    total: Counter[str] = Counter()
    for counts in SOAKS[name](seed):
        total.update(counts)
        if time.monotonic() - start > 60 * minutes:
            break
    return total


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("name", choices=SOAKS, metavar="NAME", help=f"one of {', '.join(SOAKS)}")
    parser.add_argument("--minutes", type=float, default=5.0, help="how long (5)")
    parser.add_argument("--seed", type=int, default=1, help="where to begin (1)")
    words = parser.parse_args()
    jobs = os.cpu_count() or 1
    with ProcessPoolExecutor(jobs) as pool:
        running = [pool.submit(count, words.name, words.seed + APART * job, words.minutes) for job in range(jobs)]
        total = sum((one.result() for one in running), Counter[str]())
    done = ", ".join(f"{counted:,} {what}" for what, counted in total.items())
    today = datetime.datetime.now().astimezone().date()
    print(f"{today}: {words.name}, seed {words.seed}, {words.minutes:g} minutes: {done}; no failure")


if __name__ == "__main__":
    main()
