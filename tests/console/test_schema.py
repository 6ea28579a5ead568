import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from bridge.console import schema
from bridge.files import examples

CONFIG = examples()


def fits(value: Any) -> bool:
    """Tell whether a description fits the schema, as the reference library jsonschema reads it."""
    return Draft202012Validator(schema()).is_valid(value)


def test_it_is_a_schema() -> None:
    Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.name)
def test_the_examples_fit(path: Path) -> None:
    assert fits(tomllib.loads(path.read_text(encoding="utf-8")))


def test_what_does_not_fit_is_seen() -> None:
    assert fits({"format": 1, "name": "x"})
    assert not fits({"format": 2, "name": "x"})
    assert not fits({"format": 1})
    assert not fits({"format": 1, "name": "x", "lamps": []})


def test_it_is_plain_json_of_the_named_draft() -> None:
    whole = schema()
    assert json.loads(json.dumps(whole)) == whole
    assert whole["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_toml_has_no_null() -> None:
    assert "null" not in json.dumps(schema())


def properties(part: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(part, dict):
        yield from part.get("properties", {}).items()
        for inner in part.values():
            yield from properties(inner)


def test_every_key_is_titled_and_every_table_described() -> None:
    whole = schema()
    assert all(table["description"] for table in whole["$defs"].values())
    assert whole["description"]
    for key, told in properties(whole):
        assert told.get("title") or "$ref" in told or (told["type"] == "array" and "$ref" in told["items"]), key


def test_a_part_has_the_lines_of_its_type() -> None:
    parts = schema()["$defs"]
    assert "XLAT" in parts["TLC5947"]["properties"]["latch"]["description"]
    assert {"latch", "blank"} <= set(parts["TLC5947"]["required"])
    assert "load" in parts["74HC165"]["required"]
    assert "always_high" not in parts["TLC5947"]["properties"]


def test_a_hopper_is_a_port_or_a_folder() -> None:
    port, folder = {"port": "pci-0000:00:04.0-usb-0:5"}, {"folder": "reader"}
    bare: dict[str, Any] = {"format": 1, "name": "x"}
    for hopper, right in (({}, False), (port, True), (folder, True), (port | folder, False), ({"port": "a"}, False)):
        assert fits(bare | {"reader": {"cards_per_minute": 300, **hopper}}) is right
