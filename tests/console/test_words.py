"""Whatever is put into a description, what is told is ours, has a line, and the schema says the same."""

import datetime
import math
import tomllib
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from bridge.console import schema
from bridge.console.locate import Places
from bridge.console.shape import PARTS, TABLES, Document, Table
from bridge.console.sheet import Sheet
from tests.console.sample import OTHER, TEXT

FITS = Draft202012Validator(schema())

ODD = [True, -1, 0, 1, 10**9, 0.5, math.nan, math.inf, "", " x", "x", "1-2", "a1", "/dev/x", "..", [], [1], ["x"], {},
       [{}], [[]], datetime.date(1962, 1, 1)]  # fmt: skip

THEIRS = (
    "input should",
    "field required",
    "extra inputs",
    "value error",
    "assertion",
    "pydantic",
    "valid",
    "literal",
    "type=",
)


def tables(raw: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield each table of a description, itself first."""
    yield raw
    for table in raw.values():
        yield from (one for one in (table if isinstance(table, list) else [table]) if isinstance(one, dict))


def variants(text: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each section of a sample with each of its keys misspelt, and given each odd value in turn."""
    described = tomllib.loads(text)
    for section in TABLES.keys() & described.keys():
        whole = {"format": 1, "name": "Bench", section: described[section]}
        for number, table in enumerate(tables(whole)):
            for key in table:
                for value in [None, *ODD]:
                    raw = deepcopy(whole)
                    copy = list(tables(raw))[number]
                    if value is None:
                        copy[f"{key}x"] = copy.pop(key)
                    else:
                        copy[key] = value
                    yield f"{section}, {key} = {value!r}", raw


def test_the_samples_show_every_table() -> None:
    assert tomllib.loads(TEXT).keys() | tomllib.loads(OTHER).keys() >= TABLES.keys()


@pytest.mark.parametrize("text", [TEXT, OTHER])
def test_every_fault_is_told_in_our_words_and_seen_by_the_schema(text: str) -> None:
    right = 0
    places = Places(text)
    for name, raw in variants(text):
        found = Sheet(raw, places).findings
        for one in found:
            told = f"{one.wrong}; {one.todo}".casefold()
            assert not [word for word in THEIRS if word in told], (name, told)
            assert one.line, (name, told)
            assert 1 <= one.line <= text.count("\n"), (name, told)
        if not name.endswith("nan"):  # JSON has no such number, so its schema cannot speak of it
            assert FITS.is_valid(raw) == (not found), (name, found)
        right += not found
    assert right > 20  # some odd values are right: a check that refuses everything would pass otherwise


def test_every_key_has_an_example_that_is_right() -> None:
    models: list[type[Table]] = [Document, *TABLES.values(), *PARTS.values()]
    for model in models:
        for key, field in model.model_fields.items():
            if key not in TABLES:
                assert field.examples, (model, key)
        examples = {key: field.examples[0] for key, field in model.model_fields.items() if field.examples}
        model.model_validate(examples)
