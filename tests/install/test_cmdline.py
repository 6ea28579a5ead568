import pytest

from bridge.install.cmdline import WORD, added, has, removed

# source: the kernel's admin guide: words are separated by blanks; a Raspberry Pi takes the first line.
ADDED = [
    ("root=/dev/sda2 rootwait\n", f"root=/dev/sda2 rootwait {WORD}\n"),
    ("root=/dev/sda2 rootwait", f"root=/dev/sda2 rootwait {WORD}"),
    ("root=/dev/sda2 rootwait  \n", f"root=/dev/sda2 rootwait {WORD}\n"),
    ("rootwait\n\n# a note\n", f"rootwait {WORD}\n\n# a note\n"),
    ("", WORD),
    (f"a {WORD} b\n", f"a {WORD} b\n"),
    (f"a {WORD}0\n", f"a {WORD}0 {WORD}\n"),
]


@pytest.mark.parametrize(("before", "after"), ADDED)
def test_the_word_is_put_in_once(before: str, after: str) -> None:
    assert added(before) == after
    assert has(after)
    assert added(after) == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (f"root=/dev/sda2 rootwait {WORD}\n", "root=/dev/sda2 rootwait\n"),
        (f"a {WORD} b\n", "a b\n"),
        (f"{WORD} a\n", "a\n"),
        (f"{WORD}\n", "\n"),
        (f"a {WORD}  {WORD} b {WORD}", "a b"),
        (f"a {WORD}0 x{WORD}\n", f"a {WORD}0 x{WORD}\n"),
        ("a  b \n", "a  b \n"),
    ],
)
def test_the_word_is_taken_out_and_nothing_else(before: str, after: str) -> None:
    assert removed(before) == after
    assert not has(after)
