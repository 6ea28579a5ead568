"""The server and both clients before messages that are none, seeded: no crash, no growth, and refusals well said.

CONSOLEWRIGHT_FUZZ=100000 sends as many messages to each; fewer otherwise.
"""

import asyncio
import gc
import os
import re
import socket
import subprocess
from pathlib import Path
from random import Random
from typing import Any

import pytest

from bridge.links.client import CoreClient
from bridge.links.core import CoreLink, _Caller
from bridge.links.messages import CAUSE_RULE, Cause, Decoder, Punch, Refused
from tests.daemon.harness import Rig
from tests.links import fuzz
from tests.virtual import run_virtually

MESSAGES = int(os.environ.get("CONSOLEWRIGHT_FUZZ", "2000"))
A_SESSION = 25
SESSIONS = -(-MESSAGES // A_SESSION)
PLACE = re.compile(r'\((byte \d+ of the message, )?(rule \d|"Messages") of the core link\)$')
MOST_GROWTH = 5_000
"""Objects, between the middle and the end of all sessions: a leak of one a session would be many times that."""


class Wire(asyncio.Transport):
    """A transport that keeps what is written."""

    def __init__(self) -> None:
        super().__init__()
        self.written = b""
        self.closed = False

    def write(self, data: Any) -> None:
        self.written += bytes(data)

    def get_write_buffer_size(self) -> int:
        return 0

    def close(self) -> None:
        self.closed = True


def session(link: CoreLink, cut: list[bytes]) -> tuple[bool, list[Any]]:
    """Let a core say all that; return whether it was let go, and what it was told."""
    caller, wire = _Caller(link), Wire()
    caller.connection_made(wire)
    for piece in cut:
        if wire.closed:
            break
        caller.data_received(piece)
    refused = wire.closed
    caller.connection_lost(None)
    return refused, list(Decoder().feed(wire.written))


@pytest.mark.timeout(60 + MESSAGES / 200)
def test_the_server_refuses_damage_and_says_where_it_is(tmp_path: Path) -> None:
    async def main() -> None:
        (tmp_path / "punch").mkdir()
        async with Rig(tmp_path) as rig:
            link = rig.daemon._core_link
            refused = objects = 0
            for number in range(SESSIONS):
                rng = Random(number)
                messages = fuzz.of_a_core(rng, A_SESSION)
                let_go, whole = session(link, fuzz.pieces(rng, b"".join(messages)))
                assert not let_go, (number, whole)
                let_go, told = session(link, fuzz.pieces(rng, fuzz.damaged(rng, messages)))
                if let_go:
                    refused += 1
                    cause, reason = told[-2:]
                    assert isinstance(cause, Cause)
                    assert isinstance(reason, Refused)
                    assert cause.cause != CAUSE_RULE or PLACE.search(reason.reason), (number, reason)
                assert not link.callers
                assert link.core is None
                # The punch has to be done with a card before it takes those of too many cores.
                punches = any(message[4] == Punch.CODE for message in messages)
                await rig.wait(1500 if punches else 0)
                rig.states.clear()
                if number == SESSIONS // 2:
                    gc.collect()
                    objects = len(gc.get_objects())
            gc.collect()
            assert len(gc.get_objects()) - objects < MOST_GROWTH
            assert refused > SESSIONS / 4  # the damage is damage, and the whole sessions went through

    run_virtually(main())


@pytest.mark.timeout(60 + MESSAGES / 200)
def test_the_python_client_takes_whatever_comes() -> None:
    refused = 0
    objects = 0
    for number in range(SESSIONS):
        rng = Random(number)
        messages = fuzz.of_a_console(rng, A_SESSION)
        whole = b"".join(messages)
        for data in (whole, fuzz.damaged(rng, messages)):
            ours, theirs = socket.socketpair()
            client = CoreClient("/nowhere", "fuzz", fuzz.LAMPS, fuzz.KEYS, ticks_per_second=1.0, run=1, knows=3)
            ours.setblocking(False)
            client._socket = ours
            for now, piece in enumerate(fuzz.pieces(rng, data)):
                if client.fileno() < 0:
                    break
                theirs.sendall(piece)
                use(client, now * 10_000_000)
            if client.fileno() < 0:
                refused += 1
                assert data is not whole
                assert PLACE.search(client.refusal), (number, client.refusal)
            client.close()
            theirs.close()
        if number == SESSIONS // 2:
            gc.collect()
            objects = len(gc.get_objects())
    gc.collect()
    assert len(gc.get_objects()) - objects < MOST_GROWTH
    assert refused > SESSIONS / 10


def use(client: CoreClient, now: int) -> None:
    client.poll(now)
    client.cycle(5, 3)
    client.read_card()
    client.punch(bytes(160))
    client.type(b"SKERRY")
    client.keyboard()
    client.card_came()
    if client.task_came() is not None:
        client.done("fertig")
    assert client.key(0) in {True, False}
    assert client.presses(1) >= 0
    assert client.credit >= 0


@pytest.mark.timeout(60 + MESSAGES / 200)
def test_the_c_client_takes_whatever_comes(exercise: Path) -> None:
    # Sanitizers watch; a round sends some sixty messages.
    rounds = str(max(1, MESSAGES // 60))
    done = subprocess.run([exercise, "mutate", "99", rounds], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
