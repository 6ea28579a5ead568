"""`python -m tests.rig [NAME…]`: everything that only a real kernel can prove, in a Debian guest under QEMU.

NAME is a part of a test's name; without any, all are run. The guest is kept in .rig, or in $CONSOLEWRIGHT_RIG_CACHE.
Needs root and what `.ci/run system` installs. What cannot be built fails; nothing is skipped.

Whoever works on the tests keeps the installation too, in an empty folder named by $CONSOLEWRIGHT_RIG_INSTALLED: what is
in it is not made again, however old it is.
"""

import os
import sys
import tempfile
from pathlib import Path

import pytest

from tests.rig.build import BuildError
from tests.rig.console import INSTALLED, Console

HERE = Path(__file__).parent


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
        options = ["-o", "python_files=guest_*.py", "-o", "timeout=600", "-p", "no:cacheprovider", "-p", "no:xdist"]
        # What takes the installation away comes last.
        files = sorted(HERE.glob("guest_*.py"), key=lambda file: (file.stem == "guest_install", file))
        return int(pytest.main(["-v", "--durations=25", *options, *chosen, *map(str, files)]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
