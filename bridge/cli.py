"""The command: each subcommand a thin door into one room. Rooms are imported by the door that needs them."""

import argparse
import asyncio
import io
import json
import math
import signal
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from bridge.errors import ConsoleError
from bridge.kit import doors as kit
from bridge.workshop import doors as workshop

if TYPE_CHECKING:
    from bridge.decks.files import Asked

Door = Callable[[argparse.Namespace], int | None]
"""What a subcommand does; returns the exit status if it is not 0."""

DIFFERENT = 1
"""Exit status of `deck compare` when the decks differ, as other programs that compare have it."""

BAD = 2
"""Exit status when something a person can put right is in the way."""


def parser() -> argparse.ArgumentParser:
    """Return the command line's parser; each subcommand's function is in `door`."""
    top = argparse.ArgumentParser(
        prog="consolewright", description="Joins an emulator program to a physical replica console, or rehearses one."
    )
    top.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    check = commands.add_parser("check", help="check a console description: print all its errors, or what is wired")
    check.add_argument("file", type=Path, metavar="FILE")
    check.set_defaults(door=_check)

    schema = commands.add_parser("schema", help="print the JSON Schema of console descriptions")
    schema.set_defaults(door=_schema)

    run = commands.add_parser("run", help="run a console until it is told to stop")
    run.add_argument("file", type=Path, metavar="FILE", help="the console's description")
    run.add_argument("--rehearse", action="store_true", help="simulate all hardware, whatever the description says")
    run.add_argument("--state", type=Path, metavar="DIR", help="where state, hoppers and sockets are kept")
    run.add_argument("--calm", action="store_true", help="dim and slow the lamps, as for a sensory-friendly hour")
    run.add_argument("--pace", type=_pace, metavar="FACTOR", help="times faster than the real machine, or max")
    run.add_argument(
        "--unattended",
        action="store_true",
        help="start even if a part is missing or the deck in the reader is bad: nobody is there to read it",
    )
    run.set_defaults(door=_run)

    kit.add(commands, _pace)
    workshop.add(commands)

    dark = commands.add_parser("dark", help="darken every lamp of a console that is not running, and exit")
    dark.add_argument("file", type=Path, metavar="FILE", help="the console's description")
    dark.add_argument("--rehearse", action="store_true", help="simulate all hardware: to see that it would work")
    dark.set_defaults(door=_dark)

    lamps = commands.add_parser("lamps", help="what the lamps are modelled to do")
    about = lamps.add_subparsers(dest="about", required=True, metavar="WHAT")
    plot = about.add_parser("plot", help="draw rise, fade and light against duty of a kind of lamp")
    plot.add_argument("kind", metavar="KIND", help="a built-in kind, such as pilot, or one of the description")
    plot.add_argument("--file", type=Path, metavar="FILE", help="the description that has it")
    plot.add_argument("--out", type=Path, metavar="PICTURE", default=Path("lamp.svg"), help="a .svg or .png file")
    plot.set_defaults(door=_lamps_plot)

    _add_deck(commands.add_parser("deck", help="decks of cards: show, check, convert and compare them"))

    sticks = commands.add_parser("sticks", help="USB sticks and the ports they go into")
    about = sticks.add_subparsers(dest="about", required=True, metavar="WHAT")
    watch = about.add_parser("watch", help="print the line that names a port when a stick is put into it")
    watch.set_defaults(door=_sticks_watch)

    install = commands.add_parser(
        "install",
        help="make a console the service of this system, or take it away",
        description="Makes a console the service of this system, which starts with it; again, with another description "
        "or from a newer version, replaces what is installed. Says first what it will do.",
    )
    install.add_argument("file", type=Path, nargs="?", metavar="FILE", help="the console's description")
    install.add_argument("--remove", action="store_true", help="take everything away again, state and all")
    install.add_argument(
        "--core",
        nargs=argparse.REMAINDER,
        default=[],
        metavar="COMMAND",
        help="last: the emulator's command; the core socket takes the place of {}, or is added at its end",
    )
    install.set_defaults(door=_install, usage=install.error)

    demo = commands.add_parser("demo", help="a whole simulated console does a real job, from deck to typed page")
    demo.add_argument("--headless", action="store_true", help="no screen: plain lines, and the end is the end")
    demo.add_argument(
        "--pace", type=_pace, default=1.0, metavar="FACTOR", help="times faster than the real machine, or max"
    )
    demo.add_argument("--out", type=Path, metavar="DIR", help="leave what is typed and punched there")
    demo.add_argument(
        "--double-pass",
        action="store_true",
        help="another job: a deck too long for the store, read twice, by a program that is then condensed",
    )
    demo.set_defaults(door=_demo)
    return top


