import asyncio
import errno
import mmap
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.sticks import process
from bridge.sticks.parcel import TooLargeError
from bridge.sticks.worker import Worker
from tests.sticks import calls

SHORT = 0.1
"""Patience in tests of stalling. Where the machine is so busy that a sound process gets no turn, they try again."""


def run(scenario: Callable[[Worker], Coroutine[Any, Any, None]], **settings: float) -> None:
    async def main() -> None:
        worker = Worker(**settings)
        try:
            await scenario(worker)
        finally:
            await worker.close()

    asyncio.run(main())


async def answers(worker: Worker) -> int:
    """Return the process that answers, however long it takes to be ready."""
    while True:
        try:
            return await worker(os.getpid)
        except TimeoutError:
            await asyncio.sleep(0)


@pytest.fixture
def fifo(tmp_path: Path) -> Path:
    os.mkfifo(tmp_path / "fifo")
    return tmp_path / "fifo"


def test_calls_run_in_one_other_process_in_turn() -> None:
    async def scenario(worker: Worker) -> None:
        pids = await asyncio.gather(*(worker(os.getpid) for _ in range(5)))
        assert set(pids) == {worker.pid}
        assert worker.pid != os.getpid()
        assert await worker(os.fspath, Path("/a")) == "/a"
        assert await worker(calls.signals) == [True, True, True]

    run(scenario)


def test_errors_come_back_as_they_were_with_where_they_came_from() -> None:
    async def scenario(worker: Worker) -> None:
        with pytest.raises(PermissionError) as denied:
            await worker(calls.fail, errno.EACCES)
        assert (denied.value.errno, denied.value.filename) == (errno.EACCES, "a.deck")
        with pytest.raises(ZeroDivisionError) as fault:
            await worker(calls.fault)
        assert "in fault" in fault.value.__notes__[0]
        with pytest.raises(RuntimeError, match="OddError: ab"):
            await worker(calls.odd_fault)
        with pytest.raises(TooLargeError, match="too many at once"):
            await worker(calls.text, 1_000_000)
        with pytest.raises((AttributeError, TypeError), match=r"pickle|local object"):
            await worker(calls.function_of_its_own)
        assert await worker(calls.text, 3) == "xxx"

    run(scenario)


def test_what_cannot_be_sent_is_told_to_whoever_called_it() -> None:
    async def scenario(worker: Worker) -> None:
        with pytest.raises(TooLargeError, match="too many at once"):
            await worker(len, "x" * 1_000_000)
        with pytest.raises((AttributeError, TypeError), match=r"pickle|local object"):
            await worker(lambda: None)
        assert await worker(len, "abc") == 3

    run(scenario)


def test_a_large_array_arrives_without_being_copied() -> None:
    async def scenario(worker: Worker) -> None:
        array = await worker(calls.ones, 8_000_000)
        base: Any = array
        while isinstance(base, np.ndarray):
            base = base.base
        assert isinstance(base.obj, mmap.mmap)
        assert array.dtype == np.uint16
        assert array.sum() == 8_000_000
        assert (await worker(calls.ones, 0)).tolist() == []

    run(scenario)


def test_a_call_that_hangs_stalls_the_worker_until_it_returns(fifo: Path) -> None:
    async def scenario(worker: Worker) -> None:
        pid = await answers(worker)
        hanging, behind = (asyncio.ensure_future(one) for one in (worker(calls.hang, fifo), worker(os.getpid)))
        for one in (hanging, behind, worker(os.getpid)):
            with pytest.raises(TimeoutError) as stalled:
                await one
            assert stalled.value.errno == errno.ETIMEDOUT
        fifo.write_text("late")
        assert await answers(worker) == pid
        assert worker.abandoned == 0

    run(scenario, patience=SHORT)


def test_pulling_the_stick_frees_a_worker_that_hangs(fifo: Path) -> None:
    async def scenario(worker: Worker) -> None:
        pid = await answers(worker)
        with pytest.raises(TimeoutError):
            await worker(calls.hang, fifo)
        worker.pulled()
        assert await answers(worker) != pid
        assert worker.abandoned == 1

    run(scenario, patience=SHORT)


