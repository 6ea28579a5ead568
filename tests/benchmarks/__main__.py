"""`python -m tests.benchmarks [--json FILE] [NAME…]`: prints the figures and writes them as one flat JSON object."""

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.core_client import core_client, core_stopped_daemon
from tests.benchmarks.daemon import daemon, demo, steps, wakes
from tests.benchmarks.decks import decks
from tests.benchmarks.harness import Benchmark, run
from tests.benchmarks.key_chain import key_chain
from tests.benchmarks.keys import key_to_core
from tests.benchmarks.lamp_chain import lamp_chain
from tests.benchmarks.lamps import daemon_at_work, lamps
from tests.benchmarks.link import link
from tests.benchmarks.sticks import sticks

# A new benchmark is one file and one name here.
BENCHMARKS: tuple[Benchmark, ...] = (
    *(lamp_chain, key_chain, lamps, decks, steps, wakes, sticks),
    *(core_client, core_stopped_daemon, link, key_to_core, daemon, daemon_at_work, demo),
)


def main(arguments: Sequence[str] | None = None) -> None:
    known = {benchmark.__name__: benchmark for benchmark in BENCHMARKS}
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description="Measure what must stay fast.")
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures here, one flat object")
    parser.add_argument("names", metavar="NAME", nargs="*", help=f"one of {', '.join(known)}; none means all")
    options = parser.parse_args(arguments)
    for name in options.names:
        if name not in known:
            parser.error(f"there is no benchmark {name}; there are {', '.join(known)}")
    figures = run([known[name] for name in options.names or known])
    if options.json:
        options.json.write_text(json.dumps(figures, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
