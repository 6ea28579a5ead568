"""What is in which physical port, from what udev tells. Pure: no device is touched here."""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

READABLE = {"vfat": "FAT", "exfat": "exFAT"}
"""File systems that are taken, by udev's name for them."""

PARTITIONS = 16
"""How many partitions of a stick are looked at."""

_PORT = re.compile(r"(.*-usb(?:v[0-9])?-[0-9]+:[0-9.]+):")
# Newer versions of udev tell USB 2 and 3 apart where one connector leads to both; the older name stays valid.
_PATHS = ("ID_PATH_WITH_USB_REVISION", "ID_PATH")


class Device(NamedTuple):
    """A disk or partition on USB.

    `path` is its place in sysfs; `life` is another for another device in the same place. `ports` are the names of the
    port it is in, the most precise one first. `partition` is 0 for a whole disk; `blocks` is 0 for a drive with nothing
    in it. `file_system` is udev's name for it, "" if it has none, or none is known yet.
    """

    path: str
    life: str
    ports: tuple[str, ...]
    node: str
    number: tuple[int, int]
    partition: int
    blocks: int
    file_system: str
    volume: str
    label: str


class Event(NamedTuple):
    """One thing udev told: `device` is None if it is none of those looked at, as after "remove"."""

    action: str
    path: str
    device: Device | None


class Volume(NamedTuple):
    """A file system that can be mounted. `insertion` is another number for each stick put in, the same one too."""

    insertion: int
    device: Device


def device(path: str, blocks: int, properties: Mapping[str, str]) -> Device | None:
    """Return the disk or partition with these udev properties; None if it is not on USB."""
    kind = properties.get("DEVTYPE")
    names = (_PORT.match(properties.get(key, "")) for key in _PATHS)
    ports = tuple(dict.fromkeys(name[1] for name in names if name))
    if kind not in {"disk", "partition"} or not ports:
        return None
    part = int(properties.get("PARTN") or properties.get("ID_PART_ENTRY_NUMBER") or 1) if kind == "partition" else 0
    if part > PARTITIONS:
        return None
    return Device(
        path=path,
        life=f"{properties.get('DISKSEQ', '')} {properties.get('USEC_INITIALIZED', '')}",
        ports=ports,
        node=properties.get("DEVNAME", ""),
        number=(int(properties.get("MAJOR", "0")), int(properties.get("MINOR", "0"))),
        partition=part,
        blocks=blocks,
        file_system=properties.get("ID_FS_TYPE", ""),
        volume=properties.get("ID_FS_UUID", ""),
        label=properties.get("ID_FS_LABEL", ""),
    )


class Ports:
    """What is in all ports, kept up with what udev tells: events may be missing, repeated or late.

    `trouble` says why nothing is known, in words; it is "" when all is well.
    """

    def __init__(self) -> None:
        self.trouble = "looking at the ports"
        self._devices: dict[str, Device] = {}
        self._volumes: dict[str, Volume] = {}
        self._insertions = 0

    def all(self, devices: Iterable[Device]) -> None:
        """Hear of everything there is, at the start and after events were lost."""
        self.trouble = ""
        self._devices = {one.path: one for one in devices}
        self._settle()

    def events(self, events: Iterable[Event]) -> None:
        """Hear of events, in their order."""
        for event in events:
            self._event(event)
            self._settle()

    def devices(self, ports: Sequence[str]) -> list[Device]:
        """Return what is in the first of the ports that has anything in it, partitions first."""
        for port in ports:
            found = [one for one in self._devices.values() if port in one.ports and one.blocks]
            if found:
                return sorted(found, key=_order)
        return []

    def volume(self, ports: Sequence[str]) -> Volume | None:
        """Return what is to be mounted of the stick in the first of the ports that has one."""
        groups = (one.ports[0] for one in self.devices(ports))
        return next((self._volumes[group] for group in groups if group in self._volumes), None)

    def occupied(self) -> list[str]:
        """Return the most precise name of each port that has something in it."""
        return sorted({one.ports[0] for one in self._devices.values() if one.blocks})

    def _event(self, event: Event) -> None:
        if event.action != "remove" and event.device is not None:
            self._devices[event.path] = event.device
        else:
            # With a device goes what is below it; its own event may be lost.
            gone = [path for path in self._devices if path == event.path or path.startswith(event.path + "/")]
            for path in gone:
                del self._devices[path]

    def _settle(self) -> None:
        """Choose each port's volume; one put in since the last event gets a new number, the same stick's too."""
        chosen = {}
        for one in sorted(self._devices.values(), key=_order, reverse=True):
            if one.file_system in READABLE and one.blocks:
                chosen[one.ports[0]] = one
        for port in self._volumes.keys() - chosen.keys():
            del self._volumes[port]
        for port, one in chosen.items():
            known = self._volumes.get(port)
            if known is None or _identity(known.device) != _identity(one):
                self._insertions += 1
                self._volumes[port] = Volume(self._insertions, one)


def trouble(devices: Sequence[Device]) -> str:
    """Return why nothing of the devices in a port can be mounted."""
    if not devices:
        return "no stick is in"
    other = next((one.file_system for one in devices if one.file_system), "")
    if other:
        return f"the stick is formatted {shown(other)}: format it FAT or exFAT, or use another"
    return "the stick is not formatted: format it FAT or exFAT, or use another"


def shown(text: str) -> str:
    """Return what somebody wrote on a stick fit for a message."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[:40])


def _order(one: Device) -> tuple[bool, str, int]:
    """Partitions come before the whole disk, on which a leftover signature may lie beside their table."""
    return one.partition == 0, one.path.rpartition("/")[0] if one.partition else one.path, one.partition


def _identity(one: Device) -> tuple[object, ...]:
    return one.path, one.life, one.number, one.file_system, one.volume
