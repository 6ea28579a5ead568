"""The names on the console, left to right: its lamps and its keys."""

ROWS: dict[str, int] = {"A": 24, "B": 24, "R": 24, "W": 24, "D": 24, "C": 10, "X": 10, "L": 10, "S": 10}
ROWS |= {"RC": 7, "PC": 7, "Q": 5}
"""The rows of lamps that show a register, and how many bits each has."""

PHASES = ("FETCH", "MODIFY", "EXECUTE", "EXTRA")
WAITS = ("READER", "PUNCH", "TYPING")
INDICATORS = (*PHASES, *WAITS, "OVER", "ERROR", "RUN", "STOPPED", "POWER")

LAMPS: tuple[str, ...] = (
    *(f"{row}.{bit}" for row, width in ROWS.items() for bit in reversed(range(width))),
    *INDICATORS,
)
"""Bit n of a lamp word is lamp LAMPS[n]."""

WORD_KEYS: dict[str, int] = {f"W.{bit}": bit for bit in reversed(range(24))}
"""The keys that make up a word, and the bit each gives while closed."""

SELECTOR = ("A", "B", "R", "W", "C", "X", "L", "KEYS")
"""What the lamps of row D can show; the key of a position is "SELECT." and its name."""

PRESSES = ("START", "STOP", "RESET", "LOAD", "STEP ORDER", "STEP CYCLE", "SET ADDRESS", "READ WORD", "CHANGE WORD")
"""The keys of which only the press counts."""

KEYS: tuple[str, ...] = (*WORD_KEYS, *PRESSES, *(f"SELECT.{position}" for position in SELECTOR))
