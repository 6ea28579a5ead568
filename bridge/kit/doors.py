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


def _rehearse(arguments: argparse.Namespace) -> int:
    from bridge.kit.rehearse import rehearse  # noqa: PLC0415

    return asyncio.run(rehearse(arguments.file, state=arguments.state, pace=arguments.pace, core=arguments.core))
