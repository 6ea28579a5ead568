"""The udev rules of the hoppers' ports, written for one console. Pure: no file is touched here."""

import re
from collections.abc import Iterable, Mapping, Sequence

MARKER = "# @PORTS@"
"""The line of a template that the ports' lines take the place of."""

HOPPERS = ("reader", "punch")

# As udev names the path to a USB port. None of these characters means anything in a rule's patterns.
_PORT = re.compile(r"[A-Za-z0-9_.:-]+-usb(v[0-9])?-[0-9]+:[0-9]+(\.[0-9]+)*")
# Newer versions of udev tell USB 2 and 3 apart in the second; a port of the description may be named by either.
_PATHS = ("ID_PATH", "ID_PATH_WITH_USB_REVISION")


def expand(template: str, ports: Mapping[str, Sequence[str]]) -> str:
    """Return a template's rules with lines for each hopper's ports, as the description names them.

    They hold for the port's own device (its name is the port's), for what that brings (":1.0-scsi-…" follows), and,
    with a reason to refuse it, for what is behind a hub (".1" follows). A hopper without ports gets no lines. Raises
    ValueError, in the words of whoever wrote the description, for what is no port, for a port of both hoppers, and for
    ports of which one leads to the other.
    """
    _check(ports)
    named = [(hopper, port) for hopper in HOPPERS for port in dict.fromkeys(ports.get(hopper, ()))]
    lines = [line for hopper, port in named for path in _PATHS for line in _lines(path, hopper, port)]
    head, marker, tail = template.partition(f"\n{MARKER}\n")
    if not marker:
        raise ValueError(f'the template of the rules has no line "{MARKER}"')
    return "\n".join([head, *lines, tail])


def in_the_way(ports: Mapping[str, Sequence[str]], hubs: Iterable[str]) -> str:
    """Return in words which port of a hopper has a hub in it, of those ports that have; "" if none has.

    On some boards one name stands for a socket for USB 3 and for the hub that leads to all sockets for USB 2, and with
    the rules for that one keyboards and networks would be dead everywhere.
    """
    there = set(hubs)
    for hopper, names in ports.items():
        for port in names:
            if port in there:
                return (
                    f'"{port}", the port of the {hopper}, leads to a hub, and hubs are refused there: pull it out, '
                    "or choose another socket if the hub is the board's own"
                )
    return ""


def _lines(path: str, hopper: str, port: str) -> tuple[str, str]:
    name = f'ENV{{CONSOLEWRIGHT_HOPPER}}="{hopper}"'
    return (
        f'ENV{{{path}}}=="{port}|{port}:*", {name}',
        f'ENV{{{path}}}=="{port}.*", {name}, ENV{{CONSOLEWRIGHT_REASON}}="behind-hub"',
    )


def _check(ports: Mapping[str, Sequence[str]]) -> None:
    named = [(hopper, port) for hopper, names in ports.items() for port in names]
    for hopper, port in named:
        if hopper not in HOPPERS:
            raise ValueError(f"the {hopper} has no port for sticks: only the reader and the punch have")
        if not _PORT.fullmatch(port):
            raise ValueError(f'"{port}", the port of the {hopper}, is no USB port: see consolewright sticks watch')
        for other_hopper, other in named:
            if port == other and hopper != other_hopper:
                raise ValueError(f'reader and punch have the same port, "{port}": give each its own')
            if other.startswith(f"{port}."):
                raise ValueError(
                    f'"{other}", the port of the {other_hopper}, is on a hub in "{port}", the port of the {hopper}: '
                    "hubs are refused there, so choose another socket"
                )
