"""The smallest core: on config/first-panel.toml each key lights the lamp above it. To copy and to grow.

`python -m bridge.demo.first_core SOCKET`, until interrupted.
"""

import argparse
import contextlib
import select
import time

from bridge.links.client import CoreClient
from bridge.links.messages import KNOWS_POWER, Key, Refused, Welcome

LAMPS = [f"A.{bit}" for bit in reversed(range(8))]
KEYS = [f"W.{bit}" for bit in reversed(range(8))]
LOOK_EVERY = 0.1
"""Seconds; anything that comes from the console is looked at at once."""


class FirstCore:
    """Bit n of `bits` is both key KEYS[n] and lamp LAMPS[n]."""

    def __init__(self, path: str) -> None:
        self.client = CoreClient(path, "first core", LAMPS, KEYS, ticks_per_second=1000.0, knows=KNOWS_POWER)
        self.bits = 0

    def look(self, now: int) -> None:
        """Take what the console sent and show it; `now` is monotonic nanoseconds."""
        for message in self.client.poll(now):
            if isinstance(message, Refused):
                print(f"the console refused: {message.reason}", flush=True)
            elif isinstance(message, Welcome):
                print("linked to the console", flush=True)
                self.bits = int.from_bytes(message.closed, "little")
            elif isinstance(message, Key):
                bit = 1 << message.key
                self.bits = self.bits | bit if message.closed else self.bits & ~bit
        if self.client.task_came() is not None:
            self.client.done("nothing of mine has to last")
        self.client.rest(self.bits if self.client.power else 0)
        self.client.send_due(now)


def main() -> None:
    """Run until interrupted."""
    parser = argparse.ArgumentParser(prog="python -m bridge.demo.first_core", description=__doc__)
    parser.add_argument("socket", help="the core socket that `consolewright run` prints")
    core = FirstCore(parser.parse_args().socket)
    with contextlib.suppress(KeyboardInterrupt):
        while True:
            core.look(time.monotonic_ns())
            fd = core.client.fileno()
            select.select([fd] if fd >= 0 else [], [], [], LOOK_EVERY)
    core.client.close()


if __name__ == "__main__":
    main()
