"""The C client before bytes that libFuzzer thinks of, without end: no crash, no hang, no growth."""

import itertools
import random
import re
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.links import fuzz
from tests.links.compiled import HERE, build

A_TURN = 20
"""Seconds of libFuzzer between two looks at the time."""


def link(seed: int) -> Iterator[dict[str, int]]:
    """Yield the counts of one turn of libFuzzer after another; a failure shows what it printed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        words = ["-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", str(HERE / "fuzz.c")]
        program = build("clang", words, folder / "fuzz")
        corpus = folder / "corpus"
        corpus.mkdir()
        for n in range(20):
            rng = random.Random(seed + n)
            session = b"".join(fuzz.of_a_console(rng, 8))
            (corpus / f"whole-{n}").write_bytes(rng.randbytes(1) + session)
        for turn in itertools.count(seed):
            command = [str(program), str(corpus), f"-seed={turn}", f"-max_total_time={A_TURN}", "-max_len=32768"]
            limits = ["-rss_limit_mb=1024", "-timeout=10", "-print_final_stats=1"]
            done = subprocess.run([*command, *limits], capture_output=True, text=True, check=False, cwd=folder)
            if done.returncode != 0:
                raise RuntimeError(f"failed with --seed {turn}: {done.stderr[-4000:]}")
            executed = re.search(r"number_of_executed_units: (\d+)", done.stderr)
            yield {"inputs": int(executed[1]) if executed else 0}
