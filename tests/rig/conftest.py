"""One guest for all of the rig's tests, and what goes before and after each."""

from collections.abc import Iterator

import pytest

from tests.rig.console import Console

_times: list[tuple[str, float]] = []


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> None:
    """Let a test restart the guest: then this process has other descriptors than before."""


@pytest.fixture(scope="session")
def prepared() -> Iterator[Console]:
    """A guest with the wheel in a virtual environment, and nothing installed by it yet."""
    console = Console()
    try:
        console.prepare()
        yield console
    finally:
        _times.extend(console.times)
        console.close()


@pytest.fixture(scope="session")
def installed(prepared: Console) -> Console:
    """The guest after an installation and a restart."""
    prepared.install()
    return prepared


@pytest.fixture
def console(installed: Console) -> Iterator[Console]:
    """The console as it is in the morning: everything runs, and no stick is in."""
    installed.settle()
    yield installed
    installed.machine.pull_all()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what the guest itself took."""
    for what, seconds in _times:
        terminalreporter.write_line(f"rig: {what} {seconds:.1f} s")
