"""Reading the reference tables."""

from pathlib import Path

REFERENCES = Path(__file__).parent / "references"


def rows(name: str) -> list[list[str]]:
    """Return a table's rows without its source lines and its heading."""
    lines = [line for line in (REFERENCES / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [line.split("\t") for line in lines[1:]]
