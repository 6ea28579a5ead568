"""`python -m tests.rig [NAME…]`: everything that only a real kernel can prove, in a Debian guest under QEMU.

NAME is a part of a test's name; without any, all are run. The guest is kept in .rig, or in $CONSOLEWRIGHT_RIG_CACHE.
Needs root and what `.ci/run system` installs. What cannot be built fails; nothing is skipped.
"""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def main(names: list[str]) -> int:
    """Run the tests and return pytest's status."""
    chosen = ["-k", " or ".join(names)] if names else []
    options = ["-o", "python_files=guest_*.py", "-o", "timeout=600", "-p", "no:xdist", "-p", "no:cacheprovider"]
    return int(pytest.main(["-v", "--durations=15", *options, *chosen, str(HERE)]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
