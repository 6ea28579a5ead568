import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def short_folder() -> Iterator[Path]:
    """A folder whose path leaves room for a socket's name, wherever the tests are run from."""
    with tempfile.TemporaryDirectory(prefix="cw-", dir="/tmp") as folder:
        yield Path(folder)
