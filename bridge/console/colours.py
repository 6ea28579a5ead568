"""The colours of wires, in words and in the letters of IEC 60757 (from memory)."""

CODES = {
    "black": "BK",
    "brown": "BN",
    "red": "RD",
    "orange": "OG",
    "yellow": "YE",
    "green": "GN",
    "blue": "BU",
    "violet": "VT",
    "grey": "GY",
    "white": "WH",
    "pink": "PK",
    "gold": "GD",
    "turquoise": "TQ",
    "silver": "SR",
}
_ALSO = {"gray": "grey", "purple": "violet"}
_WORDS = {code: word for word, code in CODES.items()}


def words(colour: str) -> str:
    """Return a colour in words: white/blue for WHBU; what is no code is taken as it stands."""
    letters = colour.strip().upper().replace("/", "").replace("-", "")
    codes = [letters[start : start + 2] for start in range(0, len(letters), 2)]
    if codes and all(code in _WORDS for code in codes):
        return "/".join(_WORDS[code] for code in codes)
    return colour.strip()


def code(colour: str) -> str:
    """Return the letters for a colour in words, WHBU for white/blue; "" if one of the words has none."""
    parts = [_ALSO.get(word.strip().lower(), word.strip().lower()) for word in colour.split("/")]
    return "".join(CODES[part] for part in parts) if all(part in CODES for part in parts) else ""
