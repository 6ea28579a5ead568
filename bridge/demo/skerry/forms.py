"""The two forms of a program on cards that the assembler makes: in letters, and the loader's own (ORDERS.md)."""

from bridge.cards.code import HOLES
from bridge.cards.deck import Card, card_of
from bridge.demo.skerry.orders import ORDERS, word
from bridge.demo.skerry.processor import FIRST_CARD, STORE

PROGRAM_END = 904
"""The first word that is not the program's: from here on the loader works."""

_DATA = 9
_BINARY_DATA = 38
_WORD = 0xFFFFFF

Store = dict[int, int]
"""Words by address."""


def letter_form(store: Store, start: int, name: str) -> list[Card]:
    """Return the deck that loads `store`, all of it below PROGRAM_END, and jumps to `start`; `name` is four letters.

    Addresses that `store` does not name but a card covers are loaded with zero.
    """
    loads = []
    done = 0
    for address in sorted(store):
        if address >= done:
            first = min(address, PROGRAM_END - _DATA)
            done = first + _DATA
            put = word(ORDERS["PUT"], (first - 1) % STORE, indexed=True)
            loads.append([put, *(store.get(first + n, 0) for n in reversed(range(_DATA)))])
    loads.append([word(ORDERS["JUMP"], start), *[0] * _DATA])
    return [_letters([number, *load], f"{name:4.4}{number:04}") for number, load in enumerate(loads, 1)]


def binary_form(store: Store) -> list[Card]:
    """Return a deck in the loader's own form: the words from 984 on, then those below, 38 a card, the lowest first."""
    first = min(store, default=FIRST_CARD)
    cards = [[store.get(FIRST_CARD + n, 0) for n in range(STORE - FIRST_CARD)]]
    further = [address for address in range(first, FIRST_CARD, _BINARY_DATA) if address in store]
    for number, address in enumerate(further, 2):
        data = [store.get(address + n, 0) for n in reversed(range(_BINARY_DATA))]
        still_to_come = len(further) - number + 2
        cards.append([number, still_to_come - number - sum(data) & _WORD, *data])
    return [card_of([half for word in words for half in (word >> 12, word & 0xFFF)]) for words in cards]


def _letters(words: list[int], identification: str) -> Card:
    digits = "".join(f"{word:06x}" for word in [*words, -sum(words) & _WORD])
    letters = "".join(chr(ord("A") + int(digit, 16)) for digit in digits)
    return card_of([HOLES[ord(letter)] for letter in letters + identification])
