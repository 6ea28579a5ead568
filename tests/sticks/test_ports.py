from collections.abc import Sequence

import pytest

from bridge.sticks.ports import PARTITIONS, Device, Event, Ports, Stranger, device, refusal, shown, stranger, trouble
from tests.sticks.sample import BUS, FAT, added, changed, made, place, port, properties, refused, removed, stick

READER = [port(2)]


def ports(*events: Event) -> Ports:
    known = Ports()
    known.all([])
    known.events(events)
    return known


def insertion(known: Ports, names: Sequence[str] = tuple(READER)) -> int | None:
    volume = known.volume(names)
    return volume.insertion if volume else None


def test_a_device_is_known_by_its_port() -> None:
    # source: properties of a stick in a QEMU guest with udev 252; disk and partition have the same ID_PATH
    assert made(2).ports == made(2, partition=1).ports == ("platform-3f980000.usb-usb-0:1.2",)
    pci = properties(2) | {"ID_PATH": "pci-0000:00:04.0-usb-0:5:1.0-scsi-0:0:0:0"}
    found = device("/sys/x", 1, pci)
    assert found is not None
    assert found.ports == ("pci-0000:00:04.0-usb-0:5",)


def test_where_udev_tells_usb_2_from_3_both_names_hold() -> None:
    path = {"ID_PATH_WITH_USB_REVISION": "platform-xhci-hcd.0-usbv3-0:1:1.0-scsi-0:0:0:0"}
    path["ID_PATH"] = "platform-xhci-hcd.0-usb-0:1:1.0-scsi-0:0:0:0"
    one = made(1, {**path, **FAT})
    assert one.ports == ("platform-xhci-hcd.0-usbv3-0:1", "platform-xhci-hcd.0-usb-0:1")
    known = ports(*added(one))
    assert [insertion(known, [name]) for name in one.ports] == [1, 1]


@pytest.mark.parametrize(
    "path",
    ["", "pci-0000:00:1f.2-ata-1", "platform-fe340000.mmc", "pci-0000:01:00.0-nvme-1"],
)
def test_what_is_not_on_usb_is_none_of_ours(path: str) -> None:
    assert device("/sys/x", 1, properties(2) | {"ID_PATH": path}) is None


def test_what_is_neither_disk_nor_partition_is_none_of_ours() -> None:
    assert device("/sys/x", 1, properties(2) | {"DEVTYPE": "usb_device"}) is None


def test_a_stick_with_and_without_a_partition_table_is_found() -> None:
    table = ports(*added(*stick(2)))
    assert (volume := table.volume(READER))
    assert (volume.device.node, volume.device.number) == ("/dev/sda1", (8, 1))
    superfloppy = ports(*added(made(2, FAT)))
    assert (volume := superfloppy.volume(READER))
    assert (volume.device.node, volume.device.number) == ("/dev/sda", (8, 0))


def test_one_in_another_port_is_not() -> None:
    known = ports(*added(*stick(3)))
    assert known.volume(READER) is None
    assert known.devices(READER) == []
    assert insertion(known, [port(3)]) == 1


def test_ports_that_begin_alike_are_told_apart() -> None:
    known = ports(*added(*stick(21)))
    assert known.volume(READER) is None


def test_a_hopper_may_have_two_names() -> None:
    names = [port(4), port(2)]
    known = ports(*added(*stick(2)))
    assert insertion(known, names) == 1
    known.events(added(*stick(4, "sdb")))
    assert insertion(known, names) == 2  # the first that has anything


def test_hearing_the_same_again_changes_nothing() -> None:
    known = ports(*added(*stick(2)))
    before = known.volume(READER)
    known.events([*changed(*stick(2)), *added(*stick(2)), Event("bind", place(2), made(2))])
    known.all(stick(2))
    assert known.volume(READER) == before


