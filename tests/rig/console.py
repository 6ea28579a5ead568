"""The rig's console: a guest with consolewright installed from its wheel, its typewriter, and what its core tells."""

import contextlib
import itertools
import json
import re
import shlex
import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Self, TypeVar

from tests.rig import sticks
from tests.rig.build import CLONE, GUEST, VENV, guest, run
from tests.rig.machine import PATIENCE, GuestError, Machine
from tests.rig.watcher import Watcher

T = TypeVar("T")
PYTHON = "/opt/consolewright/bin/python"
CLI = "/opt/consolewright/bin/consolewright"
FILE = "/srv/builder/panel.toml"
STATE = "/var/lib/consolewright"
CHOICE = "/srv/builder/core"
INSTALLED = "CONSOLEWRIGHT_RIG_INSTALLED"
"""Tells the processes that test where the installation is."""
FACTS = "installed.json"
CMDLINE = "/boot/firmware/cmdline.txt"
READER, PUNCH, OTHER = 1, 2, 5
"""USB ports by what they are for."""
GADGET = "platform-dummy_hcd.0-usb-0:1"
"""The port of a device that the guest's kernel makes up itself, where no emulated device is odd enough."""
DECKS = CLONE / "config" / "decks"

# What the demonstration's console has besides in the rig: parts on the wires that the kernel has twins for.
MORE = """
[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[part]]
name = "cabinet lamps"
type = "PCA9685"
chips = 1
bus = "cabinet"
address = 0x40

[[lamp]]
name = "CABINET.0"
part = "cabinet lamps"
channel = 0

[[lamp]]
name = "CABINET.15"
part = "cabinet lamps"
channel = 15

[[part]]
name = "cabinet keys"
type = "MCP23017"
chips = 1
bus = "cabinet"
address = 0x20

[[key]]
name = "CABINET KEY"
kind = "toggle"
part = "cabinet keys"
channel = 0

[[part]]
name = "door keys"
type = "GPIO inputs"
gpios = "16"
pull = "up"
wires = "real"

[[key]]
name = "DOOR KEY"
kind = "toggle"
part = "door keys"
channel = 0

[[part]]
name = "door lamps"
type = "GPIO"
gpios = "12-13"
wires = "real"

[[lamp]]
name = "DOOR.0"
part = "door lamps"
channel = 0

[[lamp]]
name = "DOOR.1"
part = "door lamps"
channel = 1
"""


class Drained:
    """Reads what comes out of a port of the guest at once: QEMU waits for a reader, and the whole guest with it."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(str(path))
        self._came = bytearray()
        self._changed = threading.Condition(threading.RLock())
        self._thread = threading.Thread(target=self._drain, daemon=True)
        self._thread.start()

    @property
    def came(self) -> bytes:
        """What has come so far."""
        with self._changed:
            return bytes(self._came)

    def until(self, true: Callable[[bytes], bool], seconds: float = PATIENCE) -> bytes:
        """Wait until what has come is as it should be, and return it."""
        with self._changed:
            if not self._changed.wait_for(lambda: true(bytes(self._came)), seconds):
                raise GuestError(f"in {seconds} s only this has come: {bytes(self._came[-500:])!r}")
            return bytes(self._came)

    def send(self, data: bytes) -> None:
        """Send something into the guest."""
        self._socket.sendall(data)

    def close(self) -> None:
        """Hang up."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._socket.close()

    def _drain(self) -> None:
        while data := self._socket.recv(1 << 16):
            with self._changed:
                self._came += data
                self._changed.notify_all()


