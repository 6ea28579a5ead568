"""Card codes: which holes stand for which character.

A column's holes are one number of twelve bits: row 12 is bit 11, row 11 bit 10, row 0 bit 9, row 1 bit 8 … row 9 bit 0.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

_ROWS = ("12", "11", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9")
_BIT = {row: 0x800 >> n for n, row in enumerate(_ROWS)}
_SPOKEN = ("12", "11", "0", "9", "8", "1", "2", "3", "4", "5", "6", "7")

# X3.26 is regular: a zone (rows 12, 11, 0) and a digit. Letters and digits use digits 1 to 9 …
_PLAIN = {
    "": "123456789",
    "12": "ABCDEFGHI",
    "11": "JKLMNOPQR",
    "0": "/STUVWXYZ",
    "12-0": "abcdefghi",
    "12-11": "jklmnopqr",
    "11-0": "~stuvwxyz",
}
# … the other signs 8-2 to 8-7 …
_SIGNS = {"": ":#@'=\"", "12": "[.<(+!", "11": "]$*);^", "0": "\\,%_>?"}
# … controls 9-1 to 9-8 and 9-8-1 to 9-8-7, where a space marks a place outside the 128 …
_CONTROLS = {
    "": " \x16    \x04    \x14\x15 \x1a",
    "12": "\x01\x02\x03 \x09 \x7f   \x0b\x0c\x0d\x0e\x0f",
    "11": "\x11\x12\x13  \x08 \x18\x19  \x1c\x1d\x1e\x1f",
    "0": "    \x0a\x17\x1b     \x05\x06\x07",
}
# … and these have no digit, or one of their own.
_APART = {" ": "", "0": "0", "&": "12", "-": "11", "{": "12-0", "|": "12-11", "}": "11-0", "`": "8-1"}
_APART |= {"\x00": "12-0-9-8-1", "\x10": "12-11-9-8-1"}

# The special characters of the two older arrangements, in the order of _SPECIAL.
_SPECIAL = ("12", "11", "0-1", "8-3", "12-8-3", "11-8-3", "0-8-3", "8-4", "12-8-4", "11-8-4", "0-8-4")
_OLDER = {"commercial": "&-/#.$,@¤*%", "scientific": "+-/=.$,')*("}

BLANK = 0
"""A column without holes: the space, in every code."""


def holes(words: str) -> int:
    """Return the holes that `words` name: rows joined by hyphens, "12-0-9"; "" is a blank column."""
    return sum(_BIT[row] for row in words.split("-") if row)


def words(mask: int) -> str:
    """Return holes as the trade says them: zone, then 9 and 8, then the digit: "12-0-9-8-1"; a blank column is ""."""
    return "-".join(row for row in _SPOKEN if mask & _BIT[row])


def _punched() -> dict[str, int]:
    digits = [str(row) for row in range(1, 10)]
    eights = [f"8-{digit}" for digit in digits[:7]]
    kinds = (
        (_PLAIN, digits),
        (_SIGNS, eights[1:]),
        (_CONTROLS, [f"9-{digit}" for digit in digits[:8] + eights]),
    )
    code = {character: holes(rows) for character, rows in _APART.items()}
    for chart, rows in kinds:
        for zone, characters in chart.items():
            found = zip(characters, rows, strict=True)
            code |= {character: holes(zone) | holes(row) for character, row in found if character != " "}
    return code


HOLES: tuple[int, ...] = tuple(mask for _, mask in sorted(_punched().items()))
"""The holes of each ISO 646 code, 0 to 127 (ANSI X3.26-1980, FIPS PUB 14, ISO 6586:1980)."""

CODES: dict[int, int] = {mask: code for code, mask in enumerate(HOLES)}
"""The ISO 646 code of each of the 128 hole patterns that have one."""


@dataclass(frozen=True)
class CardCode:
    """A card code: the `holes` of each of its characters, the space among them. Raises ValueError if two are the same.

    Those of its characters that do not print are punched and read, but not written: see `bridge.cards.deck`.
    """

    name: str
    holes: Mapping[str, int] = field(hash=False)

    def __post_init__(self) -> None:
        if len(set(self.holes.values())) != len(self.holes) or self.holes.get(" ") != BLANK:
            raise ValueError(
                f"card code {self.name}: a space is a blank column, and no two characters share their holes"
            )

    @cached_property
    def printing(self) -> Mapping[int, str]:
        """The printing character of each pattern of holes that has one."""
        return {mask: character for character, mask in self.holes.items() if character.isprintable()}


X3_26 = CardCode("x3.26", {chr(code): mask for code, mask in enumerate(HOLES)})
"""All 128 characters of ISO 646."""


def _older(name: str) -> CardCode:
    alike = {character: X3_26.holes[character] for character in " 0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"}
    return CardCode(name, alike | dict(zip(_OLDER[name], map(holes, _SPECIAL), strict=True)))


BUILT_IN: dict[str, CardCode] = {code.name: code for code in (X3_26, *map(_older, _OLDER))}
"""By name: X3.26, and the two arrangements of 48 characters that keypunches of the 1950s and 1960s were ordered with.

Those two share their holes and differ in what is printed: "commercial" has & # @ ¤ % where "scientific" has + = ' ) (.
"""


def described(name: str, like: str, own: Mapping[str, str]) -> CardCode:
    """Return a code of somebody's own: the built-in one it is `like`, "" for none, but for its `own` characters.

    Each of those has its holes in words; the character whose holes it takes over is lost. Raises ValueError as
    `CardCode` does.
    """
    added = {character: holes(rows) for character, rows in own.items()}
    below = BUILT_IN[like].holes if like else {" ": BLANK}
    kept = {c: mask for c, mask in below.items() if c not in added and mask not in added.values()}
    return CardCode(name, kept | added)


def is_character(mask: int) -> bool:
    """Tell whether the holes can be a character of any code: at most one of rows 1 to 7 (ISO 6586). 256 can."""
    return (mask & _ONE_TO_SEVEN).bit_count() <= 1


_ONE_TO_SEVEN = holes("1-2-3-4-5-6-7")
