"""The page that core authors read, held to the code: every message, its type, its fields and their kinds, in order."""

import asyncio
import re
from dataclasses import fields
from pathlib import Path
from typing import Any

import bridge.links
from bridge.links.client import CoreClient
from bridge.links.messages import LONGEST, MESSAGES, VERSION, CardRead, CycleEnd, FromCore, LastCard, Message, OwnTime
from bridge.links.observer import FORMAT, observe
from tests.daemon.harness import Rig
from tests.virtual import run_virtually

PAGE = (Path(bridge.links.__file__).parent / "core-link.md").read_text(encoding="utf-8")
NAMES: dict[type[Message], str] = {CardRead: "CARD", CycleEnd: "CYCLE END", OwnTime: "OWN TIME", LastCard: "LAST CARD"}


def test_the_table_is_the_code() -> None:
    rows = re.findall(r"^\| (0x[0-9A-F]{2}) \| ([A-Z ]+) \| (core|daemon) \|(.*)\|$", PAGE, re.MULTILINE)
    page = {
        int(code, 16): (name, sender, [tuple(field.split()) for field in described.split(",") if field.strip()])
        for code, name, sender, described in rows
    }
    code = {
        number: (
            NAMES.get(kind, kind.__name__.upper()),
            "core" if issubclass(kind, FromCore) else "daemon",
            [(field.name, wire) for field, wire in zip(fields(kind), kind.KINDS, strict=True)],
        )
        for number, kind in MESSAGES.items()
    }
    assert page == code


def test_version_and_longest_message_are_on_the_page() -> None:
    assert PAGE.startswith(f"# The core link, version {VERSION}\n")
    assert f"1 to {LONGEST:,}" in PAGE


def test_it_is_one_page() -> None:
    # source: from memory: line printers put six lines to the inch on paper of eleven inches.
    assert len(PAGE.splitlines()) <= 66


OBSERVER = (Path(bridge.links.__file__).parent / "observer-link.md").read_text(encoding="utf-8")


def test_every_topic_a_console_tells_is_on_the_observers_page_with_its_keys(tmp_path: Path) -> None:
    page = {
        topic: set(re.findall(r"`(\w+)`", keys))
        for topic, keys in re.findall(
            r"^\| (\w+) \| (?:state|event|stream|first|last) \|(.*)\|$", OBSERVER, re.MULTILINE
        )
    }

    async def main() -> list[dict[str, Any]]:
        lines: list[dict[str, Any]] = []
        async with Rig(tmp_path) as rig:

            async def watch() -> None:
                lines.extend([line async for line in observe(str(rig.sockets.observer), also=["core"])])

            watching = asyncio.create_task(watch())
            (tmp_path / "reader" / "one.deck").write_text("A\n")
            client = CoreClient(str(rig.sockets.core), "trial", ["A.0"], ["START"], ticks_per_second=1e4, run=1)
            await rig.talk(client, 600)
            client.read_card()
            client.punch(bytes(160))
            client.type(b"X")
            await rig.talk(client, 2000)
            await rig.press("START")
            client.close()
            await rig.daemon.stop()
            await watching
        return lines

    lines = run_virtually(main())
    told: dict[str, set[str]] = {}
    for line in lines:
        told.setdefault(line["topic"], set()).update(line.keys() - {"topic"})
    assert told == {topic: keys for topic, keys in page.items() if topic not in {"missed", "refused"}}
    assert {"missed", "refused"} < page.keys()
    assert OBSERVER.startswith(f"# The observer link, format {FORMAT}\n")