class Console:
    """A guest on which `consolewright install` was run, as README.md has a builder do it.

    `said` is what the installer printed, `times` how long each step took. `close` it.
    """

    def __init__(self, share: Path, disk: Path | None = None) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="rig-"))
        self.times: list[tuple[str, float]] = []
        self.ports: dict[int, str] = {}
        self.said = ""
        self._images = itertools.count()
        self._runs = 0
        self.last_safe = 0
        """The last card that was said to be safe before the guest was last switched off."""
        self._ends: dict[str, Drained] = {}
        self._watcher: Watcher | None = None
        self.machine = Machine(self._timed("guest", guest), share, disk)

    def close(self) -> None:
        """End it."""
        self.machine.close()
        self._hang_up()
        shutil.rmtree(self.folder)

    # Making it

    @classmethod
    def install(cls, to: Path) -> list[tuple[str, float]]:
        """Have a builder install it, switch it off, and leave in a folder what `switched_on` needs of it.

        Returns how many seconds each step took: none if it is all there.
        """
        if (to / FACTS).exists():
            return []
        share = to / "share"
        shutil.copytree(GUEST, share)
        run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", share, CLONE)
        console = cls(share)
        machine, times = console.machine, console.times
        try:
            console._timed("first boot", machine.start)
            machine.write(CMDLINE, "console=serial0,115200 console=tty1 root=PARTUUID=0 rootwait\n")
            pip = f"{VENV}/bin/pip install -q --no-index --no-deps /rig/*.whl"
            console._timed("pip install", lambda: machine.do(pip, 180))
            console._timed("sticks watch", console._find_ports)
            machine.write(FILE, console.description())
            command = f"{VENV}/bin/consolewright install {FILE} --core {VENV}/bin/python /rig/core.py"
            said = console._timed("install", lambda: machine.do(command, 300))
            words = machine.do(f"grep -o 'usbcore[^ ]*' {CMDLINE}; true")
            console._timed("switching off", machine.shut_down)
            shutil.move(machine.disk, to / "disk")
        finally:
            console.close()
        (to / FACTS).write_text(json.dumps({"said": said, "words": words, "ports": console.ports}))
        return times

    @classmethod
    def switched_on(cls, installed: Path) -> Self:
        """Return a console that `install` has left in a folder, as it is when it is first switched on again."""
        console = cls(installed / "share", installed / "disk")
        facts = json.loads((installed / FACTS).read_text())
        console.said, console.machine.words = facts["said"], facts["words"]
        console.ports = {int(port): name for port, name in facts["ports"].items()}
        console._switch_on()
        return console

    def _find_ports(self) -> None:
        for port in (READER, PUNCH):
            self.machine.plug(port, sticks.fat(self.image()))
        self.machine.do(f"{VENV}/bin/consolewright sticks watch >/run/watched 2>&1 & echo $! >/run/watching")
        self.machine.until("[ $(grep -c ^port /run/watched) = 2 ]")
        said = self.machine.do("kill $(cat /run/watching); cat /run/watched")
        self.machine.pull_all()
        named = re.findall(r'^port = "(.*)"$', said, re.MULTILINE)
        # QEMU numbers the ports as the kernel does.
        self.ports = {port: name for port in (READER, PUNCH) for name in named if name.endswith(f":{port}")}
        assert len(self.ports) == 2, said

    def description(self) -> str:
        """Return the console's description: the demonstration's, with what is real here made real."""
        text = (CLONE / "config" / "skerry.toml").read_text()
        for old, new in (
            ('wires = "real"\n\n# 8 × 24', 'wires = "rehearsed"\n\n# 8 × 24'),
            ('device = "/dev/serial/by-id/usb-typewriter-if00-port0"', 'device = "/dev/ttyUSB0"'),
            ("baud = 300 ", "baud = 9600 "),
            ("characters_per_second = 15", "characters_per_second = 900"),
            ("return_ms = 150 ", "return_ms = 1 "),
            ("travel_ms = 5", "travel_ms = 0"),
            ('folder = "reader"', f'port = "{self.ports[READER]}, {GADGET}"'),
            ('folder = "punch"', f'port = "{self.ports[PUNCH]}"'),
            # The guest's processor is some twenty times slower than this one.
            ('kind = "pilot"', 'kind = "instant"'),
            ("rate_hz = 200", "rate_hz = 100"),
            ("rate_hz = 250\nsettle_ms = 10", "rate_hz = 50\nsettle_ms = 40"),
            ("cards_per_minute = 100\n", "cards_per_minute = 600\n"),
            ("factor = 1.0", "factor = 20.0"),
        ):
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        return text + MORE

    # Switching it on and off

    def restart(self, *, cut: bool = False) -> None:
        """Switch it off, properly or by cutting its power, and on again."""
        if not cut:
            self.machine.shut_down()
        self.machine.kill()
        self._hang_up()
        self._switch_on()

    def _switch_on(self) -> None:
        self._timed("boot", self.machine.start)
        self._ends["told"] = Drained(self.machine.folder / "told.sock")
        self._watcher = Watcher(self.machine.folder / "watcher.sock")
        self.plug_typewriter()
        self.machine.until("systemctl is-active consolewright")

    def plug_typewriter(self) -> None:
        """Plug the typewriter in; what it was sent before is forgotten."""
        # QEMU has the adapter plugged in as long as somebody is at its other end.
        self._ends["typewriter"] = Drained(self.machine.folder / "typewriter")

    def pull_typewriter(self) -> None:
        """Pull the typewriter's plug."""
        self._ends.pop("typewriter").close()

    def _hang_up(self) -> None:
        self.last_safe = self.safe if "told" in self._ends else 0
        for end in self._ends.values():
            end.close()
        self._ends.clear()
        if self._watcher is not None:
            self._watcher.close()
            self._watcher = None

    @property
    def watcher(self) -> Watcher:
        """What the console says of itself."""
        assert self._watcher is not None
        return self._watcher

    @property
    def typewriter(self) -> Drained:
        """What has come to the typewriter since it was plugged in."""
        return self._ends["typewriter"]

    # Looking at it

    def until(self, device: str, state: str, seconds: float = PATIENCE, since: int = 0) -> str:
        """Wait until a device is in a state, told after the first `since` of the history; return its words."""
        watcher = self.watcher

        def come() -> bool:
            told = watcher.states.get(device)
            return told is not None and told["state"] == state and any(told is one for one in watcher.history[since:])

        watcher.until(f"{device}: {state}", come, seconds)
        return str(watcher.states[device]["words"])

    def core(self, choice: str) -> None:
        """Have another core on the console: see guest/core.py."""
        self.machine.write(CHOICE, choice)
        told = len(self.watcher.history)
        self.machine.do("systemctl restart consolewright-core")
        self.until("core", "linked", since=told)

    def settle(self) -> None:
        """Have everything run, and no stick be in; a guest that has died is the failure of one test only."""
        if not self.machine.runs:
            self.restart(cut=True)
        self.machine.pull_all()
        self.machine.do("systemctl start consolewright consolewright-core && systemctl is-active consolewright")
        for hopper in ("reader", "punch"):
            self.until(hopper, "not-ready")

    def make_exfat(self, image: Path, contents: Mapping[str, bytes]) -> Path:
        """Make an exFAT stick with text files on it: the guest writes them, since nothing here can."""
        sticks.exfat(image)
        with self._looked_at(image):
            for name, data in contents.items():
                self.machine.write(f"/mnt/{name}", data.decode())
        return image

    def files(self, image: Path) -> dict[str, bytes]:
        """Return the text files in the root of any stick, as the guest's kernel reads them."""
        with self._looked_at(image, "ro"):
            names = self.machine.do("ls /mnt").splitlines()
            return {name: (self.machine.do(f"cat {shlex.quote('/mnt/' + name)}") + "\n").encode() for name in names}

    @contextlib.contextmanager
    def _looked_at(self, image: Path, options: str = "rw") -> Iterator[None]:
        """Have a stick mounted from a port that is nobody's."""
        stick = self.machine.plug(OTHER, image)
        self.machine.until(
            f"mount -o {options} /dev/disk/by-path/{self.ports[READER][:-1]}{OTHER}:1.0-scsi-0:0:0:0 /mnt"
        )
        try:
            yield
        finally:
            self.machine.do("umount /mnt")
            self.machine.pull(stick)

    def punching(self) -> int:
        """Have the core punch cards numbered from the number that is returned, as a run of its own."""
        self._runs += 1
        first = 100_000 * self._runs + 1
        self.core(f"punch {self._runs} {first}")
        return first

    @property
    def safe(self) -> int:
        """The number of the last card that the core has said is safe."""
        lines = self._ends["told"].came.split()
        return int(lines[-1]) if lines else 0

    def until_safe(self, number: int, seconds: float = PATIENCE) -> None:
        """Wait until the core has said that this card is safe."""
        self._ends["told"].until(lambda _: self.safe >= number, seconds)

    def image(self) -> Path:
        """Return a path for another image of a stick."""
        return self.folder / f"stick{next(self._images)}"

    def _timed(self, what: str, do: Callable[[], T]) -> T:
        began = time.monotonic()
        try:
            return do()
        finally:
            self.times.append((what, time.monotonic() - began))
