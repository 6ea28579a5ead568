"""Where the files that travel with the code are."""

from pathlib import Path


def examples() -> Path:
    """Return the folder of example descriptions and decks: beside the installed code, or `config/` in a checkout."""
    installed = Path(__file__).with_name("examples")
    return installed if installed.is_dir() else Path(__file__).parents[1] / "config"


def c_client() -> Path:
    """Return the folder of the C client."""
    return Path(__file__).with_name("links") / "c"


def units() -> Path:
    """Return the folder of what a system is given: units, udev rules, users and folders."""
    installed = Path(__file__).with_name("units")
    return installed if installed.is_dir() else Path(__file__).parents[1] / "systemd"


def first_core() -> Path:
    """Return the smallest core in Python."""
    return Path(__file__).with_name("demo") / "first_core.py"


def pages() -> list[Path]:
    """Return the pages for authors of cores and observers."""
    return sorted(Path(__file__).with_name("links").glob("*.md"))
