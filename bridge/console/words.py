"""The shape layer's complaints, said in the builder's words."""

from collections.abc import Mapping
from typing import Any, Literal, get_args, get_origin

from pydantic_core import ErrorDetails

from bridge.console import shape
from bridge.console.findings import suggest
from bridge.console.locate import KeyPath

_KINDS = {
    "int_type": "a whole number",
    "float_type": "a number",
    "string_type": "text in quotes",
    "list_type": "a list in square brackets",
    "bool_type": "true or false",
    "dict_type": "a table of characters and their holes",
}
_BOUNDS = {
    "greater_than": ("too low", "more than", "gt"),
    "greater_than_equal": ("too low", "at least", "ge"),
    "less_than_equal": ("too high", "at most", "le"),
}
# How pydantic marks a complaint about a key of a table, not about its value.
_OF_KEY = "[key]"
_NAMING = {"string_too_short", "string_too_long", "string_pattern_mismatch"}


def path_of(detail: ErrorDetails) -> KeyPath:
    """Return where in the description a complaint is about: its location without the type of part in it."""
    path = detail["loc"]
    if path[-1] == _OF_KEY:
        return path[:-1]
    return (*path[:2], *path[3:]) if path[0] == "part" else path


def title(path: KeyPath, raw: Mapping[str, Any]) -> str:
    """Return what to call the table that `path` is in: lamp_row "A", [frames], the description."""
    match path:
        case (str(section), int(index), *_):
            table = raw[section][index]
            name = table.get("name") if isinstance(table, dict) else None
            return f'{section} "{name}"' if isinstance(name, str) and name else f"{section} number {index + 1}"
        case (str(section), *_) if section in shape.TABLES:
            return f"[{section}]"
        case _:
            return "the description"


def explain(detail: ErrorDetails, raw: Mapping[str, Any]) -> tuple[str, str]:
    """Return what is wrong and what to do about it, from one complaint about the description `raw`."""
    path = path_of(detail)
    table = title(path, raw)
    model = _model(path, raw)
    key = str(path[-1])
    match detail["type"]:
        case "extra_forbidden":
            return f'{table} has no key "{key}"', suggest(key, model.model_fields)
        case "missing":
            return f'{table} lacks the key "{key}"', f"add a line such as {_example(model, key)}"
        case "union_tag_not_found":
            return f'{table} lacks the key "type"', f"add a line such as {_example(model, 'type')}"
        case "union_tag_invalid":
            kind = detail["ctx"]["tag"]
            return f'{table} is of type "{kind}", which is not in the catalogue', suggest(kind, shape.PARTS)
    if path[0] in shape.TABLES and len([part for part in path if isinstance(part, str)]) == 1:
        single = path[0] in shape.SEVERAL and isinstance(detail["input"], dict)
        brackets = f"[[{path[0]}]]" if path[0] in shape.SEVERAL else f"[{path[0]}]"
        plain = f'"{path[0]}" does not stand as it must', f"write {brackets} on a line of its own and its keys below it"
        return one_bracket(str(path[0])) if single else plain
    return _explain_value(detail, path, table, model)


def one_bracket(section: str) -> tuple[str, str]:
    """Return what is wrong with [section], of which there may be several, and what to do."""
    return (
        f"[{section}] is in single brackets, but there may be several",
        f"write [[{section}]], here and at each other",
    )


def _explain_value(detail: ErrorDetails, path: KeyPath, table: str, model: type[shape.Table]) -> tuple[str, str]:
    """Explain a complaint about the value of a key."""
    key, entry = _key(path), path[-1]
    subject = f'"{key}" of {table}'
    if entry != key:
        subject = f"{f'entry {entry + 1}' if isinstance(entry, int) else _shown(entry)} of {subject}"
    value, kind, context = _shown(detail["input"]), detail["type"], detail.get("ctx", {})
    write = f"write for example {_example(model, key)}"
    annotation = model.model_fields[key].annotation
    if get_origin(annotation) is Literal:
        return f"{subject} cannot be {value}", _choose(detail["input"], get_args(annotation))
    if kind in _KINDS:
        return f"{subject} must be {_KINDS[kind]}, but is {value}", write
    if kind in _BOUNDS:
        problem, bound, limit = _BOUNDS[kind]
        return f"{subject} is {value}, which is {problem}", f"use {bound} {context[limit]}"
    if kind in _NAMING:
        return f"{subject} must be 1 to 40 printing characters without a blank at either end", write
    if kind == "too_short":
        context = {"error": ValueError("lists too few", f"list at least {context['min_length']}")}
    wrong, *todo = context["error"].args
    return f"{subject} {wrong}", todo[0] if todo else write


def _key(path: KeyPath) -> str:
    """Return the key that a complaint is about, the first below its table."""
    *_, key = (part for part in path[:3] if isinstance(part, str))
    return key


def _choose(value: object, choices: tuple[object, ...]) -> str:
    if isinstance(value, str):
        texts = [choice for choice in choices if isinstance(choice, str)]
        if texts:
            return suggest(value, texts)
    return f"use {' or '.join(map(_shown, choices))}"


def _model(path: KeyPath, raw: Mapping[str, Any]) -> type[shape.Table]:
    """Return the shape of the table that `path` is in."""
    match path:
        case ("part", int(index), *_):
            table = raw["part"][index]
            return shape.PARTS.get(str(table.get("type")), shape.Part) if isinstance(table, dict) else shape.Part
        case (str(section), _, *_):
            return shape.TABLES[section]
        case _:
            return shape.Document


def _example(model: type[shape.Table], key: str) -> str:
    examples = model.model_fields[key].examples or [""]
    return f"{key} = {f'0x{examples[0]:02X}' if key == 'address' else _shown(examples[0])}"


def _shown(value: object) -> str:
    """Return a value as it stands in the description, shortened if it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(map(_shown, value))}]"
    if isinstance(value, dict):
        return "a table"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}…"
