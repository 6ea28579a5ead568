"""`consolewright install`: makes a console the service of a system, or takes it away; says first what it will do."""

import shlex
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from os import geteuid
from pathlib import Path

from bridge import files
from bridge.console import load
from bridge.errors import ConsoleError
from bridge.install import cmdline, copy
from bridge.install.board import lacks
from bridge.install.closure import Origin, closure, running
from bridge.install.plan import Step, named, to_install, to_remove
from bridge.install.rules import in_the_way
from bridge.install.system import System, readable_by_all
from bridge.install.wanted import ports, wanted
from bridge.links.corecommand import with_socket

Say = Callable[[str], None]
SOCKET = Path("/run/consolewright/core.sock")

_ON = "Mend that and give the same command again: it goes on from there."


def install(
    file: Path, core: Sequence[str], say: Say, system: System | None = None, origin: Origin | None = None
) -> None:
    """Install the console described in `file`, with the command of its core; without one, a core stays as it is.

    Raises ConsoleError for all that is wrong with the description, or with the Python that runs this, and when not
    called by root; nothing was changed then.
    """
    system, origin = system or System(), origin or running()
    console = load(file)
    command = _runnable(core)
    made = wanted(console, command, files.units(), system.systemd())
    hub = in_the_way(ports(console), system.hubs())
    if hub:
        raise ConsoleError(f"{console.path}: {hub}.")
    _as_root(system)
    tree, contents = None, ""
    if origin.prefix != Path(copy.PLACE):
        found = closure(origin)
        ours, *others = found.distributions
        tree, contents = copy.tree(origin, found), f"{ours}, with {named(others) if others else 'nothing else'},"
    steps = to_install(system, tree, contents, made)
    lacking = lacks(system, console, command)
    _say_all("This will", [step.words for step in steps], say)
    _say_all("This board lacks what the console needs; it starts all the same:", lacking, say)
    if steps:
        _do(steps)
        say("Done. What it says from now on: journalctl -u consolewright -f")
    else:
        say(f"All of {file} is installed and runs: there is nothing to do.")


def remove(say: Say, system: System | None = None) -> None:
    """Take away all that an installation made, its state too."""
    system = system or System()
    _as_root(system)
    steps = to_remove(system)
    if not steps:
        say("consolewright is not installed: there is nothing to remove.")
        return
    _say_all("This will", [step.words for step in steps], say)
    _do(steps)
    say("Done. Nothing of consolewright is left; groups of the system, such as spi, stay.")
    path, _ = cmdline.find(system)
    if not path and cmdline.is_heeded(system):
        say(
            f"Take {cmdline.WORD} off the kernel's command line, where you put it: without consolewright, no USB works."
        )


def _say_all(head: str, lines: Iterable[str], say: Say) -> None:
    for line in (head, *(f"  {line}" for line in lines if line)) if lines else ():
        say(line)


def _do(steps: Iterable[Step]) -> None:
    try:
        with readable_by_all():
            for step in steps:
                step.do()
    except OSError as error:
        raise ConsoleError(f"{error.filename}: {error.strerror}. {_ON}") from None
    except ConsoleError as error:
        raise ConsoleError(f"{error}\n{_ON}") from None


def _as_root(system: System) -> None:
    if system.root == Path("/") and geteuid() != 0:
        as_module = Path(sys.argv[0]).name == "__main__.py"
        program = [sys.executable, "-m", "bridge"] if as_module else [str(Path(sys.argv[0]).absolute())]
        raise ConsoleError(f"Only root can do that. Type:\n  sudo {shlex.join([*program, *sys.argv[1:]])}")


def _runnable(core: Sequence[str]) -> list[str]:
    """Return the core's command, with its socket in it; its program must be found from anywhere."""
    if not core:
        return []
    program = core[0]
    found = shutil.which(program)
    if found is None:
        raise ConsoleError(f"--core {program}: there is no such program.")
    if "/" in program and not Path(program).is_absolute():
        raise ConsoleError(f"--core {program}: the service starts it from elsewhere. Give its path from the root.")
    return with_socket(core, SOCKET)