def test_a_file_system_that_is_known_late_is_found() -> None:
    bare = [made(2), made(2, partition=1)]
    known = ports(*added(*bare))
    assert known.volume(READER) is None
    assert [one.partition for one in known.devices(READER)] == [1, 0]
    known.events(changed(stick(2)[1]))
    assert insertion(known) == 1


def test_pulled_and_put_back_in_one_batch_is_another_insertion() -> None:
    known = ports(*added(*stick(2)))
    known.events([*removed(*stick(2)), *added(*stick(2))])
    assert insertion(known) == 2


def test_put_back_as_another_disk_before_the_old_one_is_gone() -> None:
    known = ports(*added(*stick(2)))
    known.events([*added(*stick(2, "sdb")), *removed(*stick(2))])
    assert (volume := known.volume(READER))
    assert volume.device.node == "/dev/sdb1"
    assert volume.insertion > 1


def test_pulled() -> None:
    known = ports(*added(*stick(2)), *removed(*stick(2)))
    assert known.volume(READER) is None
    assert known.devices(READER) == []


def test_a_partition_goes_with_its_disk_though_its_own_event_is_lost() -> None:
    known = ports(*added(*stick(2)), Event("remove", place(2), None))
    assert known.devices(READER) == []


def test_events_that_were_lost_are_made_up_for() -> None:
    known = ports(*added(*stick(2), *stick(3, "sdb")))
    known.all(stick(3, "sdb"))  # pulled meanwhile
    assert known.volume(READER) is None
    assert insertion(known, [port(3)]) == 2
    known.all(stick(2))
    assert insertion(known) == 3


@pytest.mark.parametrize("sign", ["DISKSEQ", "USEC_INITIALIZED"])
def test_a_replug_among_lost_events_shows_by_what_is_new_with_every_device(sign: str) -> None:
    known = Ports()
    known.all(stick(2, **{sign: "7"}))
    known.all(stick(2, **{sign: "7"}))
    assert insertion(known) == 1
    known.all(stick(2, **{sign: "8"}))
    assert insertion(known) == 2


def test_of_several_partitions_the_first_that_can_be_read_is_taken() -> None:
    parts = [
        made(2),
        *(made(2, {"ID_FS_TYPE": kind}, partition=n) for n, kind in ((10, "vfat"), (3, "exfat"), (1, "ext4"))),
    ]
    known = ports(*added(*parts))
    assert (volume := known.volume(READER))
    assert volume.device.partition == 3


def test_a_partition_goes_before_a_signature_left_on_the_disk() -> None:
    known = ports(*added(made(2, FAT), made(2, FAT, partition=1)))
    assert (volume := known.volume(READER))
    assert volume.device.partition == 1


def test_no_more_than_so_many_partitions_are_looked_at() -> None:
    assert made(2, FAT, partition=PARTITIONS).partition == PARTITIONS
    assert device(place(2), 1, properties(2, partition=PARTITIONS + 1)) is None


def test_a_card_reader_with_nothing_in_it_is_no_stick() -> None:
    known = ports(*added(made(2, blocks=0)))
    assert known.devices(READER) == []
    known.events(changed(made(2, FAT)))
    assert insertion(known) == 1
    known.events([*changed(made(2, blocks=0)), *changed(made(2, FAT))])
    assert insertion(known) == 2


def test_until_udev_was_heard_the_ports_are_not_known() -> None:
    known = Ports()
    assert known.trouble
    known.all([])
    assert known.trouble == ""


def test_all_ports_with_something_in_them_are_listed() -> None:
    known = ports(*added(*stick(3), made(2, disk="sdb"), made(1, disk="sdc", blocks=0)))
    assert known.occupied() == [port(2), port(3)]


