"""Runs in the guest: does what the host asks over one virtio port, and joins others to Unix sockets.

A request is a line of JSON {"id", "command", "timeout"}; its answer {"id", "status", "output"}.
"""

import json
import os
import select
import socket
import subprocess
import threading
import time
from pathlib import Path

PORTS = Path("/dev/virtio-ports")
TUNNELS = {"rig.watcher": "observer.sock", "rig.rehearsal": "rehearsal.sock"}
SOCKETS = Path("/run/consolewright")


def main() -> None:
    """Serve until the guest ends."""
    for port, name in TUNNELS.items():
        threading.Thread(target=tunnel, args=(PORTS / port, SOCKETS / name), daemon=True).start()
    while not (PORTS / "rig.agent").exists():
        time.sleep(0.05)
    with (PORTS / "rig.agent").open("r+b", buffering=0) as line:
        sending = threading.Lock()

        def answer(message: dict[str, object]) -> None:
            data = json.dumps(message).encode() + b"\n"
            with sending:
                while data:
                    data = data[line.write(data) :]

        def work(request: dict[str, object]) -> None:
            answer({"id": request["id"], **run(str(request["command"]), float(str(request["timeout"])))})

        answer({"id": 0, "status": 0, "output": Path("/proc/uptime").read_text()})
        notify()
        pending = b""
        while True:
            data = line.read(1 << 16)
            if not data:  # nobody at the other end
                time.sleep(0.05)
                continue
            *lines, pending = (pending + data).split(b"\n")
            for text in lines:
                threading.Thread(target=work, args=(json.loads(text),), daemon=True).start()


def run(command: str, timeout: float) -> dict[str, object]:
    """Run a command in bash; status 124 means that it took too long."""
    try:
        done = subprocess.run(
            ["/bin/bash", "-c", command],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=timeout, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        return {"status": 124, "output": (error.stdout or b"").decode("utf-8", "replace")}
    return {"status": done.returncode, "output": done.stdout.decode("utf-8", "replace")}


def notify() -> None:
    """Tell systemd that the guest answers."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.sendto(b"READY=1", os.environ["NOTIFY_SOCKET"])


def tunnel(port: Path, path: Path) -> None:
    """Join whoever is at the host's end of `port` to the socket at `path`, one after another, for ever."""
    while not port.exists():
        time.sleep(0.05)
    host = os.open(port, os.O_RDWR)
    poll = select.poll()
    poll.register(host, select.POLLIN)
    while True:
        while any(event & select.POLLHUP for _, event in poll.poll(0)):
            time.sleep(0.2)
        with socket.socket(socket.AF_UNIX) as console:
            try:
                console.connect(str(path))
                join(host, console)
            except OSError:  # not there, or gone: to be tried again
                time.sleep(0.1)


def join(host: int, console: socket.socket) -> None:
    """Pass on what comes from either end until one is gone."""
    poll = select.poll()
    poll.register(host, select.POLLIN)
    poll.register(console, select.POLLIN)
    while True:
        for end, event in poll.poll():
            if event & select.POLLHUP and not event & select.POLLIN:
                return
            if end == host:
                console.sendall(os.read(host, 1 << 16))
            else:
                data = console.recv(1 << 16)
                if not data:
                    return
                while data:
                    data = data[os.write(host, data) :]


if __name__ == "__main__":
    main()
