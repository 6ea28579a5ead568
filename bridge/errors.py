"""The errors people are meant to read."""


class ConsoleError(Exception):
    """Something a person can put right.

    `str()` is the whole message: what is wrong, where, what to do next; several findings are several lines.
    The command prints it and exits with status 2, without a traceback.
    """
