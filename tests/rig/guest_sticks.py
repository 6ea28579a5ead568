"""What visitors put into a hopper's port: sticks of every kind and state, and things that are no sticks."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.rig import sticks
from tests.rig.console import GADGET, OTHER, PUNCH, READER, Console
from tests.rig.guest_punch import cards, settle_spool
from tests.rig.machine import Fault

DECK = {"tide.deck": b"A CARD\nANOTHER\n"}
REFUSED = "pull it out"


def keyboards(console: Console) -> int:
    """Return how many input devices there are that came by USB."""
    return int(console.machine.do("ls -d /sys/class/input/input*/device/../../../../usb* 2>/dev/null | wc -l"))


def readable(console: Console, make: Callable[[Path], Path]) -> str:
    """Put a stick into the reader and return what the reader says once it is ready."""
    console.machine.plug(READER, make(console.image()))
    return console.until("reader", "ready")


@pytest.mark.parametrize("kind", ["FAT", "partitioned", "exFAT"])
def test_decks_are_found_on_every_kind_of_stick_that_is_taken(console: Console, kind: str) -> None:
    make: Callable[[Path], Path] = {
        "FAT": lambda image: sticks.fat(image, DECK),
        "partitioned": lambda image: sticks.partitioned(image, DECK),
        "exFAT": lambda image: console.make_exfat(image, DECK),
    }[kind]
    assert "2 cards" in readable(console, make)
    options = console.machine.do("grep /run/consolewright-sticks/reader /proc/mounts").split()[3].split(",")
    assert {"ro", "nosuid", "nodev", "noexec", "nosymfollow"} <= set(options)
    # Whoever is not of the console reads none of it.
    assert console.machine.attempt("setpriv --reuid=nobody --clear-groups ls /run/consolewright-sticks/reader")[0]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (sticks.ext4, "formatted ext4"),
        (sticks.blank, "not formatted"),
        (lambda image: sticks.damaged(image, DECK), "damaged"),
    ],
    ids=["ext4", "unformatted", "corrupted"],
)
def test_a_stick_that_cannot_be_read_says_why_and_the_next_one_is_read(
    console: Console, make: Callable[[Path], Path], words: str
) -> None:
    told = len(console.watcher.history)
    stick = console.machine.plug(READER, make(console.image()))
    console.watcher.until(
        words,
        lambda: any(one["name"] == "reader" and words in one["words"] for one in console.watcher.history[told:]),
    )
    console.machine.pull(stick)
    assert "2 cards" in readable(console, lambda image: sticks.fat(image, DECK))


@pytest.mark.parametrize(
    ("make", "fault", "words"),
    [(sticks.full, None, "no blank cards"), (sticks.protected, None, "protected"), (sticks.fat, "failing", "")],
    ids=["full", "write-protected", "failing"],
)
def test_what_one_stick_does_not_take_the_next_one_gets(
    console: Console, make: Callable[[Path], Path], fault: Fault | None, words: str
) -> None:
    settle_spool(console)
    first = console.punching()
    bad = make(console.image())
    told = len(console.watcher.history)
    stick = console.machine.plug(PUNCH, bad, fault=fault)
    console.watcher.until(
        f"a word about a stick: {words}",
        lambda: any(
            one["name"] == "punch" and one["state"] in {"not-ready", "empty", "check"} and words in one["words"]
            and "no stick" not in one["words"] and "looking" not in one["words"]
            for one in console.watcher.history[told:]
        ),
    )  # fmt: skip
    console.machine.pull(stick)
    console.until("punch", "not-ready")
    good = sticks.fat(console.image())
    console.machine.plug(PUNCH, good)
    console.until_safe(max(console.safe, first - 1) + 3)
    console.machine.do("systemctl stop consolewright-core")
    console.until("punch", "ready")
    console.machine.pull_all()
    punched = cards({} if fault else sticks.files(bad)) + cards(sticks.files(good))
    assert punched == list(range(first, first + len(punched)))


def test_a_slow_stick_is_waited_for(console: Console) -> None:
    settle_spool(console)
    first = console.punching()
    image = sticks.fat(console.image())
    console.machine.plug(PUNCH, image, fault="slow")
    console.until_safe(first + 2)
    console.machine.do("systemctl stop consolewright-core")
    console.until("punch", "ready")
    console.machine.pull_all()
    assert cards(sticks.files(image))[:3] == [first, first + 1, first + 2]


def test_a_stick_put_in_anew_is_seen_though_the_old_mount_is_still_held(console: Console) -> None:
    stick = console.machine.plug(READER, sticks.fat(console.image(), DECK))
    console.until("reader", "ready")
    console.machine.do("(cd /run/consolewright-sticks/reader && exec 3<tide.deck && sleep 60) >/dev/null 2>&1 &")
    console.machine.pull(stick)
    console.until("reader", "not-ready")
    assert "1 card" in readable(console, lambda image: sticks.fat(image, {"other.deck": b"ONE\n"}))


@pytest.mark.parametrize("driver", ["usb-kbd", "usb-net", "usb-hub"])
def test_what_is_no_stick_gets_no_driver_on_a_hopper_port(console: Console, driver: str) -> None:
    inputs = console.machine.do("ls /sys/class/input; ls /sys/class/net")
    more = {"netdev": "none"} if driver == "usb-net" else {}
    if more:
        console.machine.qmp("netdev_add", type="user", id="none", restrict=True)
    try:
        with console.machine.device(READER, driver, **more):
            console.watcher.until(REFUSED, lambda: REFUSED in console.watcher.states["reader"]["words"])
            where = console.machine.do("grep -l 1 /sys/bus/usb/devices/1-1/authorized || echo none")
            assert where == "none"
            if driver == "usb-kbd":
                for _ in range(20):
                    console.machine.qmp("send-key", keys=[{"type": "qcode", "data": "a"}])
            assert console.machine.do("ls /sys/class/input; ls /sys/class/net") == inputs
            assert console.machine.do("ls -d /sys/bus/usb/devices/1-1:* 2>/dev/null; true") == ""
        console.watcher.until("nothing in the port", lambda: REFUSED not in console.watcher.states["reader"]["words"])
    finally:
        if more:
            console.machine.qmp("netdev_del", id="none")


def test_a_stick_that_is_a_keyboard_too_gets_no_driver(console: Console) -> None:
    assert GADGET in console.description()
    console.machine.do("mkfs.vfat -C /run/gadget.img 8192 >/dev/null")
    inputs = console.machine.do("ls /sys/class/input; lsblk -n -o NAME")
    try:
        # The port takes a stick …
        console.machine.do("sh /rig/gadget storage /run/gadget.img")
        console.until("reader", "empty")
        console.machine.do("sh /rig/gadget none")
        console.until("reader", "not-ready")
        # … and not the same with a keyboard in it.
        console.machine.do("sh /rig/gadget storage+keyboard /run/gadget.img")
        console.watcher.until(REFUSED, lambda: REFUSED in console.watcher.states["reader"]["words"])
        assert console.machine.do("ls /sys/class/input; lsblk -n -o NAME") == inputs
    finally:
        console.machine.do("sh /rig/gadget none")


def test_other_ports_are_as_before(console: Console) -> None:
    with console.machine.device(OTHER, "usb-kbd"):
        console.machine.until("grep -q QEMU.USB.Keyboard /proc/bus/input/devices")
    console.machine.plug(OTHER, sticks.fat(console.image(), DECK))
    console.machine.until("lsblk -n -o TRAN | grep usb")
    assert console.machine.do("grep -c consolewright-sticks /proc/mounts; true") == "0"
