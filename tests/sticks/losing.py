"""The process that listens to udev, but for a socket that loses every event once a file named "lose" is there."""

import errno
import os
from pathlib import Path
from typing import Any

import pyudev

from bridge.sticks import udev


def losing(self: pyudev.Monitor, timeout: float | None = None) -> Any:
    lose = Path(os.environ["UMOCKDEV_DIR"], "lose")
    if lose.exists():
        while poll(self, 0) is not None:
            pass
        lose.unlink()
        raise OSError(errno.ENOBUFS, os.strerror(errno.ENOBUFS))
    return poll(self, timeout)


if __name__ == "__main__":
    poll = pyudev.Monitor.poll
    pyudev.Monitor.poll = losing
    udev.main()
