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
