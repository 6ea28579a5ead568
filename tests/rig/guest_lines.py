"""Lines and chips that the kernel has twins for, by the same code as on a board.

What is compared with: what the kernel's own files and i2c-tools say of the lines and registers.
"""

import pytest

from tests.rig.build import VENV
from tests.rig.console import Console

LINES = "/sys/devices/platform/gpio-sim.0/gpiochip0"


def lamps(console: Console, closed: str) -> None:
    """Have the core light these lamps of the cabinet and the doors, and no others."""
    console.core(f"lamps {closed}")


def register(console: Console, chip: int, number: int) -> int:
    """Return a register of a chip, as i2c-tools read it."""
    return int(console.machine.do(f"i2cget -y 1 {chip:#04x} {number:#04x}"), 16)


def test_a_lamp_on_a_line_of_the_board_is_lit_and_goes_out(console: Console) -> None:
    lamps(console, "DOOR.1")
    console.machine.until(f"[ $(cat {LINES}/sim_gpio13/value)$(cat {LINES}/sim_gpio12/value) = 10 ]")
    lamps(console, "DOOR.0")
    console.machine.until(f"[ $(cat {LINES}/sim_gpio13/value)$(cat {LINES}/sim_gpio12/value) = 01 ]")


def test_a_dimmed_lamp_on_an_i2c_chip_has_its_registers(console: Console) -> None:
    """NXP PCA9685 data sheet: bit 4 of LEDn_ON_H is full on, of LEDn_OFF_H full off; MODE1 0x20 increments."""
    lamps(console, "CABINET.15")
    full_on = "[ $(i2cget -y 1 0x40 0x43) = 0x10 ]"
    console.machine.until(full_on)
    assert register(console, 0x40, 0x00) & 0x30 == 0x20  # awake, and a block fills successive registers
    assert register(console, 0x40, 0x09) == 0x10  # channel 0 is off altogether
    lamps(console, "")
    console.machine.until("[ $(i2cget -y 1 0x40 0x45) = 0x10 ]")


def test_a_chip_that_lost_its_settings_is_set_up_again(console: Console) -> None:
    lamps(console, "CABINET.0")
    told = len(console.watcher.history)
    console.machine.do("i2cset -y 1 0x40 0x00 0x11")
    console.until("cabinet lamps", "upset", since=told)
    console.until("cabinet lamps", "ready", since=told)
    assert register(console, 0x40, 0x00) & 0x30 == 0x20


@pytest.mark.parametrize("line", [True, False], ids=["lines", "expander"])
def test_a_key_is_seen_however_it_is_wired(console: Console, line: bool) -> None:
    name = "DOOR KEY" if line else "CABINET KEY"
    # Closed contacts pull to ground.
    close = f"echo pull-down >{LINES}/sim_gpio16/pull" if line else "i2cset -y 1 0x20 0x12 0xfe"
    open_ = f"echo pull-up >{LINES}/sim_gpio16/pull" if line else "i2cset -y 1 0x20 0x12 0xff"
    for act, closed in ((close, True), (open_, False)):
        console.machine.do(act)
        console.watcher.until(f"{name} {closed}", lambda closed=closed: console.watcher.keys.get(name) is closed, 20)  # type: ignore[misc]


def test_after_the_daemon_its_lamps_are_dark(console: Console) -> None:
    lamps(console, "CABINET.0 CABINET.15 DOOR.0")
    console.machine.until("[ $(i2cget -y 1 0x40 0x07) = 0x10 ]")
    # The core must not light them again before it was looked at.
    console.machine.do(
        "systemctl stop consolewright-core --no-block; kill -KILL $(systemctl show -P MainPID consolewright)"
    )
    console.machine.until(f"[ $(i2cget -y 1 0x40 0x09)$(cat {LINES}/sim_gpio12/value) = 0x100 ]")


def test_the_builders_bench_command_says_what_is_wrong(console: Console) -> None:
    """While the service has the lines nobody else can: that is said, with what to do."""
    status, said = console.machine.attempt(f"{VENV}/bin/consolewright run /srv/builder/panel.toml --state /run/second")
    assert status == 2
    assert "Another program may hold it" in said
