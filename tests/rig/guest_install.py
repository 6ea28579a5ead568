"""The installation itself: what it leaves, that twice is once, that USB lives on without it, that nothing of it stays.

Run in this order, in one guest: the last test takes everything away.
"""

import pytest

from tests.rig import sticks
from tests.rig.build import VENV
from tests.rig.console import CLI, CMDLINE, FILE, OTHER, PUNCH, PYTHON, READER, STATE, Console

pytestmark = pytest.mark.xdist_group("install")
CORE = f"--core {VENV}/bin/python /rig/core.py"
WORD = "usbcore.authorized_default=0"


def test_what_it_says_is_what_it_does(installed: Console) -> None:
    said = installed.said
    for path in ("/opt/consolewright", "/etc/consolewright/console.toml", CMDLINE, STATE):
        assert path in said
    assert installed.machine.do(f"grep -c {WORD} {CMDLINE}") == "1"
    assert installed.machine.do("systemctl is-enabled consolewright consolewright-core") == "enabled\nenabled"
    assert installed.machine.do("cmp /srv/builder/panel.toml /etc/consolewright/console.toml") == ""
    # Nothing of it needs what the builder installed it from.
    assert installed.machine.do(f"{CLI} schema | head -c 1") == "{"
    assert "/srv" not in installed.machine.do(f"{PYTHON} -c 'import bridge; print(bridge.__file__)'")


def test_it_is_ready_and_small_at_the_start(console: Console) -> None:
    cursor = console.machine.cursor()
    console.machine.do("systemctl restart consolewright")
    assert "ready: Skerry Mk 2" in console.machine.journal(since=cursor)
    assert console.machine.do("systemctl show -P Type,User consolewright").split() == ["notify", "consolewright"]
    held = console.machine.do("systemctl show -P StatusText consolewright")
    assert "Skerry Mk 2" in held


def test_the_units_are_sound_and_the_sandbox_is_tight(console: Console) -> None:
    """systemd's own judgement: 1.2 of 10 at most for the daemon."""
    units = "consolewright.service consolewright-core.service consolewright-stick@1.service consolewright-usb.service"
    assert console.machine.do(f"systemd-analyze verify {units}") == ""
    exposure = console.machine.do("systemd-analyze security --no-pager consolewright.service | tail -n 1")
    assert float(exposure.split(":")[1].split()[0]) <= 1.2


def test_udev_takes_the_rules_as_they_are_meant(console: Console) -> None:
    console.machine.plug(READER, sticks.fat(console.image(), {"a.deck": b"A\n"}))
    console.until("reader", "ready")
    for device, properties in (
        ("/sys/bus/usb/devices/[0-9]-1", ("CONSOLEWRIGHT_HOPPER=reader", "CONSOLEWRIGHT_VERDICT=accepted")),
        ("/sys/block/sda", ("CONSOLEWRIGHT_HOPPER=reader", "UDISKS_IGNORE=1")),
    ):
        said = console.machine.do(f"udevadm test -a add $(readlink -f $(ls -d {device})) 2>&1")
        assert "rror" not in said.replace("udev_log=err", ""), said
        for one in properties:
            assert one in said, said


def test_installing_again_changes_nothing(console: Console) -> None:
    folders = "/opt/consolewright /etc/consolewright /etc/udev/rules.d /etc/systemd/system"
    listed = f"find {folders} -type f -print0 | sort -z | xargs -0 sha256sum"
    before = console.machine.do(listed)
    pid = console.machine.do("systemctl show -P MainPID consolewright")
    said = console.machine.do(f"{VENV}/bin/consolewright install {FILE} {CORE}", 180)
    assert "nothing" in said.lower()
    assert console.machine.do(listed) == before
    assert console.machine.do(f"grep -c {WORD} {CMDLINE}") == "1"
    assert console.machine.do("systemctl show -P MainPID consolewright") == pid


def test_it_runs_on_a_root_that_cannot_be_written(console: Console) -> None:
    words = console.machine.words
    console.machine.words += " rig.read-only"
    try:
        console.restart()
        assert console.machine.attempt("touch /etc/written")[0]
        console.machine.plug(PUNCH, sticks.fat(console.image()))
        console.until("punch", "ready")
        console.machine.pull_all()
    finally:
        console.machine.words = words
        console.restart()


@pytest.mark.parametrize("port", [READER, OTHER], ids=["reader", "other"])
def test_a_keyboard_that_is_in_when_it_is_switched_on(console: Console, port: int) -> None:
    """The USB host starts before udev here, as on a Pi: a keyboard in a hopper must not work even for that long."""
    console.machine.at_boot.append((port, "usb-kbd"))
    try:
        console.restart()
        typed_on = console.machine.do("dmesg | grep -c 'input: QEMU QEMU USB Keyboard'; true")
        if port == OTHER:
            console.machine.until("grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
        else:
            console.watcher.until("its words", lambda: "pull it out" in console.watcher.states["reader"]["words"], 30)
            assert typed_on == "0"
    finally:
        console.machine.at_boot.clear()
        console.machine.qmp("device_del", id=f"device{port}")


def test_usb_lives_on_when_somebody_deletes_the_rules(console: Console) -> None:
    rules = "/etc/udev/rules.d/65-consolewright-ports.rules"
    console.machine.do(f"mv {rules} /run/kept.rules")
    try:
        for restart in (False, True):
            if restart:
                console.machine.do("mkdir -p /var/tmp/kept && cp /run/kept.rules /var/tmp/kept/")
                console.restart()
            console.machine.until("! grep -q 0 /sys/bus/usb/devices/usb*/authorized_default")
            with console.machine.device(OTHER, "usb-kbd"):
                console.machine.until("grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
            console.machine.until("! grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
        assert "rules" in console.machine.journal("consolewright-usb")
    finally:
        console.machine.do(f"cp /var/tmp/kept/kept.rules {rules} 2>/dev/null || cp /run/kept.rules {rules}")
        console.restart()


def test_removing_it_leaves_nothing(console: Console) -> None:
    console.removed = True
    said = console.machine.do(f"{VENV}/bin/consolewright install --remove", 120)
    assert STATE in said
    found = "find / -xdev -iname '*consolewright*' -not -path '/srv/*' -not -path '/var/log/*'"
    assert console.machine.do(f"{found}; ls -d /run/consolewright* 2>/dev/null; true") == ""
    assert console.machine.do("getent passwd consolewright consolewright-core; getent group consolewright; true") == ""
    assert console.machine.do(f"grep -c {WORD} {CMDLINE}; true") == "0"
    assert "0" not in console.machine.do("cat /sys/bus/usb/devices/usb*/authorized_default").split()
    with console.machine.device(READER, "usb-kbd"):
        console.machine.until("grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
