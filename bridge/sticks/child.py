"""The process behind a `Worker`: runs the calls it is sent, one after another, until the daemon is gone."""

import contextlib
import os
import pickle
import traceback
from collections.abc import Callable
from typing import Any

from bridge.sticks import parcel, process

NICE = 10
"""How far calls on sticks stand back behind everything else that runs."""


def main() -> None:
    """Answer each (call, arguments) with (result, None) or (None, error)."""
    channel = process.channel()
    # Whatever is on a stick, lamps and keys come first.
    os.nice(NICE)
    with contextlib.suppress(EOFError, ConnectionError):
        while True:
            answer = _run(*parcel.receive(channel))
            try:
                parcel.send(channel, answer)
            except (parcel.TooLargeError, TypeError, AttributeError, pickle.PicklingError) as error:
                parcel.send(channel, (None, _sendable(error)))


def _run(call: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[Any, Exception | None]:
    try:
        return call(*arguments), None
    except Exception as error:  # noqa: BLE001 -- whoever called is to have it
        return None, _sendable(error)


def _sendable(error: Exception) -> Exception:
    """Return the error with where it came from, since its traceback stays here; in other words if it cannot cross."""
    trace = "".join(traceback.format_exception(error))
    error.add_note(trace)
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 -- as the other side will
    except Exception:  # noqa: BLE001 -- an error's constructor can do anything
        return RuntimeError(trace)
    return error


if __name__ == "__main__":
    main()
