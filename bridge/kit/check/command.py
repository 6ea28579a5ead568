"""`consolewright core check`: starts a core, puts it before the scripted console, and reports."""

import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from bridge.errors import ConsoleError
from bridge.kit.check.console import ScriptedConsole
from bridge.kit.check.script import CoreEndedError, Ended, Hands, Script
from bridge.kit.check.verdicts import Findings, Verdict
from bridge.links.corecommand import with_socket

GOES_WITHIN = 3.0


async def check(
    command: Sequence[str], *, deck: Sequence[bytes] = (), names: Sequence[str] | None = None, hands: Hands
) -> list[Verdict]:
    """Start a core and judge it; `names` are those of the panel, None for a panel that has whatever the core has.

    Raises ConsoleError when it can't be started.
    """
    with tempfile.TemporaryDirectory(prefix="consolewright-") as folder:
        path = Path(folder) / "core.sock"
        with _process(with_socket(command, path)) as ended:
            return await judge(path, deck, names, hands, ended)


async def judge(
    path: Path, deck: Sequence[bytes], names: Sequence[str] | None, hands: Hands, ended: Ended
) -> list[Verdict]:
    """Judge the core that comes to the socket at `path`."""
    findings = Findings()
    console = ScriptedConsole(path, findings, deck, names)
    await console.listen()
    try:
        await Script(console, findings, hands, ended).run()
    except CoreEndedError as error:
        findings.failed("hello" if console.linked_at is None else "messages", f"the core ended on its own: {error}")
    finally:
        console.go()
    return findings.verdicts()


@contextmanager
def _process(command: Sequence[str]) -> Iterator[Callable[[], str]]:
    """Run a core as long as this lasts; what it prints is its author's to see."""
    try:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    except OSError as error:
        raise ConsoleError(f"{command[0]}: cannot be started ({error.strerror}).") from None

    def ended() -> str:
        status = process.poll()
        if status is None:
            return ""
        return f"signal {-status}" if status < 0 else f"status {status}"

    try:
        yield ended
    finally:
        process.terminate()
        try:
            process.wait(GOES_WITHIN)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
