import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from bridge.files import c_client, examples
from tests.benchmarks.harness import Figures
from tests.links.compiled import HERE, build

NAMES = ("core_cycle_ns", "core_cycle_mixed_ns", "core_cycle_naive_ns", "core_flush_us")
STOPPED_NAMES = ("core_stopped_daemon_longest_call_ms", "core_stopped_daemon_longest_wall_ms")
STOPPED_FOR = 10
"""Seconds."""


def core_client() -> Figures:
    """The C client, gcc -O2: a machine cycle of 256 lamps, of one length and of lengths 1 to 15; and a frame's end."""
    with tempfile.TemporaryDirectory() as folder:
        program = build("gcc", ["-std=c99", "-O2", str(HERE / "cost.c")], Path(folder) / "cost")
        said = subprocess.run([program], capture_output=True, text=True, check=True).stdout
    figures = dict(zip(NAMES, map(float, said.split()), strict=True))
    return figures | {"core_cycle_vs_naive": figures["core_cycle_naive_ns"] / figures["core_cycle_ns"]}


def core_stopped_daemon() -> Figures:
    """The longest call of the C client while its daemon is stopped, with the processor kept and of all."""
    with tempfile.TemporaryDirectory(prefix="cw-", dir="/tmp") as folder:
        sources = [str(HERE / "stopped.c"), str(c_client() / "consolewright.c")]
        program = build("gcc", ["-std=c99", "-O2", "-D_XOPEN_SOURCE=700", *sources], Path(folder) / "stopped")
        run = ["run", str(examples() / "skerry.toml"), "--rehearse", "--state", folder]
        with subprocess.Popen([sys.executable, "-m", "bridge", *run], stdout=subprocess.PIPE, text=True) as daemon:
            assert daemon.stdout is not None
            while not daemon.stdout.readline().startswith("ready:"):
                assert daemon.poll() is None
            command = [str(program), f"{folder}/core.sock", str(STOPPED_FOR)]
            with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as core:
                assert core.stdout is not None
                assert core.stdout.readline() == "linked\n"
                os.kill(daemon.pid, signal.SIGSTOP)
                os.waitid(os.P_PID, daemon.pid, os.WSTOPPED | os.WNOWAIT)
                said, _ = core.communicate("\n")
            os.kill(daemon.pid, signal.SIGCONT)
            daemon.terminate()
            daemon.stdout.read()
    return dict(zip(STOPPED_NAMES, map(float, said.split()[:2]), strict=True))
