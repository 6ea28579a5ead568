"""What every test is held to: it leaves no thread, child process, descriptor or unfinished task behind."""

import asyncio
import os
import threading
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# The same cases in every run and no deadline: a test's verdict depends neither on luck nor on the speed of the machine.
settings.register_profile("house", derandomize=True, deadline=None, database=None)
settings.load_profile("house")

_failed = pytest.StashKey[bool]()
_abandoned: list[str] = []
Close = Callable[[Any], None]


def _noting_tasks(close: Close, loop_of: Callable[[Any], asyncio.AbstractEventLoop]) -> Close:
    """Return `close`, taking down first the tasks still pending on its loop: a runner cancels them without a word."""

    def closing(self: Any) -> None:
        try:
            pending = asyncio.all_tasks(loop_of(self))
        except RuntimeError:  # closed already
            pending = set()
        _abandoned.extend(f"task {task.get_name()}: {task.get_coro()}" for task in pending)
        close(self)

    return closing


def pytest_configure() -> None:
    asyncio.Runner.close = _noting_tasks(asyncio.Runner.close, asyncio.Runner.get_loop)  # type: ignore[assignment,method-assign]
    asyncio.BaseEventLoop.close = _noting_tasks(asyncio.BaseEventLoop.close, lambda loop: loop)  # type: ignore[assignment,method-assign]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    item.stash[_failed] = item.stash.get(_failed, False) or report.failed
    return report


@pytest.fixture(autouse=True)
def _nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    _abandoned.clear()
    threads, children, descriptors = set(threading.enumerate()), _children(), _descriptors()
    yield
    if request.node.stash.get(_failed, False):
        return  # its traceback keeps alive what it would have closed
    left = [f"thread {thread.name}" for thread in threading.enumerate() if thread not in threads]
    left += [f"child process {pid}: {name}" for pid, name in _children().items() if pid not in children]
    left += [f"descriptor {fd}: {target}" for fd, target in _descriptors() - descriptors]
    left += _abandoned
    if left:
        pytest.fail("the test left behind: " + "; ".join(left), pytrace=False)


def _children() -> dict[int, str]:
    """Return this process's children and their names, zombies too."""
    try:
        os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    except ChildProcessError:  # the usual case costs one call
        return {}
    found = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            head, _, tail = stat.read_text().rpartition(")")
        except OSError:  # gone meanwhile
            continue
        if int(tail.split()[1]) == os.getpid():
            pid, _, name = head.partition(" (")
            found[int(pid)] = name
    return found


def _descriptors() -> set[tuple[str, str]]:
    """Return the open descriptors with what each leads to."""
    found = set()
    for fd in os.listdir("/proc/self/fd"):  # noqa: PTH208 - as names, three times as fast
        try:
            found.add((fd, os.readlink(f"/proc/self/fd/{fd}")))  # noqa: PTH115
        except FileNotFoundError:  # the one that read the folder
            continue
    return found
