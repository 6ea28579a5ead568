"""The kit's subcommands; each imports what it needs when it is used."""

import argparse
import asyncio
from pathlib import Path
from typing import Any

COMMAND = "the core's command; the core socket takes the place of {}, or is added at its end"


def add(commands: Any, pace: Any) -> None:
    """Add the kit's subcommands to an argparse subparsers action; `pace` is the type of a pace factor."""
    rehearse = commands.add_parser(
        "rehearse",
        help="a simulated console at the desk: throw its keys, see its lamps",
        description="Rehearse a console and work it with words, from a terminal or a pipe; 'help' lists them.",
    )
    rehearse.add_argument("file", type=Path, metavar="FILE", help="the console's description")
    rehearse.add_argument("--state", type=Path, metavar="DIR", help="where state, hoppers and sockets are kept")
    rehearse.add_argument("--pace", type=pace, metavar="FACTOR", help="times faster than the real machine, or max")
    rehearse.add_argument("--core", nargs=argparse.REMAINDER, default=[], metavar="COMMAND", help=f"last: {COMMAND}")
    rehearse.set_defaults(door=_rehearse)

    core = commands.add_parser("core", help="for authors of cores: what they need, and a judge")
    about = core.add_subparsers(dest="about", required=True, metavar="WHAT")
    kit = about.add_parser("kit", help="copy the C client, examples and pages into a folder")
    kit.add_argument("folder", type=Path, metavar="DIR", help="made if it is not there")
    kit.add_argument("--replace", action="store_true", help="write files even if they are there")
    kit.set_defaults(door=_core_kit)
    check = about.add_parser(
        "check",
        help="judge a core at a scripted console, rule by rule",
        description="Start a core at a scripted console and judge it, rule by rule, in some twenty seconds. "
        "Unless --throw or --press say how to set it to work, each of its keys is closed and opened once. "
        "Exit status 1 if it breaks a rule.",
    )
    check.add_argument("--file", type=Path, metavar="FILE", help="the description of its console: what the panel lacks")
    check.add_argument("--throw", action="append", default=[], metavar="KEY", help="close this key and leave it closed")
    check.add_argument("--press", action="append", default=[], metavar="KEY", help="press this key, after those")
    check.add_argument("--deck", action="append", default=[], type=Path, metavar="DECK", help="let it read this deck")
    check.add_argument("core", nargs="+", metavar="COMMAND", help=f"after --: {COMMAND}")
    check.set_defaults(door=_core_check)


def _core_kit(arguments: argparse.Namespace) -> None:
    from bridge.kit.files import kit  # noqa: PLC0415

    for line in kit(arguments.folder, replace=arguments.replace):
        print(line)


def _core_check(arguments: argparse.Namespace) -> int:
    from bridge.decks.files import Asked, code_named, read  # noqa: PLC0415
    from bridge.kit.check.command import check  # noqa: PLC0415
    from bridge.kit.check.script import Hands  # noqa: PLC0415
    from bridge.kit.check.verdicts import report  # noqa: PLC0415

    names = None
    if arguments.file is not None:
        from bridge.console import load  # noqa: PLC0415

        console = load(arguments.file)
        names = [point.name for point in (*console.lamps, *console.keys)]
    asked = Asked(code_named(None, arguments.file), tabs=8)
    deck = [card for path in arguments.deck for card in read(path, asked).cards]
    hands = Hands(arguments.throw, arguments.press)
    verdicts = asyncio.run(check(arguments.core, deck=deck, names=names, hands=hands))
    for line in report(verdicts):
        print(line)
    return int(any(verdict.state == "FAILED" for verdict in verdicts))


def _rehearse(arguments: argparse.Namespace) -> int:
    from bridge.kit.rehearse import rehearse  # noqa: PLC0415

    return asyncio.run(rehearse(arguments.file, state=arguments.state, pace=arguments.pace, core=arguments.core))
