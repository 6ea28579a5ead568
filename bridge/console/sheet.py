"""A description table by table: those whose shape is right, and what is wrong with the others."""

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import ValidationError

from bridge.console import words
from bridge.console.findings import Finding
from bridge.console.locate import KeyPath, Places
from bridge.console.shape import SEVERAL, TABLES, Document

T = TypeVar("T")


class Sheet:
    """A parsed description, `raw`, whose lines `places` knows.

    `document` is what is left of it without the `findings`: unknown keys are passed over, any other fault takes its
    table out, so that the sound tables can still be checked against each other.
    """

    def __init__(self, raw: Mapping[str, Any], places: Places) -> None:
        self.raw = raw
        self.places = places
        self.findings: list[Finding] = []
        self._extra: set[KeyPath] = set()
        self._broken: set[KeyPath] = set()
        try:
            Document.model_validate(raw)
        except ValidationError as error:
            for detail in error.errors():
                path = words.path_of(detail)
                self.findings.append(Finding(places.at(path), *words.explain(detail, raw)))
                if detail["type"] == "extra_forbidden":
                    self._extra.add(path)
                else:
                    self._broken.add(path[:2] if path[0] in SEVERAL else path[:1])
        self._origins: dict[str, list[int]] = {}
        self.document = Document.model_validate({"format": 1, "name": "?"} | self._sound())

    def whole(self, section: str) -> bool:
        """Tell whether no fault has taken out the table [section]."""
        return (section,) not in self._broken

    def sound(self, *sections: str) -> bool:
        """Tell whether there is no fault in any of the tables [[section]] of these sections."""
        return not any(path[0] in sections for path in self._broken)

    def all_known(self, path: KeyPath) -> bool:
        """Tell whether the table at `path` has no unknown keys, so that what it lacks is lacking and not misspelt."""
        return not any(extra[: len(path)] == path for extra in self._extra)

    def tables(self, section: str, sound: list[T]) -> list[tuple[KeyPath, T]]:
        """Return the `sound` tables [[section]] of the document, each with its path in the file."""
        return [((section, index), table) for index, table in zip(self._origins.get(section, ()), sound, strict=True)]

    def names(self, section: str) -> list[str]:
        """Return the names of all tables [[section]], sound or not."""
        tables = self.raw.get(section, ()) if self.whole(section) else ()
        return [table["name"] for table in tables if isinstance(table, dict) and isinstance(table.get("name"), str)]

    def _sound(self) -> dict[str, Any]:
        sound: dict[str, Any] = {}
        for section, value in self.raw.items():
            if {(section,)} & (self._extra | self._broken):
                continue
            if section in SEVERAL:
                kept = [index for index in range(len(value)) if (section, index) not in self._broken]
                self._origins[section] = kept
                sound[section] = [self._known((section, index), value[index]) for index in kept]
            else:
                sound[section] = self._known((section,), value) if section in TABLES else value
        return sound

    def _known(self, path: KeyPath, table: dict[str, Any]) -> dict[str, Any]:
        return {key: value for key, value in table.items() if (*path, key) not in self._extra}
