"""Run the Skerry Mk 2 on a console: `python -m bridge.demo.skerry SOCKET`, until interrupted."""

import argparse
import contextlib
import select
import signal
import sys
import time

from bridge.clock import SECOND
from bridge.demo.skerry.core import SkerryCore


def main() -> None:
    """Run until SIGINT or SIGTERM; a console that is not there yet, or goes, is waited for."""
    parser = argparse.ArgumentParser(prog="python -m bridge.demo.skerry", description=__doc__)
    parser.add_argument("socket", help="the core socket that `consolewright run` prints")
    core = SkerryCore(parser.parse_args().socket)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    told = ""
    with contextlib.suppress(KeyboardInterrupt):
        while True:
            if told != core.client.refusal:
                told = core.client.refusal
                print(f"the console refused: {told}; trying again" if told else "the console is back", file=sys.stderr)
            wait = max(0, core.advance(time.monotonic_ns()) - time.monotonic_ns()) / SECOND
            fd = core.client.fileno()
            select.select([fd] if fd >= 0 else [], [], [], wait)
    core.client.close()


if __name__ == "__main__":
    main()
