"""The page that core authors read, held to the code: every message, its type, its fields and their kinds, in order."""

import re
from dataclasses import fields
from pathlib import Path

import bridge.links
from bridge.links.messages import LONGEST, MESSAGES, VERSION, CardRead, CycleEnd, FromCore, Message

PAGE = (Path(bridge.links.__file__).parent / "core-link.md").read_text(encoding="utf-8")
NAMES: dict[type[Message], str] = {CardRead: "CARD", CycleEnd: "CYCLE END"}


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
    # source: common practice, no source: about sixty lines of print.
    assert len(PAGE.splitlines()) <= 60
