"""`python -m tests.rig [NAME…]`: everything that only a real kernel can prove, in Debian guests under QEMU.

NAME is a part of a test's name; without any, all are run. It is installed in one guest, and then two copies of that are
tested side by side. The guest is kept in .rig, or in $CONSOLEWRIGHT_RIG_CACHE. Needs root and what `.ci/run system`
installs. What cannot be built fails; nothing is skipped. Whoever works on the tests keeps the installation too, in an
empty folder named by $CONSOLEWRIGHT_RIG_INSTALLED: what is in it is not made again, however old it is.
"""

import os
import sys
import tempfile
from pathlib import Path

import pytest

from tests.rig.build import BuildError
from tests.rig.console import INSTALLED, Console

HERE = Path(__file__).parent
GUESTS = 2


def main(names: list[str]) -> int:
    """Run the tests and return pytest's status."""
    with tempfile.TemporaryDirectory(prefix="rig-") as folder:
        installed = Path(os.environ.setdefault(INSTALLED, folder))
        try:
            for what, seconds in Console.install(installed):
                print(f"rig: {what} {seconds:.0f} s", flush=True)
        except BuildError as error:
            print(f"rig: {error}", file=sys.stderr)
            return 1
        chosen = ["-k", " or ".join(names)] if names else []
        options = ["-o", "python_files=guest_*.py", "-o", "timeout=600", "-p", "no:cacheprovider"]
        side_by_side = ["-n", str(GUESTS), "--dist", "loadfile"]
        return int(pytest.main(["-v", "--durations=25", *options, *side_by_side, *chosen, str(HERE)]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
