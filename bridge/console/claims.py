"""Things that only one may have: a second claim on one is a finding that names both."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from bridge.console import spans
from bridge.console.findings import Finding


@dataclass(frozen=True)
class Owner:
    """Who claims, in the builder's words, and on which line."""

    who: str
    line: int


def quoted(names: Iterable[int | str]) -> str:
    """Return names as they stand in the description: "A.3", "A.2"."""
    return ", ".join(f'"{name}"' for name in names)


class Claims:
    """Who has each of one sort of thing; `thing` names the sort, `show` writes a list of them.

    Things may be counted apart in several places (the channels of each part): `take` is told which.
    """

    def __init__(self, thing: str, show: Callable[[list[int | str]], str] = spans.write) -> None:
        self._thing = thing
        self._show = show
        self._owners: dict[tuple[str, int | str], Owner] = {}
        self._clashes: dict[tuple[str, Owner, Owner], list[int | str]] = {}

    def take(self, item: int | str, owner: Owner, place: str = "") -> bool:
        """Note that `owner` has `item`, of `place` if such things are counted in several; tell whether it was free."""
        free = (place, item) not in self._owners
        if free:
            self._owners[place, item] = owner
        else:
            self._clashes.setdefault((place, self._owners[place, item], owner), []).append(item)
        return free

    def findings(self) -> Iterator[Finding]:
        """Return one finding for each two owners that claim the same things."""
        for (place, first, second), items in self._clashes.items():
            what = f"{self._thing} {self._show(items)}{place and f' of {place}'}"
            by = f"by {first.who} on line {first.line} and by {second.who} on line {second.line}"
            if first == second:
                by = f"both times by {first.who}"
            yield Finding(second.line, f"{what} is used twice, {by}", f"give one of them another {self._thing}")
