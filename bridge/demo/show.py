"""`consolewright demo`: a daemon and a core, each in a process of its own, and a simulated operator get a job done."""

import asyncio
import signal
import sys
import tempfile
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from textwrap import fill

from bridge.daemon.state import state_folder
from bridge.demo.jobs import Done, Job
from bridge.demo.operator import Operator
from bridge.demo.screen import Plain, Screen, View
from bridge.errors import ConsoleError
from bridge.files import examples

DESCRIPTION = "skerry.toml"
STOP_WITHIN = 5.0


async def demo(job: Job, *, headless: bool, pace: float, out: Path | None) -> None:
    """Get the job done, leave its results in `out` and say where they are.

    The lamps among them are those of the moment when the machine halted. Raises ConsoleError when anything gets in the
    way.
    """
    folder = state_folder(None) / "demo" if out is None else out
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConsoleError(f"{folder}: cannot be made ({error.strerror}). Name another folder with --out.") from None
    _writable([folder / name for name in job.files])
    for number in (signal.SIGTERM, signal.SIGHUP):
        # Ended so, too, it takes its processes and its folder with it.
        asyncio.get_running_loop().add_signal_handler(number, asyncio.current_task().cancel)  # type: ignore[union-attr]
    view: View = Plain() if headless or not sys.stdout.isatty() else Screen()
    with tempfile.TemporaryDirectory(prefix="consolewright-") as state, view:
        run = ["run", str(examples() / DESCRIPTION), "--rehearse", "--state", state, "--pace", _pace(pace)]
        async with _process("the daemon", "bridge", *run) as daemon:
            await _ready(daemon)
            async with _process("the core", "bridge.demo.skerry", f"{state}/core.sock"):
                done = await _operate(Operator(Path(state), view.saw, view.say), job, view)
    for name, content in done.results.items():
        (folder / name).write_text(content)
    print(fill(done.words, 80) + "\n")
    for name, what in job.files.items():
        print(f"{what + ':':<24}{folder / name}")


def _writable(results: list[Path]) -> None:
    """Raise ConsoleError now rather than after the job if the results can't be written."""
    for path in results:
        try:
            with path.open("ab"):
                pass
        except OSError as error:
            raise ConsoleError(
                f"{path}: cannot be written ({error.strerror}). Name another folder with --out."
            ) from None


async def _operate(operator: Operator, job: Job, view: View) -> Done:
    """Let the operator work and watch at once; when either ends, both do."""
    work = asyncio.create_task(job.do(operator, view, examples() / "decks"))
    watch = asyncio.create_task(operator.watch())
    try:
        done, _ = await asyncio.wait([work, watch], return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
        return work.result()
    except OSError as error:
        raise ConsoleError(f"The console cannot be reached ({error.strerror}).") from None
    finally:
        for task in (work, watch):
            task.cancel()
        await asyncio.gather(work, watch, return_exceptions=True)
        operator.close()


@asynccontextmanager
async def _process(what: str, module: str, *words: str) -> AsyncIterator[Process]:
    """Run a module of ours in a process of its own, and stop it in the end."""
    process = await asyncio.create_subprocess_exec(sys.executable, "-m", module, *words, stdout=PIPE)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGTERM)
        try:
            await asyncio.wait_for(process.communicate(), STOP_WITHIN)
        except TimeoutError:
            process.kill()
            await process.communicate()
            print(f"{what} did not stop within {STOP_WITHIN:g} seconds and was ended", file=sys.stderr)


async def _ready(daemon: Process) -> None:
    assert daemon.stdout is not None  # noqa: S101 -- it was asked for
    async for line in daemon.stdout:
        if line.startswith(b"ready:"):
            return
    raise ConsoleError("The daemon did not start; what it said is above.")


def _pace(pace: float) -> str:
    return "max" if pace == float("inf") else repr(pace)
