"""What the service manager is told: sd_notify(3), one datagram to the socket that $NOTIFY_SOCKET names.

Our own, since no library for it is kept up. Without a service manager nothing is sent.
"""

import contextlib
import os
import socket
from collections.abc import Mapping

FEEDS = 3
"""How many times the watchdog is fed in the time after which it would bite."""


class Systemd:
    """The service manager that started this process, if one did."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        # A leading @ stands for the abstract namespace, whose names begin with a zero.
        self._address = environment.get("NOTIFY_SOCKET", "").replace("@", "\0", 1)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if self._address else None
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        limit = environment.get("WATCHDOG_USEC", "")
        self.feed_every = int(limit) * 1000 // FEEDS if self._socket and ours and limit.isdecimal() else 0
        """Nanoseconds between two feeds of the watchdog (sd_watchdog_enabled(3)); 0 if there is none to feed."""

    def tell(self, **variables: str) -> None:
        """Tell variables and their values, such as READY="1"; what cannot be sent at once is not sent."""
        if self._socket is not None:
            lines = (f"{name}={' '.join(value.split())}" for name, value in variables.items())
            with contextlib.suppress(OSError):
                self._socket.sendto("\n".join(lines).encode(), socket.MSG_DONTWAIT, self._address)

    def close(self) -> None:
        """Say no more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
