"""The process that listens to udev: libudev can take its time, and its sockets can lose events."""

import select
import socket
import time
from contextlib import suppress
from typing import Any

import pyudev

from bridge.sticks import parcel, process
from bridge.sticks.ports import Event, Thing, device, stranger

BUFFER = 1 << 20
"""Bytes of events that may wait; a crowd of devices at once does not fill it."""
PAUSE = 0.2
"""Seconds between losing events and looking anew at everything."""

BATCH = 100
"""The most events in one message."""


def main() -> None:
    """Send (True, everything there is) and (False, the events since) until the daemon is gone."""
    channel = process.channel()
    context = pyudev.Context()
    with suppress(ConnectionError):
        while _follow(context, channel):
            time.sleep(PAUSE)


def _follow(context: pyudev.Context, channel: socket.socket) -> bool:
    """Send everything there is, then every event; return True when events were lost, False when the daemon is gone."""
    monitor = pyudev.Monitor.from_netlink(context)
    monitor.filter_by("block")
    monitor.filter_by("usb", "usb_device")
    with suppress(OSError):  # for root only
        monitor.set_receive_buffer_size(BUFFER)
    monitor.start()  # before looking, so that nothing comes between
    found = (_thing(one) for subsystem in ("block", "usb") for one in context.list_devices(subsystem=subsystem))
    parcel.send(channel, (True, [one for one in found if one is not None]))
    while True:
        ready, _, _ = select.select([monitor, channel], [], [])
        if channel in ready:
            return False
        try:
            parcel.send(channel, (False, _drain(monitor)))
        except ConnectionError:
            raise
        except OSError:  # ENOBUFS, as a rule
            return True


def _drain(monitor: pyudev.Monitor) -> list[Event]:
    events: list[Event] = []
    while len(events) < BATCH and (one := monitor.poll(0)) is not None:
        events.append(Event(str(one.action), one.sys_path, _thing(one)))
    return events


def _thing(one: Any) -> Thing | None:
    try:
        properties: dict[str, str] = dict(one.properties)
        if one.subsystem == "usb":
            return stranger(one.sys_path, properties)
        if properties.get("DEVTYPE") == "partition":
            # Not every kernel gives the disk's number with its partitions.
            properties.setdefault("DISKSEQ", one.parent.properties.get("DISKSEQ", "0"))
        return device(one.sys_path, one.attributes.asint("size"), properties)
    except (AttributeError, KeyError, ValueError, UnicodeDecodeError):  # going, or gone
        return None


if __name__ == "__main__":
    main()
