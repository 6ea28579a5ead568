"""`consolewright demo`: a daemon and a core, each in a process of its own, and a simulated operator do a whole job."""

import asyncio
import json
import shutil
import signal
import sys
import tempfile
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from bridge.daemon.state import state_folder
from bridge.demo.operator import FULL, Operator
from bridge.demo.screen import Plain, Screen, View
from bridge.errors import ConsoleError
from bridge.files import examples

DESCRIPTION = "skerry.toml"
LOADER, PROGRAM, CONSTANTS = "loader.deck", "tide.deck", "gannet-bay.deck"
TYPED, PUNCHED, LAMPS = "typed.txt", "punched.deck", "lamps.json"
STOP_WITHIN = 5.0


async def demo(*, headless: bool, pace: float, out: Path | None) -> None:
    """Run the job from deck to typed page and leave typed.txt, punched.deck and lamps.json in `out`.

    The lamps are those of the moment when the machine halted. Raises ConsoleError when anything gets in the way.
    """
    results = state_folder(None) / "demo" if out is None else out
    try:
        results.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConsoleError(f"{results}: cannot be made ({error.strerror}). Name another folder with --out.") from None
    _writable(results)
    for number in (signal.SIGTERM, signal.SIGHUP):
        # Ended so, too, it takes its processes and its folder with it.
        asyncio.get_running_loop().add_signal_handler(number, asyncio.current_task().cancel)  # type: ignore[union-attr]
    view: View = Plain() if headless or not sys.stdout.isatty() else Screen()
    with tempfile.TemporaryDirectory(prefix="consolewright-") as folder, view:
        state = Path(folder)
        run = ["run", str(examples() / DESCRIPTION), "--rehearse", "--state", folder, "--pace", _pace(pace)]
        async with _process("the daemon", "bridge", *run) as daemon:
            await _ready(daemon)
            async with _process("the core", "bridge.demo.skerry", str(state / "core.sock")):
                await _operate(state, view, results)
    for name in (TYPED, PUNCHED, LAMPS):
        print(results / name)


def _writable(results: Path) -> None:
    """Raise ConsoleError now rather than after the job if the results can't be written."""
    for name in (TYPED, PUNCHED, LAMPS):
        try:
            with (results / name).open("ab"):
                pass
        except OSError as error:
            raise ConsoleError(
                f"{results / name}: cannot be written ({error.strerror}). Name another folder with --out."
            ) from None


async def _operate(state: Path, view: View, results: Path) -> None:
    operator = Operator(state, view.saw)
    job = asyncio.create_task(_job(operator, state, view, results))
    watch = asyncio.create_task(operator.watch())
    try:
        done, _ = await asyncio.wait([job, watch], return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    except OSError as error:
        raise ConsoleError(f"The console cannot be reached ({error.strerror}).") from None
    finally:
        for task in (job, watch):
            task.cancel()
        await asyncio.gather(job, watch, return_exceptions=True)
        operator.close()


async def _job(operator: Operator, state: Path, view: View, results: Path) -> None:
    """Do what a person would do at the console."""
    decks = examples() / "decks"
    await operator.until("the emulator", lambda: operator.devices.get("core", {}).get("state") == "linked")
    view.say("Selector to A, the loader into the reader, LOAD pressed.")
    await operator.throw("SELECT.A")
    await operator.put(decks / LOADER)
    await operator.until("the loader in the reader", lambda: operator.devices["reader"]["state"] == "ready")
    await operator.press("LOAD")
    await operator.read_through(LOADER)
    view.say("The tide program follows.")
    await operator.put(decks / PROGRAM)
    await operator.read_through(PROGRAM)
    view.say("The constants of Gannet Bay follow.")
    await operator.put(decks / CONSTANTS)
    await operator.read_through(CONSTANTS)
    view.say("The machine computes, types and punches the heights of three days.")
    await operator.until("the machine to halt", lambda: operator.lamps.get("STOPPED") == FULL)
    # Its lamps still glow and fade for a moment; then each is fully lit or out.
    await operator.until("the lamps to settle", lambda: set(operator.lamps.values()) <= {0, FULL})
    lamps = (await operator.ask(do="lamps"))["lamps"]
    page = await operator.page()
    view.page(page)
    decks_punched = sorted((state / "punch").glob("*.deck"))
    if not decks_punched:
        raise ConsoleError("The machine halted without punching a card.")
    (results / LAMPS).write_text(json.dumps(lamps, indent=1) + "\n")
    (results / TYPED).write_text("".join(line + "\n" for line in page))
    shutil.copyfile(decks_punched[-1], results / PUNCHED)


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
