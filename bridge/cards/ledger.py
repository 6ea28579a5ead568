"""What the punch must not forget: the cards it took of each run, the one it owes, and the decks its cards went to.

Pure: the spool keeps it on disk, the stacker asks it what a stick that comes in should look like.
"""

import functools
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from bridge.cards.code import X3_26, CardCode
from bridge.cards.deck import Card, print_deck

RUNS = 16
"""Of how many runs it is remembered what was taken."""

NUMBERS = 16
"""How many cards of a run can be told from others when they are sent again."""

DECKS = 32
"""Of how many decks at most it is remembered that a card at their end may have to go."""


class CardRefusedError(Exception):
    """A card that cannot be taken under its number; `str()` says why."""


class Taken(NamedTuple):
    """A card under its number in the core's run."""

    run: int
    number: int
    card: Card


class Deck(NamedTuple):
    """A deck file of the punch, as far as its cards are safe: its number, and the length and CRC-32 of its text."""

    number: int
    size: int = 0
    crc: int = 0

    def grown(self, text: bytes) -> "Deck":
        """Return the deck with one more card, of this text."""
        return Deck(self.number, self.size + len(text), zlib.crc32(text, self.crc))


class Stray(NamedTuple):
    """A deck at whose end there may be a card that is safe elsewhere."""

    deck: Deck
    card: Card


@functools.lru_cache(maxsize=64)
def line(card: Card, code: CardCode = X3_26) -> bytes:
    """Return a card as it stands in a deck file in this code, ended by LF."""
    return print_deck([card], code).encode()


def mark(card: Card) -> int:
    """Return what tells a card from others."""
    return zlib.crc32(card)


def taken(known: Mapping[int, int], number: int, card: Card) -> bool:
    """Tell whether a card was taken before, given the marks of what was, by number.

    Raises CardRefusedError if another was taken under its number, or if it comes after its turn.
    """
    last = max(known, default=-1)
    if number > last:
        return False
    if number not in known:
        raise CardRefusedError(
            f"card {number} came after card {last}: numbers rise within a run, and only the last {NUMBERS} "
            "can be sent again"
        )
    if known[number] != mark(card):
        raise CardRefusedError(f"card {number} was sent before with other holes: a number stands for one card")
    return True


class Ledger:
    """The punch's memory. `owed` is the card that is in the spool and not known to be on a stick.

    `deck` is where cards go, `tried` are decks on other sticks that the owed card may have reached, `strays` those that
    it turned out not to belong to. `number` is the highest a deck was ever given. Decks are in card code `code`; with
    another one than before, a deck that is not on the stick as the ledger knows it is left, and the next one begun.
    """

    def __init__(self, code: CardCode = X3_26) -> None:
        self.code = code
        self.runs: dict[int, dict[int, int]] = {}
        self.owed: Taken | None = None
        self.deck: Deck | None = None
        self.tried: tuple[Deck, ...] = ()
        self.strays: tuple[Stray, ...] = ()
        self.number = 0

    def take(self, card: Taken) -> None:
        """Take a card: it is owed from now on, and the one before it is safe."""
        self.settle()
        numbers = self.runs.pop(card.run, {})
        self.runs[card.run] = dict([*numbers.items(), (card.number, mark(card.card))][-NUMBERS:])
        if len(self.runs) > RUNS:
            del self.runs[next(iter(self.runs))]
        self.owed = card

    def goes_to(self, deck: Deck) -> None:
        """Let the owed card, and those after it, go to `deck`: a new one, or one that was tried and is back."""
        left = [other for other in (*self.tried, self.deck) if other is not None and other != deck]
        self.tried = tuple(left[-DECKS:])
        self.deck = deck
        self.number = max(self.number, deck.number)

    def settle(self) -> None:
        """Note that the owed card is safe in `deck`."""
        if self.owed is not None and self.deck is not None:
            card = self.owed.card
            self.deck = self.deck.grown(line(card, self.code))
            self.strays = (*self.strays, *(Stray(deck, card) for deck in self.tried))[-DECKS:]
        self.owed = None
        self.tried = ()

    def as_plain(self) -> dict[str, Any]:
        """Return all of it as what JSON knows."""
        return {
            "runs": [[run, list(numbers.items())] for run, numbers in self.runs.items()],
            "owed": self.owed and [self.owed.run, self.owed.number, self.owed.card.hex()],
            "deck": self.deck,
            "tried": self.tried,
            "strays": [[stray.deck, stray.card.hex()] for stray in self.strays],
            "number": self.number,
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any], code: CardCode = X3_26) -> "Ledger":
        """Return what `as_plain` was given."""
        ledger = cls(code)
        ledger.runs = {run: dict(numbers) for run, numbers in plain["runs"]}
        if plain["owed"]:
            run, number, card = plain["owed"]
            ledger.owed = Taken(run, number, Card(bytes.fromhex(card)))
        ledger.deck = plain["deck"] and Deck(*plain["deck"])
        ledger.tried = tuple(Deck(*deck) for deck in plain["tried"])
        ledger.strays = tuple(Stray(Deck(*deck), Card(bytes.fromhex(card))) for deck, card in plain["strays"])
        ledger.number = plain["number"]
        return ledger
