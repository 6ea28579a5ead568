"""Things that die, hang or are pulled while the console runs: what must come back, and what must go on."""

import pytest

from tests.rig import sticks
from tests.rig.console import PUNCH, PYTHON, Console
from tests.rig.guest_punch import cards, settle_spool

MAIN = "$(systemctl show -P MainPID consolewright)"
WATCHDOG = 90
"""Seconds in which a hung daemon is ended and another one is ready: the unit's ten, and what a busy machine takes."""


def restarts(console: Console, unit: str = "consolewright") -> int:
    """Return how often systemd has started a unit anew."""
    return int(console.machine.do(f"systemctl show -P NRestarts {unit}"))


def bites(console: Console) -> int:
    """Return how often the watchdog has bitten."""
    return int(console.machine.do("journalctl -q -b --no-pager -u consolewright | grep -c 'Watchdog timeout'; true"))


@pytest.mark.parametrize("killed", ["daemon", "worker"])
def test_a_killed_process_of_ours_costs_no_card(console: Console, killed: str) -> None:
    settle_spool(console)
    first = console.punching()
    image = sticks.fat(console.image())
    console.machine.plug(PUNCH, image)
    console.until_safe(first + 4)
    before = restarts(console)
    if killed == "daemon":
        console.machine.do(f"kill -KILL {MAIN}")
    else:
        console.machine.do(f"pkill -KILL -P {MAIN} -f bridge.sticks.child")
    console.until_safe(console.safe + 4)
    console.machine.do("systemctl stop consolewright-core")
    console.until("punch", "ready")
    assert restarts(console) - before == (killed == "daemon")
    console.machine.pull_all()
    on_it = cards(sticks.files(image))
    assert on_it == list(range(first, first + len(on_it)))
    assert on_it[-1] >= console.safe


def test_a_killed_core_is_started_again_and_never_twice(console: Console) -> None:
    console.core("skerry")
    told = len(console.watcher.history)
    before = restarts(console, "consolewright-core")
    console.machine.do("kill -KILL $(systemctl show -P MainPID consolewright-core)")
    console.until("core", "absent", since=told)
    console.until("core", "linked", since=told)
    assert restarts(console, "consolewright-core") == before + 1
    console.machine.do("systemctl start consolewright-core; systemctl restart consolewright")
    console.machine.until("systemctl is-active consolewright-core")
    assert console.machine.do("pgrep -c -f core.py") == "1"


def test_the_watchdog_restarts_a_daemon_whose_main_loop_hangs(console: Console) -> None:
    before, bitten = restarts(console), bites(console)
    told = len(console.watcher.history)
    console.machine.do(f"kill -STOP {MAIN}")
    console.until("core", "linked", WATCHDOG, since=told)
    assert restarts(console) == before + 1
    assert bites(console) == bitten + 1


def test_the_watchdog_restarts_a_daemon_one_of_whose_buses_hangs(console: Console) -> None:
    before, bitten = restarts(console), bites(console)
    told = len(console.watcher.history)
    console.machine.do(f"{PYTHON} /rig/hold_thread.py {MAIN} {WATCHDOG} >/dev/null 2>&1 &")
    console.until("core", "linked", WATCHDOG, since=told)
    assert restarts(console) == before + 1
    assert bites(console) == bitten + 1


def test_a_typewriter_that_is_unplugged_in_mid_line_goes_on_when_it_is_back(console: Console) -> None:
    """The core types a line without end; what it was credited is typed, but for the few characters on the wire."""
    above = len(console.typewriter.came)
    console.core("type")
    console.typewriter.until(lambda came: len(came) > above + 200)
    before = console.typewriter.came[above:]
    console.pull_typewriter()
    console.until("typewriter", "not-ready")
    told = len(console.watcher.history)
    console.plug_typewriter()
    console.until("typewriter", "ready", since=told)
    after = console.typewriter.until(lambda came: len(came) > 200)
    # The line says where it is: numbers of four digits.
    missing = int(after.split()[1]) - int(before.split()[-2])
    assert 1 <= missing <= 4
