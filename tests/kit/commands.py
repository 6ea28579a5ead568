"""Commands that a page shows, run as a reader would, but with this interpreter's command."""

import os
import re
import subprocess
import sys
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
README = CHECKOUT / "README.md"


def marked(page: Path, name: str) -> str:
    """Return the sh block that a page marks with <!-- command: NAME -->."""
    block = re.search(rf"<!-- command: {name} -->\n *```sh\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    assert block, f"{page.name} has no sh block after <!-- command: {name} -->"
    return block[1]


def run(program: str, home: Path, cwd: Path = CHECKOUT) -> str:
    """Run commands with `home` as the home folder; they must end well. Returns what they print."""
    # In one go: the interpreter may itself be in a folder .venv, and must not be replaced in turn.
    ours = {"consolewright": f"'{sys.executable}' -m bridge", "python": f"'{sys.executable}'"}
    names = r"(?<![\w/.])(?:\.venv/bin/)?(consolewright|python)3?(?= )"
    program = re.sub(names, lambda found: ours[found[1]], program)
    reach = os.pathsep.join(path for path in sys.path if path)
    done = subprocess.run(
        ["sh", "-e"],
        input=program,
        cwd=cwd,
        env=os.environ | {"HOME": str(home), "PYTHONPATH": reach},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
