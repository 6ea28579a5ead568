"""Sticks as udev tells of them."""

from collections.abc import Mapping

from bridge.sticks.ports import Device, Event, Stranger, Thing, device, stranger

BUS = "/sys/devices/platform/soc/3f980000.usb/usb1/1-1"


def port(number: int) -> str:
    return f"platform-3f980000.usb-usb-0:1.{number}"


def properties(number: int, disk: str = "sda", partition: int = 0) -> dict[str, str]:
    """Return the udev properties of what is in a port (source: rig of QEMU and udev 252)."""
    minor = 16 * (ord(disk[2]) - ord("a")) + partition
    part = {"DEVTYPE": "partition", "PARTN": str(partition)} if partition else {"DEVTYPE": "disk"}
    return {
        "SUBSYSTEM": "block",
        "DEVNAME": f"/dev/{disk}{partition or ''}",
        "MAJOR": "8",
        "MINOR": str(minor),
        "ID_BUS": "usb",
        "ID_PATH": f"{port(number)}:1.0-scsi-0:0:0:0",
        **part,
    }


def place(number: int, disk: str = "sda", partition: int = 0) -> str:
    above = f"{BUS}/1-1.{number}/1-1.{number}:1.0/host0/target0:0:0/0:0:0:0/block/{disk}"
    return f"{above}/{disk}{partition}" if partition else above


def made(
    number: int,
    more: Mapping[str, str] | None = None,
    disk: str = "sda",
    partition: int = 0,
    blocks: int = 2048,
) -> Device:
    found = device(place(number, disk, partition), blocks, properties(number, disk, partition) | dict(more or {}))
    assert found is not None
    return found


FAT: Mapping[str, str] = {"ID_FS_TYPE": "vfat", "ID_FS_UUID": "1234-ABCD", "ID_FS_LABEL": "DECKS"}


def stick(number: int, disk: str = "sda", **more: str) -> list[Device]:
    """Return a disk and its one partition, with FAT on it."""
    return [made(number, disk=disk), made(number, {**FAT, **more}, disk, 1)]


def refused(number: int | str, reason: str = "interfaces", interfaces: str = ":030101:", model: str = "") -> Stranger:
    """Return what the rules refused in a port (source: QEMU guest, udev 252)."""
    found = stranger(
        f"{BUS}/1-1.{number}",
        {
            "DEVTYPE": "usb_device",
            "ID_PATH": f"platform-3f980000.usb-usb-0:1.{number}",
            "ID_USB_INTERFACES": interfaces,
            "ID_MODEL": model,
            "CONSOLEWRIGHT_HOPPER": "reader",
            "CONSOLEWRIGHT_VERDICT": "refused",
            "CONSOLEWRIGHT_REASON": reason,
        },
    )
    assert found is not None
    return found


def added(*things: Thing) -> list[Event]:
    return [Event("add", one.path, one) for one in things]


def changed(*things: Thing) -> list[Event]:
    return [Event("change", one.path, one) for one in things]


def removed(*things: Thing) -> list[Event]:
    """Events as the kernel sends them: what is below first; hardly any properties are left."""
    return [Event("remove", one.path, None) for one in reversed(things)]
