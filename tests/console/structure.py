"""As much of JSON Schema as the description's schema uses, so that the schema itself can be tested."""

import re
from typing import Any

_KINDS: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "integer": (int,),
    "number": (int, float),
}
_NOTES = {"title", "description", "examples", "default", "discriminator", "$schema", "$defs"}


def fits(value: Any, schema: dict[str, Any], root: dict[str, Any]) -> bool:
    """Tell whether `value` fits; raise KeyError for a keyword that is not known here."""
    return all(_RULES[word](value, rule, schema, root) for word, rule in schema.items() if word not in _NOTES)


def _is(value: Any, kinds: str | list[str]) -> bool:
    listed = [kinds] if isinstance(kinds, str) else kinds
    return not isinstance(value, bool) and any(isinstance(value, _KINDS[kind]) for kind in listed)


def _same(value: Any, other: Any) -> bool:
    return type(value) is type(other) and value == other


_RULES: dict[str, Any] = {
    "$ref": lambda value, rule, _, root: fits(value, root["$defs"][rule.removeprefix("#/$defs/")], root),
    "type": lambda value, rule, _, __: _is(value, rule),
    "const": lambda value, rule, _, __: _same(value, rule),
    "enum": lambda value, rule, _, __: any(_same(value, one) for one in rule),
    "oneOf": lambda value, rule, _, root: sum(fits(value, one, root) for one in rule) == 1,
    "properties": lambda value, rule, _, root: (
        not isinstance(value, dict) or all(fits(value[key], one, root) for key, one in rule.items() if key in value)
    ),
    "required": lambda value, rule, _, __: not isinstance(value, dict) or set(rule) <= set(value),
    "additionalProperties": lambda value, rule, schema, _: (
        not isinstance(value, dict) or rule or set(value) <= set(schema["properties"])
    ),
    "items": lambda value, rule, _, root: not isinstance(value, list) or all(fits(one, rule, root) for one in value),
    "minItems": lambda value, rule, _, __: not isinstance(value, list) or len(value) >= rule,
    "minLength": lambda value, rule, _, __: not isinstance(value, str) or len(value) >= rule,
    "maxLength": lambda value, rule, _, __: not isinstance(value, str) or len(value) <= rule,
    "pattern": lambda value, rule, _, __: not isinstance(value, str) or bool(re.search(rule, value)),
    "minimum": lambda value, rule, _, __: not _is(value, "number") or value >= rule,
    "maximum": lambda value, rule, _, __: not _is(value, "number") or value <= rule,
    "exclusiveMinimum": lambda value, rule, _, __: not _is(value, "number") or value > rule,
}
