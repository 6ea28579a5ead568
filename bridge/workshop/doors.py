"""The workshop's subcommands; each imports what it needs when it is used."""

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """Add the workshop's subcommands to an argparse subparsers action."""
    counters = commands.add_parser(
        "counters", help="what a console has done in all: hours lit, throws, cards, sticks, characters"
    )
    counters.add_argument("--state", type=Path, metavar="DIR", help="the console's state folder")
    counters.set_defaults(door=_counters)

    wiring = commands.add_parser("wiring", help="the wiring list: from and to a spreadsheet, on paper, as labels")
    about = wiring.add_subparsers(dest="about", required=True, metavar="WHAT")

    bring = about.add_parser(
        "import",
        help="make a description of a spreadsheet's CSV",
        description="Make a description of a wiring list. An empty channel is the next free one of its part.",
    )
    bring.add_argument("list", type=Path, metavar="LIST", help="a .csv file, UTF-8, with commas, semicolons or tabs")
    bring.add_argument("file", type=Path, metavar="FILE", help="the description to write")
    bring.add_argument("--parts", type=Path, metavar="FILE", help="a description of everything but lamps and keys")
    bring.add_argument("--replace", action="store_true", help="write FILE even if it is there")
    bring.set_defaults(door=_import)

    export = about.add_parser("export", help="write the wiring list of a description as CSV, for a spreadsheet")
    export.add_argument("file", type=Path, metavar="FILE", help="the console's description")
    export.add_argument("list", type=Path, metavar="LIST", help="the .csv file to write")
    export.add_argument("--codes", action="store_true", help="colours in the letters of IEC 60757: WHBU")
    export.add_argument("--replace", action="store_true", help="write LIST even if it is there")
    export.set_defaults(door=_export)

    show = about.add_parser("print", help="print the wiring list pin by pin, or make labels for its wires")
    show.add_argument("file", type=Path, metavar="FILE", help="the console's description")
    show.add_argument(
        "--labels", type=Path, metavar="PAGE", help="write labels as an .html page, for a browser's Print"
    )
    show.add_argument("--replace", action="store_true", help="write PAGE even if it is there")
    show.set_defaults(door=_print)


def _import(arguments: argparse.Namespace) -> None:
    from bridge.workshop.wiring import bring  # noqa: PLC0415

    for line in bring(arguments.list, arguments.file, arguments.parts, replace=arguments.replace):
        print(line)


def _export(arguments: argparse.Namespace) -> None:
    from bridge import console  # noqa: PLC0415
    from bridge.workshop.wiring import export  # noqa: PLC0415

    described = console.load(arguments.file)
    print(export(described, arguments.list, codes=arguments.codes, replace=arguments.replace))


def _print(arguments: argparse.Namespace) -> None:
    from bridge import console  # noqa: PLC0415
    from bridge.workshop.labels import page  # noqa: PLC0415
    from bridge.workshop.wiring import listed, write  # noqa: PLC0415

    described = console.load(arguments.file)
    if arguments.labels is None:
        for line in listed(described):
            print(line)
    else:
        write(arguments.labels, page(described).encode(), replace=arguments.replace)
        print(f"{arguments.labels}: open it in a browser and print it, at 100 %")


def _counters(arguments: argparse.Namespace) -> None:
    from bridge.workshop.counting import counted  # noqa: PLC0415

    for line in counted(arguments.state):
        print(line)
