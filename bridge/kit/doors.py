"""The kit's subcommands; each imports what it needs when it is used."""

import argparse
import asyncio
from pathlib import Path
from typing import Any

from bridge.errors import ConsoleError

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

    watch = about.add_parser("watch", help="tell what crosses the core link of a running console")
    _where(watch)
    watch.add_argument(
        "--only", type=_kinds, metavar="KINDS", help="of lamps, keys, cards and typing only these, with commas between"
    )
    watch.add_argument("--to", type=Path, metavar="FILE", help="keep it as a recording, for the trace commands")
    watch.set_defaults(door=_core_watch)
    _add_trace(commands)


def _where(command: argparse.ArgumentParser) -> None:
    command.add_argument("--state", type=Path, metavar="DIR", help="the state folder of the running console")


def _kinds(text: str) -> list[str]:
    from bridge.kit.trace.record import KINDS  # noqa: PLC0415

    words = text.split(",")
    for word in words:
        if word not in KINDS:
            raise argparse.ArgumentTypeError(f"{word!r} is none of {', '.join(KINDS)}")
    return words


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0")
    return number


def _add_trace(commands: Any) -> None:
    trace = commands.add_parser("trace", help="recordings of the core link: save, play and export them")
    about = trace.add_subparsers(dest="about", required=True, metavar="WHAT")
    save = about.add_parser(
        "save",
        help="record a running console, and keep the last while",
        description="Record the core link of a running console. The last while is written to FILE at the end, which "
        "Ctrl-C or the console brings, and at SIGUSR1; and to FILE-fault-1, -2 … when a device has a fault.",
    )
    save.add_argument("file", type=Path, metavar="FILE", help="a new file, such as evening.trace")
    _where(save)
    save.add_argument("--seconds", type=_positive, default=600.0, metavar="N", help="how long the last while is (600)")
    save.add_argument("--megabytes", type=_positive, default=64.0, metavar="N", help="how much of it at most (64)")
    save.set_defaults(door=_trace_save)
    play = about.add_parser(
        "play", help="show a recording's lamps and typing on a panel, without the machine, and tell the rest"
    )
    play.add_argument("file", type=Path, metavar="FILE", help="a recording")
    _where(play)
    play.add_argument("--speed", type=_positive, default=1.0, metavar="FACTOR", help="times faster than recorded")
    play.add_argument(
        "--skip", type=_positive, metavar="SECONDS", help="cut down to this while the machine stands still"
    )
    play.add_argument("--loop", action="store_true", help="begin again at the end")
    play.set_defaults(door=_trace_play)
    export = about.add_parser("export", help="write a recording as a value change dump (VCD), for wave viewers")
    export.add_argument("file", type=Path, metavar="FILE", help="a recording")
    export.add_argument("out", type=Path, metavar="OUT", help="the dump, such as evening.vcd")
    export.set_defaults(door=_trace_export)


def _core_watch(arguments: argparse.Namespace) -> None:
    from bridge.kit.trace.follow import observer_socket, watch  # noqa: PLC0415
    from bridge.kit.trace.record import KINDS  # noqa: PLC0415

    only = arguments.only or KINDS
    asyncio.run(watch(observer_socket(arguments.state), only, arguments.to, lambda line: print(line, flush=True)))


def _trace_save(arguments: argparse.Namespace) -> None:
    from bridge.kit.trace.follow import Recorder, observer_socket, save  # noqa: PLC0415
    from bridge.kit.trace.ring import Ring  # noqa: PLC0415

    ring = Ring(arguments.seconds, round(arguments.megabytes * 1e6))
    recorder = Recorder(arguments.file, ring, lambda line: print(line, flush=True))
    asyncio.run(save(observer_socket(arguments.state), recorder))


def _trace_play(arguments: argparse.Namespace) -> None:
    from bridge.clock import LoopClock  # noqa: PLC0415
    from bridge.kit.trace.follow import observer_socket  # noqa: PLC0415
    from bridge.kit.trace.play import Manner, Player  # noqa: PLC0415
    from bridge.kit.trace.record import read  # noqa: PLC0415

    async def play() -> None:
        manner = Manner(arguments.speed, arguments.skip, arguments.loop)
        core = observer_socket(arguments.state).with_name("core.sock")
        say = lambda line: print(line, flush=True)  # noqa: E731
        await Player(core, read(arguments.file), manner, say).play(LoopClock())

    asyncio.run(play())


def _trace_export(arguments: argparse.Namespace) -> None:
    from bridge.kit.trace.record import read  # noqa: PLC0415
    from bridge.kit.trace.vcd import dump  # noqa: PLC0415

    recording = read(arguments.file)
    try:
        with arguments.out.open("w", encoding="ascii", errors="replace") as file:
            file.writelines(f"{line}\n" for line in dump(recording))
    except OSError as error:
        raise ConsoleError(f"{arguments.out}: cannot be written ({error.strerror}).") from None


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
