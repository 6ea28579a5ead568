"""A testbed of umockdev, as a process of its own: `python -m tests.sticks.testbed`, with umockdev's preload.

Prints its folder, then takes a line of JSON for each thing to do, and answers each with an empty line: ["add", TEXT]
plugs in what umockdev's description TEXT says; ["change", PATH, TEXT] tells of a change of a device after its file
uevent has been TEXT; ["gone", PATH] removes a device with no event; ["remove", PATH] sends that event.
"""

import ctypes
import json
import sys
from pathlib import Path

LIBRARY = "libumockdev.so.0"
PRELOAD = "libumockdev-preload.so.0"


class Testbed:
    """umockdev's C interface, as far as it is needed here."""

    def __init__(self) -> None:
        self._library = library = ctypes.CDLL(LIBRARY)
        library.umockdev_testbed_new.restype = ctypes.c_void_p
        library.umockdev_testbed_get_root_dir.restype = ctypes.c_char_p
        library.umockdev_testbed_get_root_dir.argtypes = [ctypes.c_void_p]
        library.umockdev_testbed_add_from_string.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p]
        library.umockdev_testbed_uevent.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
        library.umockdev_testbed_remove_device.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
        self._testbed = ctypes.c_void_p(library.umockdev_testbed_new())
        self.root = Path(library.umockdev_testbed_get_root_dir(self._testbed).decode())

    def add(self, text: str) -> None:
        if not self._library.umockdev_testbed_add_from_string(self._testbed, text.encode(), None):
            raise ValueError("umockdev does not take this description")

    def change(self, path: str, uevent: str) -> None:
        (self.root / path.lstrip("/") / "uevent").write_text(uevent)
        self._library.umockdev_testbed_uevent(self._testbed, path.encode(), b"change")

    def remove(self, path: str) -> None:
        self._library.umockdev_testbed_uevent(self._testbed, path.encode(), b"remove")

    def gone(self, path: str) -> None:
        self._library.umockdev_testbed_remove_device(self._testbed, path.encode())
        # umockdev 0.17.16 leaves links behind, and aborts when the name or number comes back.
        for folder in ("sys/block", "sys/dev/block"):
            for link in (self.root / folder).glob("*"):
                if link.is_symlink() and str(link.readlink()).endswith(path.removeprefix("/sys/")):
                    link.unlink()

    def close(self) -> None:
        library = ctypes.CDLL("libgobject-2.0.so.0")
        library.g_object_unref.argtypes = [ctypes.c_void_p]
        library.g_object_unref(self._testbed)


def main() -> None:
    testbed = Testbed()
    print(testbed.root, flush=True)
    for line in sys.stdin:
        what, *about = json.loads(line)
        getattr(testbed, what)(*about)
        print(flush=True)
    testbed.close()


if __name__ == "__main__":
    main()
