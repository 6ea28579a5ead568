"""Random programs for the Skerry Mk 2 that keep going: what a comparison of two machines is fed with.

A program is a few hundred orders from address 0 on, with loops, subroutines and card work among them, then data; jumps
land in the program, and orders on words mostly find the data. A few orders have no meaning, a few stop the machine,
and now and then one writes over the program: the machine must agree with itself there too.
"""

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tests.demo.interpreter import HOLES, SELECTOR

# Function codes, by what an order needs beside it.
HALT, MUL, DIV, SHL, SHR, SETX, JDEC, CARD, PNCH, TYPE, TYPI = 0, 7, 8, 9, 10, 14, 23, 24, 29, 30, 31
ON_WORDS = (1, 2, 3, 4, 5, MUL, DIV, 12, 13, 15, 16)
JUMPS = (17, 18, 19, 20, 21, 22, JDEC)
ON_COLUMNS = (25, 26, 27, 28)
ALONE = (11, SETX, 32, *ON_COLUMNS)
DEVICES = (CARD, PNCH, TYPE, TYPI)
UNDEFINED = (6, *range(33, 64))

EXTREMES = (0, 1, 2, 3, 2**22, 2**23 - 2, 2**23 - 1, 2**23, 2**23 + 1, 2**24 - 2, 2**24 - 1, 0x555555, 0xAAAAAA)


@dataclass(frozen=True)
class Program:
    """What a machine starts from: its store, the cards in the hopper, and how the keys stand."""

    store: list[int]  # 1,024 words
    deck: list[list[int]]  # cards of 80 columns of 12 bits
    entry: int  # address of the first order
    end: int  # the address after the last one
    word_keys: int  # 24 bits
    selector: str | None  # a position of the selector, or None between two

    def levels(self) -> dict[str, int]:
        """Word keys and selector as the names of ORDERS.md."""
        keys = {f"W.{bit}": self.word_keys >> bit & 1 for bit in range(24)}
        return keys | {f"SELECT.{position}": int(position == self.selector) for position in SELECTOR}


def random_program(random: Random) -> Program:
    orders = _Orders(random, end=random.randint(30, 400))
    store = orders.program()
    store += [random_word(random) for _ in range(1024 - len(store))]
    return Program(
        store=store,
        deck=[_card(random, orders) for _ in range(8)],
        entry=random.choice((0, 0, random.randrange(orders.end))),
        end=orders.end,
        word_keys=random_word(random),
        selector=random.choice((*SELECTOR, None)),
    )


def random_word(random: Random) -> int:
    """Return a word of data: an extreme, a small number of either sign, or anything."""
    small = random.randint(-100, 100) % 2**24
    return random.choice((random.choice(EXTREMES), random.choice(EXTREMES), small, random.getrandbits(24)))


def order(function: int, address: int, *, index: bool = False, ignored: int = 0) -> int:
    return function << 18 | index << 17 | ignored << 10 | address % 1024


class _Orders:
    """Orders of one program that begins at 0 and ends before `end`."""

    def __init__(self, random: Random, end: int) -> None:
        self.random = random
        self.end = end

    def program(self) -> list[int]:
        pieces: list[Callable[[int], list[int]]] = [self._plain, self._loop, self._division, self._columns]
        weights = (80, 8, 10, 0.5)
        words: list[int] = []
        while len(words) < self.end:
            (piece,) = self.random.choices(pieces, weights)
            words += piece(len(words))
        words = words[: self.end - 1]
        return [*words, order(17, self._target())]

    def any(self) -> int:
        """One order of any kind."""
        random = self.random
        (function,) = random.choices(
            (
                random.choice(ON_WORDS),
                random.choice(JUMPS),
                random.choice((SHL, SHR)),
                random.choice(ALONE),
                random.choice(DEVICES),
                random.choice(UNDEFINED),
                HALT,
            ),
            (52, 14, 8, 14, 8, 0.5, 0.5),
        )
        return order(function, self._address(function), index=random.random() < 0.1, ignored=self._ignored())

    def _plain(self, _at: int) -> list[int]:
        return [self.any()]

    def _loop(self, at: int) -> list[int]:
        body = [self.any() for _ in range(self.random.randint(1, 6))]
        return [order(SETX, self.random.randint(1, 9)), *body, order(JDEC, at + 1)]

    def _division(self, _at: int) -> list[int]:
        """Divide after moving the dividend to the right: most quotients then fit."""
        divide = order(DIV, self._address(DIV))
        return [order(1, self._address(1)), order(SHR, self.random.randint(1, 31)), divide]

    def _columns(self, at: int) -> list[int]:
        """Go through a whole card, and four columns more than it has."""
        kinds = self.random.choice((ON_COLUMNS[:2], ON_COLUMNS[2:]))
        body = [order(self.random.choice(kinds), 0) for _ in range(6)]
        return [order(SETX, 14), *body, order(JDEC, at + 1)]

    def _ignored(self) -> int:
        return self.random.choice((0, 0, 0, self.random.getrandbits(7)))

    def _target(self) -> int:
        return self.random.randrange(self.end)

    def _address(self, function: int) -> int:
        if function in JUMPS:
            return self._target() if self.random.random() < 0.99 else self.random.randrange(1024)
        if function in ON_WORDS and self.random.random() < 0.95:
            return self.random.randrange(self.end, 1024)
        if function == SETX:
            return self.random.choice((0, 1, 1023, self.random.randrange(1024)))
        return self.random.randrange(1024)


def _card(random: Random, orders: _Orders) -> list[int]:
    """Return a card of characters, of orders to be loaded, or, seldom, of holes anywhere."""
    (kind,) = random.choices(("characters", "orders", "holes"), (6, 3, 1))
    if kind == "orders":
        words = [orders.any() for _ in range(39)] + [order(17, 984)]
        return [column for word in words for column in (word >> 12, word % 4096)]
    if kind == "holes":
        return [random.getrandbits(12) for _ in range(80)]
    return [
        random.choice(list(HOLES.values())) if random.random() < 0.97 else random.getrandbits(12) for _ in range(80)
    ]
