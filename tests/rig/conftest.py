"""One guest for all of the rig's tests, a copy of the one in which it was installed."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.rig.console import INSTALLED, Console


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> None:
    """Let a test restart the guest: then this process has other descriptors than before."""


@pytest.fixture(scope="session")
def installed() -> Iterator[Console]:
    """The guest after an installation and a restart."""
    console = Console.switched_on(Path(os.environ[INSTALLED]))
    try:
        yield console
    finally:
        console.close()


@pytest.fixture
def console(installed: Console) -> Iterator[Console]:
    """The console as it is in the morning: everything runs, and no stick is in."""
    installed.settle()
    yield installed
    installed.machine.pull_all()


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Say at once what failed: the whole run takes long."""
    if report.failed:
        print(f"\n{report.longreprtext}", flush=True)
