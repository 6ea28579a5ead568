"""The names of the card codes that every description may name; what they are is known to the rooms with cards."""

from typing import Literal, get_args

Like = Literal["nothing", "x3.26", "commercial", "scientific"]
"""What a code of one's own starts from."""

NOTHING, *BUILT_IN = get_args(Like)
