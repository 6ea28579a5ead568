"""What crosses between processes: a pickle, and beside it, uncopied, the content of its NumPy arrays."""

import contextlib
import errno
import mmap
import os
import pickle
import socket
from typing import Any

from bridge.sticks.process import MESSAGE


class TooLargeError(OSError):
    """Something is too large to cross: names on a stick, say, which must not be the daemon's end."""


def send(channel: socket.socket, content: object) -> None:
    """Send `content`; raises TooLargeError if, its arrays apart, it is too large, OSError if the other end is gone.

    The arrays go into memory that both processes see; nothing of them is copied, or even looked at, on arrival.
    """
    buffers: list[pickle.PickleBuffer] = []
    head = pickle.dumps(content, 5, buffer_callback=buffers.append)
    views = [buffer.raw() for buffer in buffers]
    message = pickle.dumps((head, [view.nbytes for view in views]), 5)
    if len(message) > MESSAGE:
        raise TooLargeError(errno.EMSGSIZE, f"{len(message):,} bytes of names and words are too many at once")
    if not sum(view.nbytes for view in views):
        channel.send(message)
        return
    with os.fdopen(os.memfd_create("arrays", os.MFD_CLOEXEC), "wb") as file:
        for view in views:
            file.write(view)
        file.flush()
        socket.send_fds(channel, [message], [file.fileno()])


def receive(channel: socket.socket) -> Any:
    """Return what was sent; raises EOFError if the other end is gone, and BlockingIOError if nothing came yet."""
    try:
        message, descriptors, _, _ = socket.recv_fds(channel, 2 * MESSAGE, 1, socket.MSG_CMSG_CLOEXEC)
    except ConnectionError:
        message, descriptors = b"", []
    with contextlib.ExitStack() as held:
        for descriptor in descriptors:
            held.callback(os.close, descriptor)
        if not message:
            raise EOFError("the other process is gone")
        head, sizes = pickle.loads(message)  # noqa: S301 -- from a process of ours
        shared = memoryview(mmap.mmap(descriptors[0], 0, prot=mmap.PROT_READ) if descriptors else b"")
        buffers, at = [], 0
        for size in sizes:
            buffers.append(shared[at : at + size])
            at += size
        return pickle.loads(head, buffers=buffers)  # noqa: S301
