import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.console.locate import KeyPath, Places


def paths(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield the path of everything the standard parser made of a text."""
    yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from paths(inner, (*path, index))


WRITTEN = '''\
# a note with = and [brackets]
plain = 1   # and a note behind
"quoted \\u0061 = [x]" = 'literal # no note'
a . "b.c" .d = [ 1,  # one
  "two, ] # not a note",
  [3, { x = 4, "y" = [
     5, ], z.w = 6 }],

]
long = """
 = "quoted" \\""" # [x]
""\\
   """""
raw = \'\'\'
[[not a header]]
\'\'\'\'\'
when = 1979-05-27 07:32:00Z # a blank within
empty = ""
none = []
nothing = {}

[ table . 'in ner' ]
x = true
[[many]]
x = 1
[[many.inner]]
x = 2
[[many.inner]]
y.z = 3
[[many]]
[many.sub]
x = """a"b""c"""
[table]
x = -inf
'''

LINES = {
    (): 1,
    ("plain",): 2,
    ("quoted a = [x]",): 3,
    ("a",): 4,
    ("a", "b.c"): 4,
    ("a", "b.c", "d"): 4,
    ("a", "b.c", "d", 0): 4,
    ("a", "b.c", "d", 1): 5,
    ("a", "b.c", "d", 2): 6,
    ("a", "b.c", "d", 2, 0): 6,
    ("a", "b.c", "d", 2, 1): 6,
    ("a", "b.c", "d", 2, 1, "x"): 6,
    ("a", "b.c", "d", 2, 1, "y"): 6,
    ("a", "b.c", "d", 2, 1, "y", 0): 7,
    ("a", "b.c", "d", 2, 1, "z"): 7,
    ("a", "b.c", "d", 2, 1, "z", "w"): 7,
    ("long",): 10,
    ("raw",): 14,
    ("when",): 17,
    ("empty",): 18,
    ("none",): 19,
    ("nothing",): 20,
    ("table",): 33,
    ("table", "in ner"): 22,
    ("table", "in ner", "x"): 23,
    ("many",): 24,
    ("many", 0): 24,
    ("many", 0, "x"): 25,
    ("many", 0, "inner"): 26,
    ("many", 0, "inner", 0): 26,
    ("many", 0, "inner", 0, "x"): 27,
    ("many", 0, "inner", 1): 28,
    ("many", 0, "inner", 1, "y"): 29,
    ("many", 0, "inner", 1, "y", "z"): 29,
    ("many", 1): 30,
    ("many", 1, "sub"): 31,
    ("many", 1, "sub", "x"): 32,
    ("table", "x"): 34,
}


def test_lines_counted_by_hand() -> None:
    # source: counted by eye in the text above.
    assert Places(WRITTEN).lines == LINES


@pytest.mark.parametrize("text", ["", "\n\n# only a note", "x = 1", "[a]", "x = [\n]", "\r\nx = 1\r\n"])
def test_same_paths_as_the_standard_parser(text: str) -> None:
    assert set(Places(text).lines) == {path for path, _ in paths(tomllib.loads(text))}


def test_what_is_not_there_is_where_its_table_is() -> None:
    places = Places(WRITTEN)
    assert places.at(("many", 0, "inner", 1, "missing", 4)) == 28
    assert places.at(["missing"]) == 1


def test_text_the_parser_would_not_take_is_refused() -> None:
    with pytest.raises(AssertionError, match="line 2"):
        Places("x = 1\n! = 2")


# Texts written at random: every scalar is a number of its own, so that its line can be found by looking for it.

KEYS = st.text(alphabet="ab-_1", min_size=1, max_size=3) | st.text(alphabet="a. #=\"[]{}\\\t'é,", max_size=4)
LEAVES = st.sampled_from(["{}", '"x{}"', "'#{}]'", '"""{}\n\\""" = """""', "'''{}\n[a]'''", "1e{} ", "{} # ] note"])
TREES: st.SearchStrategy[Any] = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)
GAPS = st.sampled_from(["", " ", "\n", "\n  # note ] } \" '''\n", "\r\n\t"])


class Writer:
    """Writes a tree as TOML, in every style there is, and says which line each scalar went to."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.count = 1000

    def key(self, key: str) -> str:
        if re.fullmatch(r"[A-Za-z0-9_-]+", key) and self.draw(st.booleans()):
            return key
        if "'" not in key and self.draw(st.booleans()):
            return f"'{key}'"
        quoted = key.replace("\\", "\\\\").replace('"', '\\"').replace("é", "\\u00e9")
        return f'"{quoted}"'

    def value(self, tree: Any, inside: bool = False) -> str:
        if isinstance(tree, str):
            self.count += 1
            # A note after a value would swallow what follows it in a list.
            text = tree.replace("{}", str(self.count), 1)
            return text.split(" #")[0] if inside and tree.startswith("{}") else text
        if isinstance(tree, list):
            items = [f"{self.draw(GAPS)}{self.value(item, inside=True)}{self.draw(GAPS)}" for item in tree]
            comma = "," if items and self.draw(st.sampled_from([True, False])) else ""
            return f"[{','.join(items)}{comma}{self.draw(GAPS)}]"
        pairs = [f"{self.key(key)} = {self.value(inner, inside=True)}" for key, inner in tree.items()]
        return f"{{ {' , '.join(pairs)} }}"

    def table(self, tree: dict[str, Any], heading: str) -> list[str]:
        """Return the lines of a table: its plain keys, then its tables in any style."""
        lines, below = [], []
        for key, inner in tree.items():
            written = self.key(key)
            style = self.draw(st.sampled_from(["inline", "dotted", "heading"]))
            path = f"{heading}{' . ' if heading else ''}{written}"
            if isinstance(inner, dict) and style == "heading":
                below += [f"[ {path} ]", *self.table(inner, path)]
            elif (
                isinstance(inner, list) and inner and all(isinstance(one, dict) for one in inner) and style == "heading"
            ):
                for one in inner:
                    below += [f"[[{path}]] # note", *self.table(one, path)]
            elif isinstance(inner, dict) and inner and style == "dotted":
                lines += [f"{written} . {self.key(name)}\t= {self.value(value)}" for name, value in inner.items()]
            else:
                lines.append(f"{self.draw(st.sampled_from(['', '  ']))}{written}={self.value(inner)}")
        return [*lines, *self.draw(st.sampled_from([[], ["", "# [note]"]])), *below]


@st.composite
def texts(draw: st.DrawFn) -> str:
    tree = draw(st.dictionaries(KEYS, TREES, max_size=4))
    return "\n".join(Writer(draw).table(tree, ""))


@given(texts())
def test_agrees_with_the_standard_parser_on_texts_at_random(text: str) -> None:
    # source: the standard parser, for the paths; the numbers' own lines in the text, for the lines.
    parsed = dict(paths(tomllib.loads(text)))
    places = Places(text)
    assert set(places.lines) == set(parsed)
    for path, value in parsed.items():
        if not isinstance(value, (dict, list)) and (number := re.search(r"1\d{3}", _written(value))):
            assert places.at(path) == text[: text.index(number[0])].count("\n") + 1


def _written(value: object) -> str:
    return "" if isinstance(value, float) else str(value)
