"""`consolewright dark`: darkens every lamp of a console and exits, for when a daemon could not do it itself."""

from bridge.console import Console
from bridge.daemon.assembly import darken
from bridge.errors import ConsoleError


def dark(console: Console, *, rehearse: bool) -> list[str]:
    """Darken the lamp parts of the console and return their names.

    Opens only their wires. What can be darkened is darkened before ConsoleError names all that could not be reached.
    Doing it twice does no harm.
    """
    done, errors = darken(console, rehearse=rehearse)
    if errors:
        raise ConsoleError("\n".join(dict.fromkeys(errors)))
    return done
