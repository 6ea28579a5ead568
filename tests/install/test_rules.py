"""udev itself reads the rules in the rig only; here they are held to what it asks of a file of rules."""

import re
from collections.abc import Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from bridge.files import units
from bridge.install.rules import MARKER, expand, in_the_way

SYSTEMD = units()
PORTS_RULES = SYSTEMD / "65-consolewright-ports.rules"
STICKS_RULES = SYSTEMD / "66-consolewright-sticks.rules"
TEMPLATES = (PORTS_RULES, STICKS_RULES)

PORTS: Mapping[str, Sequence[str]] = {
    "reader": ["platform-3f980000.usb-usb-0:1.2"],
    "punch": ["platform-xhci-hcd.0-usbv3-0:1", "platform-xhci-hcd.0-usbv2-0:2"],
}

# source: udev(7): KEY{attribute}, operator, a value in double quotes; the operators of 252
TERM = re.compile(r'([A-Z_]+)(?:\{([^}]+)\})?(==|!=|\+=|-=|:=|=)"((?:[^"\\]|\\.)*)"')


def rules(text: str) -> Iterator[list[tuple[str, str, str, str]]]:
    """Return the terms of each rule; fails on what is none."""
    for line in text.splitlines():
        if not line.strip() or line.startswith("#"):
            continue
        terms = [TERM.fullmatch(term.strip()) for term in re.split(r",\s+(?=[A-Z])", line)]
        assert all(terms), line
        yield [(term[1], term[2] or "", term[3], term[4]) for term in terms if term]


def matches(pattern: str, value: str) -> bool:
    # source: udev(7): shell patterns, "|" between alternatives
    return any(fnmatchcase(value, one) for one in pattern.split("|"))


def judge(text: str, device: Mapping[str, str]) -> dict[str, str]:
    """Return what the rules make of a device, its facts named as in rules; a small udev of our own."""
    state = dict(device)
    label = ""
    for terms in rules(text):
        if label:
            label = "" if ("LABEL", "", "=", label) in terms else label
            continue
        for key, attribute, operator, value in terms:
            name = f"{key}{{{attribute}}}" if attribute else key
            if operator in {"==", "!="}:
                if matches(value, state.get(name, "")) != (operator == "=="):
                    break
            elif key == "GOTO":
                label = value
            elif key != "LABEL":
                state[name] = f"{state.get(name, '')} {value}".strip() if operator == "+=" else value
    assert not label, f"no LABEL for {label}"
    return state


def usb(path: str) -> dict[str, str]:
    """Return a stick as the kernel and udev's own rules show it (source: QEMU guest, udev 252)."""
    return {
        "SUBSYSTEM": "usb",
        "ENV{DEVTYPE}": "usb_device",
        "ACTION": "add",
        "KERNEL": "1-1",
        "ATTR{authorized}": "0",
        "ATTR{bNumConfigurations}": "1",
        "ATTR{bDeviceClass}": "00",
        "ENV{ID_USB_INTERFACES}": ":080650:",
        "ENV{ID_PATH}": path,
        "PROGRAM": JUDGE,  # which finds it to be a stick
    }


(JUDGE,) = re.findall(r'PROGRAM=="([^"]*)"', PORTS_RULES.read_text())

READER = PORTS["reader"][0]
STICK = usb(READER)


def verdict(device: Mapping[str, str]) -> tuple[str, str, str, str]:
    """Return hopper, verdict, reason, and whether the device is authorised."""
    state = judge(expand(PORTS_RULES.read_text(), PORTS), device)
    assert state.get("ENV{CONSOLEWRIGHT_RULES}") == "1"
    names = ("HOPPER", "VERDICT", "REASON")
    hopper, said, reason = (state.get(f"ENV{{CONSOLEWRIGHT_{name}}}", "") for name in names)
    assert ("consolewright" in state.get("TAG", "")) == bool(hopper)
    return hopper, said, reason, state["ATTR{authorized}"]


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_the_rules_are_whole(template: Path) -> None:
    # source: udev(7): a GOTO without its LABEL below it, or a quote left open, makes udev drop the rule
    text = expand(template.read_text(), PORTS)
    parsed = list(rules(text))
    for at, terms in enumerate(parsed):
        assert len([term for term in terms if term[0] == "GOTO"]) <= 1
        for key, _, _, value in terms:
            if key == "GOTO":
                assert any(("LABEL", "", "=", value) in later for later in parsed[at + 1 :]), value
    labels = [term[3] for terms in parsed for term in terms if term[0] == "LABEL"]
    assert len(labels) == len(set(labels))
    for hopper in PORTS:
        assert f'ENV{{CONSOLEWRIGHT_HOPPER}}="{hopper}"' in text
    assert MARKER not in text


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.name)
def test_no_rule_goes_beyond_the_line(template: Path) -> None:
    # source: udev(7): a "\" at the end of a line joins it with the next, which a comment's may not be
    assert not [line for line in template.read_text().splitlines() if line.endswith("\\")]


