"""`hold_thread.py PID SECONDS`: stops one real-time thread of a process, as a call that never returns would."""

import ctypes
import os
import sys
import time
from pathlib import Path

SEIZE, INTERRUPT = 0x4206, 0x4207
"""PTRACE_SEIZE and PTRACE_INTERRUPT (ptrace(2)): that thread stops, and no other, as long as this process lives."""


def main(pid: int, seconds: float) -> None:
    """Hold the first thread that has real-time priority."""
    for thread in Path(f"/proc/{pid}/task").iterdir():
        if os.sched_getscheduler(int(thread.name)) == os.SCHED_FIFO:
            libc = ctypes.CDLL(None, use_errno=True)
            for request in (SEIZE, INTERRUPT):
                if libc.ptrace(request, int(thread.name), None, None):
                    sys.exit(os.strerror(ctypes.get_errno()))
            time.sleep(seconds)
            return
    sys.exit("no thread has real-time priority")


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]))
