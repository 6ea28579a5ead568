"""Compilers for the C client, and what they make of it."""

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest

from bridge.files import c_client

HERE = Path(__file__).parent / "c"
STRICT = ("-Wall", "-Wextra", "-Wpedantic", "-Werror")


def needed(tool: str) -> str:
    """Return the path of a tool, or skip the test, saying which is missing."""
    found = shutil.which(tool)
    if found is None:
        assert not os.environ.get("NOTHING_IS_SKIPPED"), f"{tool} is not installed"
        pytest.skip(f"{tool} is not installed")
    return found


def build(compiler: str, words: Sequence[str], out: Path) -> Path:
    """Compile into `out`; the compiler's own words fail the test. The client's header is in reach."""
    command = [needed(compiler), *words, f"-I{c_client()}", "-o", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return out
