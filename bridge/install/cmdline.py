"""One word of the kernel's command line. Its file is one line of words, and stays as it is but for that one."""

import re

from bridge.install.system import System

WORD = "usbcore.authorized_default=0"
"""No device on USB is spoken to before udev has looked at it; see 65-consolewright-ports.rules."""

FILES = ("/boot/firmware/cmdline.txt", "/boot/cmdline.txt")
"""Where a Raspberry Pi has it; the first that is there."""

KEPT = ".before-consolewright"
"""What the name of the file that was there before ends in."""

_OURS = re.compile(rf"(?:(?<=\s)|^){re.escape(WORD)}(?=\s|$)[ \t]*", re.MULTILINE)


def find(system: System) -> tuple[str, str]:
    """Return the path and the text of the file; both "" if there is none."""
    for path in FILES:
        data = system.read(path)
        if data is not None:
            return path, data.decode(errors="surrogateescape")
    return "", ""


def is_heeded(system: System) -> bool:
    """Tell whether the kernel that runs was started with the word."""
    return has((system.read("/proc/cmdline") or b"").decode(errors="replace"))


def has(text: str) -> bool:
    """Tell whether the word is in it."""
    return WORD in text.split()


def added(text: str) -> str:
    """Return the line with the word at its end, once."""
    if has(text):
        return text
    line, newline, rest = text.partition("\n")
    return f"{line.rstrip()} {WORD}{newline}{rest}".lstrip()


def removed(text: str) -> str:
    """Return the line without the word, however often it was there."""
    line, newline, rest = _OURS.sub("", text).partition("\n")
    return f"{line.rstrip()}{newline}{rest}" if has(text) else text
