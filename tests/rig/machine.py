"""One guest under QEMU, from its start to its end: commands run in it, and what is plugged into it."""

import contextlib
import json
import select
import shlex
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

from tests.rig.build import Guest, run

TUNNELS = ("told", "watcher", "rehearsal")
"""What reaches the host besides the agent: what the core tells, and sockets of the console."""
QUIET = (
    "console=ttyS0 panic=-1 quiet loglevel=3 mitigations=off audit=0 selinux=0 apparmor=0 nowatchdog "
    "random.trust_cpu=on systemd.show_status=0"
)
Fault = Literal["slow", "failing"]
PATIENCE = 120
"""Seconds for what a guest does in a few when nothing else runs."""


class GuestError(AssertionError):
    """A command in the guest that ended otherwise than it should, or a guest that does not answer."""


class Machine:
    """A guest that runs. `folder` holds its disk and its sockets; the disk keeps what was written over restarts.

    It begins as a copy of `disk`, or empty. USB ports 1 and 2 are the reader's and the punch's, 3 the typewriter's, 5
    and 6 anybody's. `share` is seen in the guest as /rig.
    """

    def __init__(self, guest: Guest, share: Path, disk: Path | None = None) -> None:
        self._guest = guest
        self._share = share
        self.folder = Path(tempfile.mkdtemp(prefix="rig-"))
        self.cpu = "max"
        self.words = ""
        """What is put on the kernel's command line."""
        self.at_boot: list[tuple[int, str]] = []
        """USB ports and what is in them when it is switched on, by QEMU's name for such a device."""
        self.disk = self.folder / "disk"
        if disk is None:
            run("mke2fs", "-q", "-t", "ext4", self.disk, "2G")
        else:
            run("cp", "--sparse=always", "--reflink=auto", disk, self.disk)
        self._qemu: subprocess.Popen[bytes] | None = None
        self._qmp: socket.socket | None = None
        self._agent: socket.socket | None = None
        self._pending = {"qmp": b"", "agent": b""}
        self._answers: dict[int, dict[str, Any]] = {}
        self._asked = 0
        self._plugged: set[str] = set()

    # From start to end

    def start(self) -> float:
        """Start it and return how many seconds it took until it answered."""
        began = time.monotonic()
        folder, guest = self.folder, self._guest
        command = [
            # Never KVM because it happens to be there: what a hypervisor offers, this kernel may not start on.
            *("qemu-system-x86_64", "-accel", "tcg,thread=multi,tb-size=512", "-cpu", self.cpu, "-M", "q35"),
            *("-smp", "2", "-m", "1024", "-nodefaults", "-display", "none", "-no-reboot"),
            *("-kernel", guest.kernel, "-initrd", guest.initrd, "-append", f"{QUIET} {self.words}"),
            *("-drive", f"file={guest.root},if=none,id=root,format=raw,readonly=on"),
            *("-device", "virtio-blk-pci,drive=root"),
            *("-drive", f"file={self.disk},if=none,id=disk,format=raw", "-device", "virtio-blk-pci,drive=disk"),
            *("-chardev", f"file,id=console,path={folder / 'console.log'},append=on", "-serial", "chardev:console"),
            *("-device", "virtio-serial-pci", "-device", "virtio-rng-pci"),
            *self._port("agent"),
            *(word for name in TUNNELS for word in self._port(name)),
            *("-chardev", f"socket,id=typewriter,path={folder / 'typewriter'},server=on,wait=off"),
            *("-qmp", f"unix:{folder / 'qmp'},server=on,wait=off", "-device", "qemu-xhci,id=usb,p2=8,p3=8"),
            *("-device", "usb-serial,id=typewriter,bus=usb.0,port=3,chardev=typewriter"),
            *("-virtfs", f"local,path={self._share},mount_tag=rig,security_model=none,readonly=on,multidevs=remap"),
            *(
                word
                for port, driver in self.at_boot
                for word in ("-device", f"{driver},id=device{port},bus=usb.0,port={port}")
            ),
        ]
        for name in ("agent", "qmp"):
            (folder / name).unlink(missing_ok=True)
        with (folder / "qemu.log").open("ab") as log:
            self._qemu = subprocess.Popen(
                [str(word) for word in command], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._qmp, self._agent = self._connect("qmp"), self._connect("agent")
        self._pending = {"qmp": b"", "agent": b""}
        self._answers.clear()
        self._plugged.clear()
        self._line(self._qmp, "qmp", 10)
        self.qmp("qmp_capabilities")
        self._wait(0, PATIENCE)
        return time.monotonic() - began

    @property
    def runs(self) -> bool:
        """Tell whether it is on; one whose kernel has panicked has ended."""
        return self._qemu is not None and self._qemu.poll() is None

    def shut_down(self) -> None:
        """Have it end by itself, as a proper switching off does; `kill` what is left."""
        assert self._qemu is not None
        self.attempt("systemctl poweroff --no-block")
        self._qemu.wait(PATIENCE)

    def kill(self) -> None:
        """Cut its power: what it had not written to its disk by then is lost."""
        if self._qemu is not None:
            self._qemu.kill()
            self._qemu.wait()
            self._qemu = None
        for one in (self._qmp, self._agent):
            if one is not None:
                one.close()
        self._qmp = self._agent = None

    def close(self) -> None:
        """End it and remove what it left."""
        self.kill()
        shutil.rmtree(self.folder)

    # What is done in it

    def do(self, command: str, timeout: float = PATIENCE) -> str:
        """Run a bash command and return what it printed, without the last line end; raises GuestError if it failed."""
        status, output = self.attempt(command, timeout)
        if status:
            raise GuestError(f"{command}\nended with {status}:\n{output}")
        return output

    def attempt(self, command: str, timeout: float = PATIENCE) -> tuple[int, str]:
        """Run a bash command and return its status (124: it took too long) and what it printed."""
        self._asked += 1
        request = {"id": self._asked, "command": command, "timeout": timeout}
        assert self._agent is not None
        self._agent.sendall(json.dumps(request).encode() + b"\n")
        answer = self._wait(self._asked, timeout + 30)
        return answer["status"], answer["output"].rstrip("\n")

    def until(self, command: str, seconds: float = PATIENCE) -> str:
        """Run a command again and again until it succeeds, at most so long; return what it printed."""
        loop = f"last=$(({command}) 2>&1) && break; sleep 0.05"
        script = (
            f"end=$((SECONDS + {round(seconds)})); while :; do {loop}; "
            '[ $SECONDS -lt $end ] || { echo "$last"; exit 1; }; done; echo "$last"'
        )
        status, output = self.attempt(script, seconds + 30)
        if status:
            raise GuestError(f"{command}\nnever succeeded within {seconds} s; at last it printed:\n{output}")
        return output

    def write(self, path: str, text: str, mode: int = 0o644) -> None:
        """Write a file in it."""
        to = shlex.quote(path)
        self.do(f"mkdir -p $(dirname {to}) && printf %s {shlex.quote(text)} >{to} && chmod {mode:o} {to}")

    def journal(self, unit: str = "consolewright", since: str = "") -> str:
        """Return what a unit has said, all of it or since a cursor."""
        after = f"--after-cursor={shlex.quote(since)}" if since else ""
        return self.do(f"journalctl -q --no-pager -o cat -u {unit} {after}")

    def cursor(self) -> str:
        """Return the place in the journal where it ends now."""
        return self.do("journalctl -q -n 0 --show-cursor | sed -n 's/^-- cursor: //p'")

    # What is plugged into it

    def plug(self, port: int, image: Path, *, name: str = "", fault: Fault | None = None) -> str:
        """Put a stick into a USB port and return its name.

        A "slow" one does 20 things a second; one that is "failing" fails at each write, whatever it is told.
        """
        name = name or f"stick{port}"
        protected = {"read-only": not image.stat().st_mode & 0o200}
        node: dict[str, Any] = {"driver": "raw", "file": {"driver": "file", "filename": str(image), **protected}}
        node |= protected
        if fault == "slow":
            with contextlib.suppress(GuestError):  # made once
                limits = {"iops-total": 20}
                self.qmp("object-add", **{"qom-type": "throttle-group", "id": "slow", "limits": limits})
            node = {"driver": "throttle", "throttle-group": "slow", "file": node}
        elif fault == "failing":
            errors = [{"event": "none", "iotype": "write", "errno": 5, "once": False}]
            node = {"driver": "blkdebug", "image": node, "inject-error": errors}
        self.qmp("blockdev-add", **{"node-name": name, **node})
        self.qmp("device_add", driver="usb-storage", id=name, bus="usb.0", port=str(port), drive=name, removable=True)
        self._plugged.add(name)
        return name

    def pull(self, name: str) -> None:
        """Pull a stick out without a word."""
        self.qmp("device_del", id=name)
        self._plugged.discard(name)
        deadline = time.monotonic() + 20
        while True:
            try:
                self.qmp("blockdev-del", **{"node-name": name})
            except GuestError:
                if time.monotonic() > deadline:
                    raise
                select.select([], [], [], 0.02)
            else:
                return

    def pull_all(self) -> None:
        """Pull out every stick that is in."""
        for name in tuple(self._plugged):
            self.pull(name)

    def qmp(self, command: str, **arguments: Any) -> Any:
        """Have QEMU do something and return its answer; raises GuestError."""
        assert self._qmp is not None
        self._qmp.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
        while True:
            answer = json.loads(self._line(self._qmp, "qmp", 30))
            if "error" in answer:
                raise GuestError(f"{command} {arguments}: {answer['error']['desc']}")
            if "return" in answer:
                return answer["return"]

    @contextlib.contextmanager
    def device(self, port: int, driver: str, **more: Any) -> Iterator[str]:
        """Have a device other than a stick in a USB port."""
        name = f"device{port}"
        self.qmp("device_add", driver=driver, id=name, bus="usb.0", port=str(port), **more)
        try:
            yield name
        finally:
            self.qmp("device_del", id=name)

    def _port(self, name: str) -> tuple[str, ...]:
        path = self.folder / (name if name == "agent" else f"{name}.sock")
        chardev = f"socket,id={name},path={path},server=on,wait=off"
        return "-chardev", chardev, "-device", f"virtserialport,chardev={name},name=rig.{name}"

    def _connect(self, name: str) -> socket.socket:
        deadline = time.monotonic() + 20
        while True:
            one = socket.socket(socket.AF_UNIX)
            try:
                one.connect(str(self.folder / name))
            except OSError:
                one.close()
                if self._qemu is None or self._qemu.poll() is not None or time.monotonic() > deadline:
                    raise GuestError(f"QEMU does not start:\n{(self.folder / 'qemu.log').read_text()}") from None
                select.select([], [], [], 0.02)
            else:
                return one

    def _line(self, one: socket.socket, name: str, timeout: float) -> bytes:
        deadline = time.monotonic() + timeout
        while b"\n" not in self._pending[name]:
            ready, _, _ = select.select([one], [], [], max(0.0, deadline - time.monotonic()))
            data = one.recv(1 << 16) if ready else b""
            if not data:
                console = (self.folder / "console.log").read_text(errors="replace")[-3000:]
                raise GuestError(f"the guest does not answer ({name}); on its console:\n{console}")
            self._pending[name] += data
        line, _, self._pending[name] = self._pending[name].partition(b"\n")
        return line

    def _wait(self, number: int, timeout: float) -> dict[str, Any]:
        assert self._agent is not None
        deadline = time.monotonic() + timeout
        while number not in self._answers:
            answer = json.loads(self._line(self._agent, "agent", max(0.0, deadline - time.monotonic())))
            self._answers[answer["id"]] = answer
        return self._answers.pop(number)