@pytest.mark.parametrize(
    "interfaces",
    [":080650:", ":080662:", ":080650:080662:"],
    ids=["bulk only", "UAS", "both"],
)
def test_a_stick_in_a_hopper_is_authorised(interfaces: str) -> None:
    # source: USB mass storage class codes 08/06/50 (bulk only) and 08/06/62 (UAS); seen so in a QEMU guest
    assert verdict(STICK | {"ENV{ID_USB_INTERFACES}": interfaces}) == ("reader", "accepted", "", "1")


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        ({"ENV{ID_USB_INTERFACES}": ":030101:"}, "interfaces"),
        ({"ENV{ID_USB_INTERFACES}": ":030101:080650:"}, "interfaces"),
        ({"ENV{ID_USB_INTERFACES}": ":080650:030101:"}, "interfaces"),
        ({"ENV{ID_USB_INTERFACES}": ":080650:080662:030101:"}, "interfaces"),
        ({"ENV{ID_USB_INTERFACES}": ":080650:0806621:"}, "interfaces"),
        ({"ENV{ID_USB_INTERFACES}": ""}, "interfaces"),
        ({"PROGRAM": ""}, "interfaces"),
        ({"ATTR{bDeviceClass}": "09", "ENV{ID_USB_INTERFACES}": ":090000:"}, "device-class"),
        ({"ATTR{bDeviceClass}": "ef"}, "device-class"),
        ({"ATTR{bNumConfigurations}": "2"}, "configurations"),
        ({"ENV{ID_PATH}": f"{READER}.1"}, "behind-hub"),
        ({"ENV{ID_PATH}": f"{READER}.4.3"}, "behind-hub"),
    ],
)
@pytest.mark.parametrize("before", ["0", "1"])
def test_nothing_else_is(what: dict[str, str], reason: str, before: str) -> None:
    # "1": it was in before udev came
    assert verdict(STICK | what | {"ATTR{authorized}": before}) == ("reader", "refused", reason, "0")


@pytest.mark.parametrize(
    "path",
    ["platform-3f980000.usb-usb-0:1", "platform-3f980000.usb-usb-0:1.3", "platform-3f980000.usb-usb-0:1.21", ""],
    ids=["the board's hub before it", "beside it", "begins alike", "nameless"],
)
def test_other_ports_work_as_ever(path: str) -> None:
    assert verdict(usb(path) | {"ENV{ID_USB_INTERFACES}": ":030101:"}) == ("", "", "", "1")
    assert verdict(usb(path) | {"ATTR{bDeviceClass}": "09"}) == ("", "", "", "1")


def test_either_of_udev_s_names_will_do() -> None:
    # source: systemd 255's NEWS: ID_PATH_WITH_USB_REVISION beside the ID_PATH there always was
    both = {"ENV{ID_PATH_WITH_USB_REVISION}": "platform-xhci-hcd.0-usbv3-0:1"}
    assert verdict(usb("platform-xhci-hcd.0-usb-0:1") | both) == ("punch", "accepted", "", "1")
    behind = {"ENV{ID_PATH_WITH_USB_REVISION}": "platform-xhci-hcd.0-usbv2-0:2.1"}
    assert verdict(usb("platform-xhci-hcd.0-usb-0:2.1") | behind) == ("punch", "refused", "behind-hub", "0")


def test_a_root_hub_makes_everything_wait() -> None:
    root = usb("") | {"KERNEL": "usb1", "ATTR{authorized}": "1", "ATTR{authorized_default}": "1"}
    state = judge(expand(PORTS_RULES.read_text(), PORTS), root)
    assert state["ATTR{authorized_default}"] == "0"
    assert state["ENV{CONSOLEWRIGHT_RULES}"] == "1"
    assert state["ATTR{authorized}"] == "1"


@pytest.mark.parametrize("change", [{"ACTION": "unbind"}, {"ACTION": "remove"}, {"ENV{DEVTYPE}": "usb_interface"}])
def test_what_is_none_of_its_business_is_left_alone(change: dict[str, str]) -> None:
    device = STICK | change
    assert judge(expand(PORTS_RULES.read_text(), PORTS), device) == device


