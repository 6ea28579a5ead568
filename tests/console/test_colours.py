import pytest

from bridge.console.colours import code, words


# source: IEC 60757, from memory.
@pytest.mark.parametrize(
    ("said", "colour"),
    [
        ("BN", "brown"),
        ("whbu", "white/blue"),
        ("WH/BU", "white/blue"),
        ("GNYE", "green/yellow"),
        ("teal", "teal"),
        ("", ""),
    ],
)
def test_words(said: str, colour: str) -> None:
    assert words(said) == colour


@pytest.mark.parametrize(
    ("colour", "letters"),
    [("brown", "BN"), ("white/blue", "WHBU"), ("Gray", "GY"), ("purple", "VT"), ("teal", ""), ("", "")],
)
def test_codes(colour: str, letters: str) -> None:
    assert code(colour) == letters
