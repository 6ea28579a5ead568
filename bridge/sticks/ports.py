"""What is in which physical port, from what udev tells. Pure: no device is touched here."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

READABLE = {"vfat": "FAT", "exfat": "exFAT"}
"""File systems that are taken, by udev's name for them."""

PARTITIONS = 16
"""How many partitions of a stick are looked at."""

_PORT = r"(.*-usb(?:v[0-9])?-[0-9]+:[0-9.]+)"
# Newer versions of udev tell USB 2 and 3 apart where one connector leads to both; the older name stays valid.
_PATHS = ("ID_PATH_WITH_USB_REVISION", "ID_PATH")


class Device(NamedTuple):
    """A disk or partition on USB.

    `path` is its place in sysfs; `life` is another for another device in the same place. `ports` are the names of the
    port it is in, the most precise one first. `partition` is 0 for a whole disk; `blocks` is 0 for a drive with nothing
    in it. `file_system` is udev's name for it, "" if it has none, or none is known yet. `diskseq` is the number the
    kernel gave the disk, which no other disk ever has; 0 if it gives none.
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
    diskseq: int


class Stranger(NamedTuple):
    """Something on USB that the system's rules refused, since it is in a hopper's port and no stick.

    `interfaces` are udev's codes for what it can be, each after a colon; `model` is what it calls itself.
    """

    path: str
    ports: tuple[str, ...]
    reason: str
    interfaces: str
    model: str


Thing = Device | Stranger


class Event(NamedTuple):
    """One thing udev told: `thing` is None if it is none of those looked at, as after "remove"."""

    action: str
    path: str
    thing: Thing | None


class Volume(NamedTuple):
    """A file system that can be mounted. `insertion` is another number for each stick put in, the same one too."""

    insertion: int
    device: Device


def device(path: str, blocks: int, properties: Mapping[str, str]) -> Device | None:
    """Return the disk or partition with these udev properties; None if it is not on USB."""
    kind = properties.get("DEVTYPE")
    ports = _ports(properties, ":")
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
        diskseq=int(properties.get("DISKSEQ", "0")),
    )


def stranger(path: str, properties: Mapping[str, str]) -> Stranger | None:
    """Return the device on USB with these udev properties if the rules refused it, else None."""
    ports = _ports(properties, r"\Z")
    if properties.get("DEVTYPE") != "usb_device" or properties.get("CONSOLEWRIGHT_VERDICT") != "refused" or not ports:
        return None
    return Stranger(
        path=path,
        ports=ports,
        reason=properties.get("CONSOLEWRIGHT_REASON", ""),
        interfaces=properties.get("ID_USB_INTERFACES", ""),
        model=properties.get("ID_MODEL", ""),
    )


def _ports(properties: Mapping[str, str], end: str) -> tuple[str, ...]:
    names = (re.match(_PORT + end, properties.get(key, "")) for key in _PATHS)
    return tuple(dict.fromkeys(name[1] for name in names if name))


class Ports:
    """What is in all ports, kept up with what udev tells: events may be missing, repeated or late.

    `trouble` says why nothing is known, in words; it is "" when all is well.
    """

    def __init__(self) -> None:
        self.trouble = "looking at the ports"
        self._devices: dict[str, Device] = {}
        self._strangers: dict[str, Stranger] = {}
        self._volumes: dict[str, Volume] = {}
        self._insertions = 0

    def all(self, things: Iterable[Thing]) -> None:
        """Hear of everything there is, at the start and after events were lost."""
        self.trouble = ""
        self._devices, self._strangers = {}, {}
        for thing in things:
            self._add(thing)
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

    def stranger(self, ports: Sequence[str]) -> Stranger | None:
        """Return what was refused in one of the ports, or behind a hub there."""
        beyond = tuple(f"{port}." for port in ports)
        return next(
            (one for one in self._strangers.values() for own in one.ports if own in ports or own.startswith(beyond)),
            None,
        )

    def occupied(self) -> list[str]:
        """Return the most precise name of each port that has something in it."""
        return sorted({one.ports[0] for one in self._devices.values() if one.blocks})

    def _event(self, event: Event) -> None:
        if event.action == "remove":
            # With a device goes what is below it; its own event may be lost.
            self._drop(lambda path: path == event.path or path.startswith(event.path + "/"))
        else:
            self._drop(lambda path: path == event.path)
            if event.thing is not None:
                self._add(event.thing)

    def _add(self, thing: Thing) -> None:
        if isinstance(thing, Device):
            self._devices[thing.path] = thing
        else:
            self._strangers[thing.path] = thing

    def _drop(self, gone: Callable[[str], bool]) -> None:
        self._devices = {path: one for path, one in self._devices.items() if not gone(path)}
        self._strangers = {path: one for path, one in self._strangers.items() if not gone(path)}

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
    return formatted(next((one.file_system for one in devices if one.file_system), ""))


def formatted(file_system: str) -> str:
    """Return what to do about a stick with another file system than those that are taken, or with none."""
    how = f"formatted {shown(file_system)}" if file_system else "not formatted"
    return f"the stick is {how}: format it FAT or exFAT, or use another"


def refusal(one: Stranger) -> str:
    """Return what a stranger is, and what to do about it."""
    what = f'what was put in, "{one.model[:40].replace("_", " ")}",' if _is_plain(one.model) else "what was put in"
    if one.reason == "behind-hub" or ":09" in one.interfaces:
        return f"{what} is a hub: pull it out, and put the stick itself in"
    if ":08" in one.interfaces:
        return f"{what} is a stick and something else besides: pull it out, and use a plain one"
    return f"{what} is a keyboard or something else that is no stick: pull it out"


def _is_plain(model: str) -> bool:
    return bool(model) and model.isascii() and model.isprintable()


def shown(text: str) -> str:
    """Return what somebody wrote on a stick fit for a message."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text[:40])


def _order(one: Device) -> tuple[bool, str, int]:
    """Partitions come before the whole disk, on which a leftover signature may lie beside their table."""
    return one.partition == 0, one.path.rpartition("/")[0] if one.partition else one.path, one.partition


def _identity(one: Device) -> tuple[object, ...]:
    return one.path, one.life, one.number, one.file_system, one.volume