@pytest.mark.parametrize(
    ("devices", "words"),
    [
        ([], "no stick is in"),
        ([made(2)], "the stick is not formatted: format it FAT or exFAT, or use another"),
        (
            [made(2, partition=1), made(2, {"ID_FS_TYPE": "ntfs"}, partition=2), made(2)],
            "the stick is formatted ntfs: format it FAT or exFAT, or use another",
        ),
    ],
)
def test_why_nothing_can_be_mounted(devices: list[Device], words: str) -> None:
    assert trouble(devices) == words


def test_names_from_a_stick_are_made_fit_to_print() -> None:
    assert shown("A\x1b[2J\u202e" + "x" * 100) == "A\\x1b[2J\\x202e" + "x" * 34


def test_what_the_rules_refused_is_known_by_its_port() -> None:
    known = ports(*added(refused(2)))
    assert known.stranger(READER) == refused(2)
    assert known.stranger([port(3)]) is None
    assert known.devices(READER) == []
    assert known.occupied() == []
    known.events(removed(refused(2)))
    assert known.stranger(READER) is None


def test_what_is_behind_a_hub_in_a_port_counts_and_what_begins_alike_does_not() -> None:
    assert ports(*added(refused("2.4", "behind-hub"))).stranger(READER)
    assert ports(*added(refused("21"))).stranger(READER) is None


def test_lost_events_are_made_up_for_with_strangers_too() -> None:
    known = ports(*added(refused(2)))
    known.all([refused(3)])
    assert known.stranger(READER) is None
    assert known.stranger([port(3)])


def test_a_stranger_that_is_let_in_after_all_is_none() -> None:
    known = ports(*added(refused(2)), Event("bind", refused(2).path, None))
    assert known.stranger(READER) is None


def test_news_of_a_hub_that_is_no_concern_leaves_what_is_on_it() -> None:
    known = ports(*added(*stick(2)), Event("change", BUS, None))
    assert insertion(known) == 1
    known.events([Event("remove", BUS, None)])
    assert known.devices(READER) == []


@pytest.mark.parametrize(
    "properties",
    [
        {"CONSOLEWRIGHT_VERDICT": "accepted"},
        {"CONSOLEWRIGHT_VERDICT": ""},
        {"DEVTYPE": "usb_interface"},
        {"ID_PATH": "platform-3f980000.usb"},
        {"ID_PATH": f"{port(2)}:1.0"},
    ],
)
def test_only_refused_devices_on_usb_are_strangers(properties: dict[str, str]) -> None:
    some = {"DEVTYPE": "usb_device", "ID_PATH": port(2), "CONSOLEWRIGHT_VERDICT": "refused"}
    assert stranger("/sys/x", some)
    assert stranger("/sys/x", some | properties) is None


@pytest.mark.parametrize(
    ("one", "words"),
    [
        # source: USB class codes: 03 human interface, 08 mass storage, 09 hub
        (refused(2), "what was put in is a keyboard or something else that is no stick: pull it out"),
        (
            refused(2, model="QEMU_USB_Keyboard"),
            'what was put in, "QEMU USB Keyboard", is a keyboard or something else that is no stick: pull it out',
        ),
        (refused(2, model="\u202eK"), "what was put in is a keyboard or something else that is no stick: pull it out"),
        (
            refused(2, "configurations", ":020600:0a0000:"),
            "what was put in is a keyboard or something else that is no stick: pull it out",
        ),
        (
            refused(2, interfaces=":080650:030101:"),
            "what was put in is a stick and something else besides: pull it out, and use a plain one",
        ),
        (refused(2, "device-class", ":090000:"), "what was put in is a hub: pull it out, and put the stick itself in"),
        (refused("2.1", "behind-hub"), "what was put in is a hub: pull it out, and put the stick itself in"),
    ],
)
def test_what_a_stranger_is_is_said_to_people(one: Stranger, words: str) -> None:
    assert refusal(one) == words


def test_a_disk_has_the_number_the_kernel_gave_it() -> None:
    assert made(2, {"DISKSEQ": "12"}).diskseq == 12
    assert made(2).diskseq == 0
