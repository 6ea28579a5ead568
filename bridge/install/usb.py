"""Sees to it that the board keeps its USB: `usb` if the rules of the hoppers' ports do not work, `usb restore` always.

With these rules nothing on USB is used before udev has let it. Were they removed by hand, broken, or not read, then
keyboard, network and disks would be dead, with nobody there who knows why. consolewright-usb.service runs this as root,
with the system's own Python and nothing else of this project, when the system starts and when the rules change.
"""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

RULES = Path("etc/udev/rules.d/65-consolewright-ports.rules")
PATIENCE = 60
"""Seconds udev is given to do what it has to."""


class System:
    """What is asked of the kernel and of udev, below the folder `root`."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.rules = root / RULES
        self.sysfs = root / "sys"

    def ask(self) -> None:
        """Have udev read its rules anew, and let them see the root hubs; wait until it has done what it has to."""
        _udevadm("control", "--reload")
        # A change of a root hub changes nothing; only the rules' mark on it is made anew.
        _udevadm("trigger", "--action=change", "--subsystem-match=usb", "--sysname-match=usb[0-9]*")
        self.settle()

    def settle(self) -> None:
        """Wait until udev has seen everything that is plugged in now."""
        _udevadm("settle", f"--timeout={PATIENCE}")

    def properties(self, device: Path) -> dict[str, str]:
        """Return what udev knows of a device."""
        lines = (line.partition("=") for line in _udevadm("info", "--query=property", str(device)).splitlines())
        return {name: value for name, _, value in lines}


def trouble(system: System) -> str:
    """Return in words why the rules cannot be relied on; "" if they can."""
    # Rules that were removed, too, must have left udev: it would heed them once more as each device comes back.
    system.ask()
    if not system.rules.exists():
        return f"{system.rules} is missing"
    for hub in _devices(system.sysfs, "usb*"):
        if system.properties(hub).get("CONSOLEWRIGHT_RULES") != "1":
            return f"udev has not heeded {system.rules}: see journalctl -u systemd-udevd"
    dead = set(_forgotten(system))
    if dead:
        system.settle()  # what was just plugged in may not have been its turn yet
        dead &= set(_forgotten(system))
    if dead:
        return f"{system.rules} left out what is in {', '.join(sorted(one.name for one in dead))}"
    return ""


def restore(sysfs: Path) -> list[str]:
    """Let everything on USB be used, and whatever comes; return in words what had to be done, and what failed."""
    hubs = [hub / "authorized_default" for hub in _devices(sysfs, "usb*")]
    # What is on a hub comes after it, and may come by itself then.
    devices = [one / "authorized" for one in sorted(_devices(sysfs, "*"), key=lambda one: len(one.name))]
    said = []
    for file in hubs + devices:
        name = file.parent.name
        try:
            if file.read_text().strip() != "1":
                file.write_text("1")
                said.append(f"{name}: works" if file in devices else f"{name}: what is put in works")
        except FileNotFoundError:
            pass  # pulled
        except OSError as error:
            said.append(f"{name}: stays dead ({error.strerror})")
    return said


def _forgotten(system: System) -> Iterator[Path]:
    """Name the devices that do not work though no rule has refused them."""
    for device in _devices(system.sysfs, "*"):
        try:
            works = (device / "authorized").read_text().strip()
        except OSError:
            continue  # pulled
        if works == "0" and system.properties(device).get("CONSOLEWRIGHT_VERDICT") != "refused":
            yield device


def _devices(sysfs: Path, pattern: str) -> list[Path]:
    """Return devices, without their interfaces."""
    return [one for one in sorted((sysfs / "bus/usb/devices").glob(pattern)) if ":" not in one.name]


def _udevadm(*arguments: str) -> str:
    """Run udevadm and return what it prints; what is wrong with it shows in what it then has not done."""
    try:
        return subprocess.run(
            ["/usr/bin/udevadm", *arguments], stdout=subprocess.PIPE, check=False, timeout=2 * PATIENCE
        ).stdout.decode(errors="replace")
    except (OSError, subprocess.TimeoutExpired) as error:
        print(error, file=sys.stderr)
        return ""


def main(system: System, arguments: list[str]) -> int:
    """Do what the command line says; return 1 if the rules do not work, 2 if it says something else."""
    if arguments not in ([], ["restore"]):
        print("say nothing, or restore", file=sys.stderr)
        return 2
    words = "" if arguments == ["restore"] else trouble(system)
    if words:
        print(f"{words}. So all of USB is put back to work, the hoppers' ports too. Install the console anew.")
    if words or arguments:
        print("\n".join(restore(system.sysfs)) or "All of it worked already.", flush=True)
    return 1 if words else 0


if __name__ == "__main__":
    sys.exit(main(System(), sys.argv[1:]))
