"""Golden transcripts: clients and server say today, byte by byte, what they said when a version was new."""

from dataclasses import replace
from pathlib import Path

import pytest

from bridge.links.messages import MESSAGES, VERSION, Decoder, Device, encode
from tests.links import transcript
from tests.links.test_clients import Console, Make
from tests.links.test_clients import console as console  # noqa: PLC0414 -- a fixture
from tests.links.test_clients import make as make  # noqa: PLC0414 -- a fixture

FILES = sorted(transcript.FOLDER.glob("v*.txt"))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_client_says_what_it_said(file: Path, make: Make, console: Console) -> None:
    lines = transcript.read(file)
    core = make(**transcript.setup(lines))
    said = transcript.replay_to_client(lines, core, console)
    core.close()
    assert said == transcript.said(lines, "core")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_server_says_what_it_said(file: Path) -> None:
    lines = transcript.read(file)
    assert without_words(transcript.replay_to_daemon(lines)) == without_words(transcript.said(lines, "daemon"))


def without_words(said: bytes) -> bytes:
    """Return what a daemon says without the words of its devices, which may change (core-link.md, rule 8)."""
    messages = list(Decoder().feed(said))
    assert b"".join(encode(message) for message in messages) == said
    return b"".join(encode(replace(m, words="") if isinstance(m, Device) else m) for m in messages)


def test_every_version_has_one_and_nearly_every_message_is_in_it() -> None:
    assert {file.stem.partition("-")[0] for file in FILES} == {f"v{version}" for version in range(1, VERSION + 1)}
    lines = [line for file in FILES for line in transcript.read(file)]
    messages = [m for who in ("core", "daemon") for m in Decoder().feed(transcript.said(lines, who))]
    left = {kind.__name__ for kind in MESSAGES.values()} - {type(message).__name__ for message in messages}
    # What the reader's END key and a core with its own time add.
    assert left == {"OwnTime", "LastCard"}