def test_a_call_that_turns_out_to_hang_after_the_stick_was_pulled_is_given_up(fifo: Path) -> None:
    async def scenario(worker: Worker) -> None:
        pid = await answers(worker)
        hanging = asyncio.ensure_future(worker(calls.hang, fifo))
        await asyncio.sleep(0)
        worker.pulled()
        with pytest.raises(TimeoutError):
            await hanging
        assert await answers(worker) != pid
        assert worker.abandoned == 1

    run(scenario, patience=SHORT)


def test_a_call_made_after_the_pull_is_not_given_up_for_it(fifo: Path) -> None:
    async def scenario(worker: Worker) -> None:
        done = asyncio.ensure_future(worker(os.getpid))
        await asyncio.sleep(0)
        worker.pulled()
        pid = await done
        worker._patience = SHORT
        with pytest.raises(TimeoutError):
            await worker(calls.hang, fifo)
        assert (worker.pid, worker.abandoned) == (pid, 0)
        worker.pulled()

    run(scenario)


def test_work_is_not_taken_for_hanging_however_long(tmp_path: Path) -> None:
    async def scenario(worker: Worker) -> None:
        await worker(os.getpid)
        working = asyncio.ensure_future(worker(calls.work, tmp_path / "enough"))
        await asyncio.sleep(0)
        assert worker._process is not None
        for _ in range(3):
            while process.progress(worker._process) == worker._ran:  # noqa: ASYNC110 -- another process's
                await asyncio.sleep(0)
            worker._look()
        assert not working.done()
        (tmp_path / "enough").touch()
        await working

    run(scenario)


def test_a_process_that_dies_is_replaced_after_a_rest_or_when_the_stick_is_pulled() -> None:
    async def scenario(worker: Worker) -> None:
        with pytest.raises(ConnectionResetError):
            await worker(calls.die)
        with pytest.raises(ConnectionResetError):
            await worker(os.getpid)
        worker.pulled()
        pid = await worker(os.getpid)
        worker._rest = 0.0
        os.kill(pid, signal.SIGKILL)
        with pytest.raises(ConnectionResetError):
            await worker(calls.hang, Path("/nowhere"))
        assert await worker(os.getpid) != pid
        assert worker.abandoned == 0

    run(scenario)


def test_an_answer_nobody_waits_for_any_more_is_dropped() -> None:
    async def scenario(worker: Worker) -> None:
        waiting = asyncio.ensure_future(worker(os.fspath, "/a"))
        await asyncio.sleep(0)
        waiting.cancel()
        assert await worker(os.fspath, "/b") == "/b"

    run(scenario)


def test_closing_lets_a_running_call_finish(tmp_path: Path) -> None:
    async def scenario(worker: Worker) -> None:
        await answers(worker)
        waiting = asyncio.ensure_future(worker(Path.touch, tmp_path / "written"))
        await asyncio.sleep(0)
        await worker.close()
        assert (tmp_path / "written").exists()
        with pytest.raises(ConnectionResetError):
            await waiting
        with pytest.raises(ConnectionResetError):
            await worker(os.getpid)

    run(scenario)


def test_closing_ends_one_that_hangs(fifo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def scenario(worker: Worker) -> None:
        await answers(worker)
        monkeypatch.setattr("bridge.sticks.process.GRACE", 0.05)
        waiting = asyncio.ensure_future(worker(calls.hang, fifo))
        await asyncio.sleep(0)
        pid = worker.pid or 0
        await worker.close()
        with pytest.raises(ConnectionResetError):
            await waiting
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)

    run(scenario)


DAEMON = """
import asyncio, os
from bridge.sticks.worker import Worker
async def main():
    worker = Worker()
    print(await worker(os.getpid), flush=True)
    os.kill(os.getpid(), 9)
asyncio.run(main())
"""


def test_no_process_outlives_a_daemon_that_was_killed() -> None:
    daemon = subprocess.run([sys.executable, "-c", DAEMON], stdout=subprocess.PIPE, text=True, check=False)
    assert daemon.returncode == -signal.SIGKILL
    pid = int(daemon.stdout)
    # It is nobody's child of ours to wait for: its descriptor tells when it is over.
    try:
        over = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    assert select.select([over], [], [], 30)[0]
    os.close(over)
