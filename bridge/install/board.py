"""What a console needs and this board lacks, each with what to do. It starts all the same, so none is an error."""

import importlib.util
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from bridge.console import Console, Part
from bridge.install import cmdline
from bridge.install.system import System
from bridge.install.wanted import ports
from bridge.wires.real import LABELS

CONFIG = "/boot/firmware/config.txt"
_AGAIN = "and start the board again"


def lacks(
    system: System,
    console: Console,
    core: Sequence[str],
    has_module: Callable[[str], object] = importlib.util.find_spec,
) -> list[str]:
    """Return in words everything that is missing, each once, for a console and the command of its core."""
    real = [part for part in console.parts if not part.bus.rehearsed]
    found = [*_buses(system, real), *_lines(system, real), *_modules(real, has_module)]
    typewriter = console.typewriter
    if typewriter is not None and typewriter.device is not None and not typewriter.rehearsed:
        found += _typewriter(system, typewriter.device)
    if ports(console):
        found += _sticks(system)
    found += _core(system, core)
    return list(dict.fromkeys(found))


def _buses(system: System, parts: Sequence[Part]) -> Iterator[str]:
    for part in parts:
        port = part.bus.port
        if part.bus.kind == "spi":
            node, setting = f"/dev/spidev{port}.{part.select}", f"dtoverlay=spi{port}-3cs" if port else "dtparam=spi=on"
            todo = f"put {setting} into {CONFIG}"
            yield from _node(system, node, todo, "spi", 'SUBSYSTEM=="spidev"')
        elif part.bus.kind == "i2c":
            todo = f"put dtparam=i2c_arm=on,i2c_arm_baudrate={part.bus.rate_hz} into {CONFIG}"
            yield from _node(system, f"/dev/i2c-{port}", todo, "i2c", 'SUBSYSTEM=="i2c-dev"')


def _node(system: System, node: str, todo: str, group: str, match: str) -> Iterator[str]:
    """Look whether a device is there, and the daemon's to use."""
    if not system.at(node).exists():
        yield f"{node} does not exist: {todo}, {_AGAIN}"
    elif system.group(node) != group or system.at(node).stat().st_mode & 0o060 != 0o060:
        yield (
            f"{node} is not for the group {group}: write a file /etc/udev/rules.d/99-{group}.rules with the line "
            f'{match}, GROUP="{group}", MODE="0660" {_AGAIN}'
        )


def _lines(system: System, parts: Sequence[Part]) -> Iterator[str]:
    if any(part.lines or part.gpios for part in parts):
        chips = system.gpio_chips()
        header = [node for node, label in chips.items() if label in LABELS]
        if not header:
            there = ", ".join(f"{node} is {label}" for node, label in chips.items()) or "there is no /dev/gpiochip*"
            yield f"the lines of a Raspberry Pi ({', '.join(LABELS)}) are not here ({there}): install this on one"
        for node in header[:1]:
            yield from _node(system, node, "", "gpio", 'SUBSYSTEM=="gpio", KERNEL=="gpiochip*"')


def _modules(parts: Sequence[Part], has_module: Callable[[str], object]) -> Iterator[str]:
    kinds = {part.bus.kind for part in parts}
    needed = {
        "spidev": "spi" in kinds,
        "smbus2": "i2c" in kinds,
        "lgpio": any(part.lines or part.gpios for part in parts),
    }
    for module, is_needed in needed.items():
        if is_needed and not has_module(module):
            yield (
                f"the Python module {module} is missing: apt-get install python3-{module}, and install from a virtual "
                "environment that was made with --system-site-packages"
            )


def _typewriter(system: System, device: str) -> Iterator[str]:
    node = system.at(device)
    on_board = Path(device).name.startswith(("serial", "ttyAMA", "ttyS"))
    if not node.exists():
        todo = f"put enable_uart=1 into {CONFIG}, {_AGAIN}" if on_board else "plug it in, now or later"
        yield f"{device}, the typewriter's, does not exist: {todo}"
    ours = {Path(device).name, Path(os.path.realpath(node)).name}
    path, text = cmdline.find(system)
    for word in text.split():
        console = word.removeprefix("console=").partition(",")[0]
        if word.startswith("console=") and {console, Path(os.path.realpath(system.at(f"/dev/{console}"))).name} & ours:
            yield (
                f"the system's own messages go to {device} too, and would be typed: take {word} out of {path}, {_AGAIN}"
            )


def _sticks(system: System) -> Iterator[str]:
    if system.is_on_usb():
        yield (
            f"the system itself is on a USB disk, which it could not reach with {cmdline.WORD} on the kernel's command "
            "line: so that is left out, and what is in a hopper's port when the board starts works for a moment, "
            "keyboards too"
        )
        return
    path, _ = cmdline.find(system)
    if not path and not cmdline.is_heeded(system):
        yield (
            f"there is no cmdline.txt in /boot: put {cmdline.WORD} on the kernel's command line yourself (with GRUB, "
            "into GRUB_CMDLINE_LINUX in /etc/default/grub; then update-grub), or what is in a hopper's port when the "
            "board starts works for a moment, keyboards too"
        )


def _core(system: System, core: Sequence[str]) -> Iterator[str]:
    for word in core:
        path = Path(word)
        if path.is_absolute() and system.at(word).exists():
            closed = [one for one in (*reversed(path.parents), path) if not _open_to_all(system.at(str(one)))]
            for one in closed[:1]:
                yield f"{word} may not be read by the user consolewright-core: chmod o+rX {one}, or put it into /opt"


def _open_to_all(path: Path) -> bool:
    mode = path.stat().st_mode
    return bool(mode & (stat.S_IXOTH if stat.S_ISDIR(mode) else stat.S_IROTH))