class _Version(argparse.Action):
    """Prints the version of what is installed; looked up when asked for, since that takes a while on a Pi."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

        try:
            number = version("consolewright")
        except PackageNotFoundError:
            number = "(not installed)"
        print(f"consolewright {number}")
        parser.exit()


def _add_deck(deck: argparse.ArgumentParser) -> None:
    deck.description = (
        "A deck is a text file, *.deck, with a line for each card, or a file of pictures, *.pbm. "
        "'consolewright deck COMMAND --help' tells more."
    )
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--code",
        metavar="NAME",
        help="card code: x3.26, commercial, scientific, or one that --file describes; unless said, that of the reader "
        "in --file, or x3.26",
    )
    common.add_argument("--file", type=Path, metavar="FILE", help="the description of a console")
    common.add_argument("--tabs", type=_columns, default=8, metavar="N", help="tab stops are N columns apart (8)")
    commands = deck.add_subparsers(dest="about", required=True, metavar="COMMAND")

    def add(name: str, door: Door, what: str) -> argparse.ArgumentParser:
        command = commands.add_parser(name, parents=[common], help=what, description=f"{what[0].upper()}{what[1:]}.")
        command.set_defaults(door=door)
        return command

    show = add("show", _deck_show, "list a deck as an interpreter prints it, or draw one of its cards")
    show.add_argument("deck", type=Path, metavar="DECK", help="a .deck or .pbm file")
    show.add_argument("--card", type=int, metavar="N", help="this card only")
    show.add_argument("--holes", action="store_true", help="show every hole as well")
    show.add_argument("--picture", type=Path, metavar="FILE", help="draw the card (the first) instead: .svg or .png")

    check = add("check", _deck_check, "check decks: print all that is wrong with them, or what is in them")
    check.add_argument("decks", type=Path, nargs="+", metavar="DECK", help="a .deck or .pbm file")

    convert = add("convert", _deck_convert, "make pictures of a deck's text, or text of its pictures")
    convert.add_argument("source", type=Path, metavar="IN", help="a .deck or .pbm file")
    convert.add_argument("target", type=Path, metavar="OUT", help="the new one: .deck for text, .pbm for pictures")
    convert.add_argument("--replace", action="store_true", help="write OUT even if it is there")

    compare = add("compare", _deck_compare, "tell which cards and columns of two decks differ; exit status 1 if any do")
    compare.add_argument("decks", type=Path, nargs=2, metavar="DECK", help="a .deck or .pbm file")
    compare.add_argument("--all", action="store_true", help="list more than the first 20 cards that differ")


def main() -> NoReturn:
    """Run the command; what a person can put right is said without a traceback, with exit status 2."""
    arguments = parser().parse_args()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that knows no ▒ or £ shows ? for it, and the rest.
        sys.stdout.reconfigure(errors="replace")
    try:
        status = arguments.door(arguments) or 0
        sys.stdout.flush()
    except ConsoleError as error:
        from bridge.daemon.journal import FAULT, leveled  # noqa: PLC0415

        print(leveled(str(error), FAULT, sys.stderr), file=sys.stderr)
        sys.exit(BAD)
    except KeyboardInterrupt:
        sys.exit(128 + signal.SIGINT)
    except asyncio.CancelledError:
        sys.exit(128 + signal.SIGTERM)
    except BrokenPipeError:
        # Whoever read our output has gone; nothing is left to say to them.
        sys.stderr.close()
        sys.exit(128 + signal.SIGPIPE)
    sys.exit(status)


def _pace(text: str) -> float:
    if text == "max":
        return math.inf
    try:
        factor = float(text)
    except ValueError:
        factor = 0.0
    if not 0 < factor < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r} is no pace: give a number above 0, such as 2, or max")
    return factor


def _columns(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) <= 80):
        raise argparse.ArgumentTypeError(f"{text!r} is no number of columns: give one from 1 to 80")
    return int(text)


def _check(arguments: argparse.Namespace) -> None:
    from bridge import console  # noqa: PLC0415
    from bridge.workshop.check import page  # noqa: PLC0415

    _print(page(console.load(arguments.file)))


def _schema(_: argparse.Namespace) -> None:
    from bridge import console  # noqa: PLC0415

    print(json.dumps(console.schema(), indent=2))


def _run(arguments: argparse.Namespace) -> None:
    from bridge.daemon.description import Description  # noqa: PLC0415
    from bridge.daemon.state import state_folder  # noqa: PLC0415

    state = state_folder(arguments.state)
    with Description(arguments.file, state) as description:
        # Importing it takes as long as reading the description.
        from bridge.daemon.service import run  # noqa: PLC0415

        run(
            description,
            rehearse=arguments.rehearse,
            state=state,
            pace=arguments.pace,
            unattended=arguments.unattended,
            calm=arguments.calm,
        )


def _dark(arguments: argparse.Namespace) -> None:
    from bridge.daemon.description import Description  # noqa: PLC0415
    from bridge.daemon.state import state_folder  # noqa: PLC0415

    with Description(arguments.file, state_folder(None)) as description:
        from bridge.daemon.dark import dark  # noqa: PLC0415

        names = dark(description.console(), rehearse=arguments.rehearse)
    print(f"dark: {', '.join(names) or 'there are no lamps'}")


def _lamps_plot(arguments: argparse.Namespace) -> None:
    from bridge.plots.lamps import plot  # noqa: PLC0415

    for line in plot(arguments.kind, arguments.file, arguments.out):
        print(line)


def _asked(arguments: argparse.Namespace) -> "Asked":
    from bridge.decks.files import Asked, code_named  # noqa: PLC0415

    return Asked(code_named(arguments.code, arguments.file), arguments.tabs)


def _deck_show(arguments: argparse.Namespace) -> None:
    from bridge.decks.commands import draw, show  # noqa: PLC0415

    if arguments.picture:
        lines = draw(arguments.deck, _asked(arguments), arguments.card, arguments.picture)
    else:
        lines = show(arguments.deck, _asked(arguments), arguments.card, holes=arguments.holes)
    _print(lines)


def _deck_check(arguments: argparse.Namespace) -> None:
    from bridge.decks.commands import check  # noqa: PLC0415

    _print(check(arguments.decks, _asked(arguments)))


def _deck_convert(arguments: argparse.Namespace) -> None:
    from bridge.decks.commands import convert  # noqa: PLC0415

    _print(convert(arguments.source, arguments.target, _asked(arguments), replace=arguments.replace))


def _deck_compare(arguments: argparse.Namespace) -> int:
    from bridge.decks.commands import Comparison  # noqa: PLC0415

    comparison = Comparison(tuple(arguments.decks), _asked(arguments), everything=arguments.all)
    _print(comparison.lines())
    return 0 if comparison.alike else DIFFERENT


def _print(lines: Iterable[str]) -> None:
    for line in lines:
        print(line)


def _sticks_watch(_: argparse.Namespace) -> None:
    from bridge.sticks.show import watch  # noqa: PLC0415

    asyncio.run(watch(lambda line: print(line, flush=True)))


def _install(arguments: argparse.Namespace) -> None:
    from bridge.install.commands import install, remove  # noqa: PLC0415

    if arguments.remove and (arguments.file or arguments.core):
        arguments.usage("--remove takes away whatever is installed: give it alone")
    if arguments.remove:
        remove(_say)
    elif arguments.file:
        install(arguments.file, arguments.core, _say)
    else:
        arguments.usage("give the FILE that describes the console, or --remove")


def _say(line: str) -> None:
    print(line, flush=True)


def _demo(arguments: argparse.Namespace) -> None:
    from bridge.demo.jobs import DOUBLE_PASS, TIDES  # noqa: PLC0415
    from bridge.demo.show import demo  # noqa: PLC0415

    job = DOUBLE_PASS if arguments.double_pass else TIDES
    asyncio.run(demo(job, headless=arguments.headless, pace=arguments.pace, out=arguments.out))
