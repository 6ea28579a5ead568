"""`consolewright core kit`: what an author of a core needs, copied from wherever the command is installed."""

import shutil
from collections.abc import Iterator
from pathlib import Path

from bridge.errors import ConsoleError
from bridge.files import c_client, examples, first_core, pages


def kit(folder: Path, *, replace: bool) -> Iterator[str]:
    """Copy the kit's files into `folder`, which is made if it is not there, and yield a line for each.

    Raises ConsoleError, before anything is copied, when one of them is there already and not to be replaced.
    """
    sources = [*sorted(c_client().glob("*.[ch]")), first_core(), examples() / "first-panel.toml", *pages()]
    there = [source.name for source in sources if (folder / source.name).exists()]
    if there and not replace:
        raise ConsoleError(f"{folder}: {', '.join(there)} there already. Give another folder, or --replace.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for source in sources:
            # Its bytes alone: what is installed may be read-only, and not the reader's.
            shutil.copyfile(source, folder / source.name)
            yield str(folder / source.name)
    except OSError as error:
        raise ConsoleError(f"{error.filename}: cannot be written ({error.strerror}).") from None