def disk(path: str = f"{READER}:1.0-scsi-0:0:0:0", **more: str) -> dict[str, str]:
    """Return a stick's disk (source: QEMU guest, udev 252)."""
    return {
        "SUBSYSTEM": "block",
        "ENV{DEVTYPE}": "disk",
        "ACTION": "add",
        "KERNEL": "sda",
        "ENV{ID_PATH}": path,
        "ENV{DISKSEQ}": "12",
        **more,
    }


def started(device: Mapping[str, str]) -> tuple[str, str]:
    """Return the unit that is started, and whether desktops leave the device alone."""
    state = judge(expand(STICKS_RULES.read_text(), PORTS), device)
    assert ("ENV{SYSTEMD_WANTS}" in state) == ("systemd" in state.get("TAG", ""))
    return state.get("ENV{SYSTEMD_WANTS}", ""), state.get("ENV{UDISKS_IGNORE}", "")


def test_a_stick_s_disk_starts_the_unit_of_its_number() -> None:
    assert started(disk()) == ("consolewright-stick@$env{DISKSEQ}.service", "1")
    assert started(disk(ACTION="change")) == started(disk())


@pytest.mark.parametrize(
    "device",
    [
        disk(**{"ENV{DEVTYPE}": "partition", "KERNEL": "sda1"}),
        disk(f"{READER}:1.0-scsi-0:0:0:1"),
        disk(KERNEL="sr0"),
        disk(**{"ENV{DISKSEQ}": ""}),
        disk(f"{READER}.1:1.0-scsi-0:0:0:0"),
    ],
    ids=["a partition", "another disk of one stick", "a CD", "no number", "behind a hub"],
)
def test_nothing_else_in_a_hopper_starts_one_and_yet_it_is_the_hopper_s(device: Mapping[str, str]) -> None:
    assert started(device) == ("", "1")


@pytest.mark.parametrize(
    "device",
    [
        disk("platform-3f980000.usb-usb-0:1.3:1.0-scsi-0:0:0:0"),
        disk("platform-3f980000.usb-usb-0:1.21:1.0-scsi-0:0:0:0"),
        disk("platform-fe340000.mmc", KERNEL="mmcblk0"),
        disk(ACTION="remove"),
        disk(SUBSYSTEM="usb"),
    ],
)
def test_disks_elsewhere_are_left_alone(device: Mapping[str, str]) -> None:
    assert started(device) == ("", "")


def test_a_console_without_hoppers_has_no_lines() -> None:
    text = expand(PORTS_RULES.read_text(), {})
    assert "CONSOLEWRIGHT_HOPPER}=" not in text.replace("CONSOLEWRIGHT_HOPPER}==", "")
    assert list(rules(text))


@pytest.mark.parametrize(
    ("ports", "words"),
    [
        ({"reader": ['x", RUN+="y']}, "is no USB port"),
        ({"reader": ["pci-0000:00:04.0-usb-0:*"]}, "is no USB port"),
        ({"reader": ["pci-0000:00:04.0-usb-0:1\n"]}, "is no USB port"),
        ({"typewriter": ["pci-0000:00:04.0-usb-0:1"]}, "the typewriter has no port"),
        ({"reader": ["pci-0-usb-0:1"], "punch": ["pci-0-usb-0:1"]}, "give each its own"),
        ({"reader": ["pci-0-usb-0:1"], "punch": ["pci-0-usb-0:1.2"]}, "is on a hub in"),
        ({"reader": ["pci-0-usb-0:1.1", "pci-0-usb-0:1"]}, "is on a hub in"),
    ],
)
def test_what_cannot_be_a_hopper_s_port_is_refused_in_words(ports: Mapping[str, Sequence[str]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        expand(PORTS_RULES.read_text(), ports)


def test_a_template_without_its_marked_place_is_refused() -> None:
    with pytest.raises(ValueError, match="has no line"):
        expand(f"text {MARKER}", PORTS)


def test_a_port_that_leads_to_a_hub_is_no_hopper_s() -> None:
    # source: a Pi 4's names in udev 252: "…-usb-0:1" is both a blue socket and the hub of all the black ones
    before, beside = "platform-3f980000.usb-usb-0:1", "platform-3f980000.usb-usb-0:1.3"
    assert in_the_way(PORTS, [before, beside]) == ""
    words = in_the_way(PORTS, [before, "platform-xhci-hcd.0-usbv2-0:2"])
    assert words.startswith('"platform-xhci-hcd.0-usbv2-0:2", the port of the punch, leads to a hub')
