"""The installation itself: what it leaves, that twice is once, that USB lives on without it, that nothing of it stays.

Run in this order, in one guest: switching it off and on takes so long that tests share it, and the last one takes
everything away.
"""

from tests.rig import sticks
from tests.rig.build import VENV
from tests.rig.console import CLI, CMDLINE, FILE, OTHER, PUNCH, PYTHON, READER, STATE, Console

CORE = f"--core {VENV}/bin/python /rig/core.py"
RULES = "/etc/udev/rules.d/65-consolewright-ports.rules"
INPUTS = "/proc/bus/input/devices"
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


def test_a_root_that_cannot_be_written_and_keyboards_that_are_in_when_it_is_switched_on(console: Console) -> None:
    """The USB host starts before udev here, as on a Pi: a keyboard in a hopper must not work even for that long."""
    machine = console.machine
    words = machine.words
    machine.words += " rig.read-only"
    machine.at_boot += [(READER, "usb-kbd"), (OTHER, "usb-kbd")]
    try:
        console.restart()
        assert machine.attempt("touch /etc/written")[0]
        machine.plug(PUNCH, sticks.fat(console.image()))
        console.until("punch", "ready")
        machine.pull_all()

        console.watcher.until("its words", lambda: "pull it out" in console.watcher.states["reader"]["words"])
        machine.until(f"grep -q QEMU.USB.Keyboard {INPUTS}")
        assert machine.do(f"grep -c QEMU.USB.Keyboard {INPUTS}") == "1"
        # Not even for the moment before the rules were heeded.
        assert machine.do("dmesg | grep -c 'input: QEMU QEMU USB Keyboard'") == "1"
        assert f"-{OTHER}/" in machine.do(f"grep -A 3 QEMU.USB.Keyboard {INPUTS} | grep Sysfs")
    finally:
        machine.words = words
        machine.at_boot.clear()


def test_usb_lives_on_when_somebody_deletes_the_rules_and_installing_again_mends_it(console: Console) -> None:
    """Comes after a start with keyboards in, on a root that cannot be written: now it is started as ever."""
    machine = console.machine
    console.restart()
    for restart in (False, True):
        if restart:
            console.restart()
        else:
            machine.do(f"rm {RULES}")
        machine.until("! grep -q 0 /sys/bus/usb/devices/usb*/authorized_default")
        with machine.device(OTHER, "usb-kbd"):
            machine.until(f"grep -q QEMU.USB.Keyboard {INPUTS}")
        machine.until(f"! grep -q QEMU.USB.Keyboard {INPUTS}")
    assert "rules" in machine.journal("consolewright-usb")
    said = machine.do(f"{VENV}/bin/consolewright install {FILE} {CORE}", 300)
    assert f"write {RULES}" in said
    with machine.device(READER, "usb-kbd"):
        console.watcher.until("its words", lambda: "pull it out" in console.watcher.states["reader"]["words"])
        assert machine.do(f"grep -c QEMU.USB.Keyboard {INPUTS}; true") == "0"


def test_installing_again_changes_nothing(console: Console) -> None:
    folders = "/opt/consolewright /etc/consolewright /etc/udev/rules.d /etc/systemd/system"
    state = f"find {folders} -type f -print0 | sort -z | xargs -0 stat -c '%n %s %y'; grep -c {WORD} {CMDLINE}"
    state += "; systemctl show -P MainPID consolewright consolewright-core"
    before = console.machine.do(state)
    said = console.machine.do(f"{VENV}/bin/consolewright install {FILE} {CORE}", 300)
    assert said.endswith("there is nothing to do.")
    assert console.machine.do(state) == before


def test_removing_it_leaves_nothing(console: Console) -> None:
    said = console.machine.do(f"{VENV}/bin/consolewright install --remove", 120)
    assert STATE in said
    found = "find / -xdev -iname '*consolewright*' -not -path '/srv/*' -not -path '/var/log/*'"
    assert console.machine.do(f"{found}; ls -d /run/consolewright* 2>/dev/null; true") == ""
    assert console.machine.do("getent passwd consolewright consolewright-core; getent group consolewright; true") == ""
    assert console.machine.do(f"grep -c {WORD} {CMDLINE}; true") == "0"
    assert "0" not in console.machine.do("cat /sys/bus/usb/devices/usb*/authorized_default").split()
    with console.machine.device(READER, "usb-kbd"):
        console.machine.until("grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
