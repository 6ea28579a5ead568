"""The Skerry Mk 2 a second time, written from ORDERS.md alone: slow, plain, and only there to be compared with.

It shares no line with `bridge.demo`: where the two differ, one of them has misread the page.
"""

from pathlib import Path

_TABLE = Path(__file__).parent.parent / "references" / "card-code.tsv"
_ROWS = [line.split("\t") for line in _TABLE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")][1:]
HOLES = {int(row[0]): int(row[4], 16) for row in _ROWS}
"""ISO 646 code -> the holes X3.26 gives it, row 12 the top of 12 bits. source: ANSI X3.26-1980."""
CODE = {holes: code for code, holes in HOLES.items()}

SELECTOR = ("A", "B", "R", "W", "C", "X", "L", "KEYS")
LEVELS = [f"W.{bit}" for bit in range(23, -1, -1)] + [f"SELECT.{position}" for position in SELECTOR]

PHASES = ("FETCH", "MODIFY", "EXECUTE", "EXTRA")
ROWS = {"A": 24, "B": 24, "R": 24, "W": 24, "D": 24, "C": 10, "X": 10, "L": 10, "S": 10, "RC": 7, "PC": 7, "Q": 5}
LAMPS = [f"{row}.{bit}" for row, width in ROWS.items() for bit in range(width - 1, -1, -1)]
LAMPS += [*PHASES, "READER", "PUNCH", "TYPING", "OVER", "ERROR", "RUN", "STOPPED", "POWER"]

READS = {1, 3, 4, 5, 7, 8, 12, 15}


def signed(word: int) -> int:
    return word - 2**24 if word >= 2**23 else word


def fits(number: int) -> bool:
    return -(2**23) <= number < 2**23


class Interpreter:
    """One machine with its devices.

    A test fills `cards` (80 columns each), `acknowledgements` (anything, one a punched card) and `credit` (characters
    the typewriter can take), and reads `asked` (cards asked for so far), `punched` (80 columns each) and `typed`.
    """

    def __init__(self) -> None:
        self.store = [0] * 1024
        self.keys = dict.fromkeys(LEVELS, 0)
        self.cards: list[list[int]] = []
        self.asked = 0
        self.unwanted_cards = 0
        self.punched: list[list[int]] = []
        self.acknowledgements: list[int] = []
        self.unwanted_acknowledgements = 0
        self.typed: list[int] = []
        self.credit = 0
        self.READER = self.PUNCH = self.TYPING = 0
        self._reset()

    def _reset(self) -> None:
        self.A = self.B = self.R = self.W = self.C = self.X = self.L = self.S = 0
        self.RC = self.PC = self.OVER = self.ERROR = 0
        self.card_buffer = [0] * 80
        self.punch_buffer = [0] * 80
        self._back_to_fetch()
        self._stop()

    def _back_to_fetch(self) -> None:
        self.phase = "FETCH"
        self.Q = 0
        self.unwanted_cards += self.READER
        self.unwanted_acknowledgements += self.PUNCH
        self.READER = self.PUNCH = self.TYPING = 0
        self.loading = False

    def _stop(self) -> None:
        self.running = False
        self.stop_after_order = False

    # Lamps and keys

    def word_keys(self) -> int:
        return sum(self.keys[f"W.{bit}"] << bit for bit in range(24))

    def _row_d(self) -> int:
        closed = [position for position in SELECTOR if self.keys["SELECT." + position]]
        if len(closed) != 1:
            return 0
        return self.word_keys() if closed == ["KEYS"] else int(vars(self)[closed[0]])

    def lamps(self) -> dict[str, int]:
        return dict(zip(LAMPS, map(int, self.lamps_in_a_row()), strict=True))

    def lamps_in_a_row(self) -> str:
        """Return the lamps left to right, a lit one as 1: the same as `lamps`, for comparing many of them."""
        words = f"{self.A:024b}{self.B:024b}{self.R:024b}{self.W:024b}{self._row_d():024b}"
        addresses = f"{self.C:010b}{self.X:010b}{self.L:010b}{self.S:010b}{self.RC:07b}{self.PC:07b}{self.Q:05b}"
        phases = "".join(str(int(phase == self.phase)) for phase in PHASES)
        waits = f"{self.READER}{self.PUNCH}{self.TYPING}"
        return words + addresses + phases + waits + f"{self.OVER}{self.ERROR}{'10' if self.running else '01'}1"

    def press(self, name: str) -> None:
        if name == "RESET":
            self._reset()
        elif name == "STOP":
            if self.phase == "FETCH" or self.READER or self.PUNCH or self.TYPING:
                self._stop()
            elif self.running:
                self.stop_after_order = True
        elif not (self.running or self.ERROR):
            self._press_while_stopped(name)

    def _press_while_stopped(self, name: str) -> None:
        match name:
            case "START":
                self.running = True
            case "STEP ORDER":
                self.running = self.stop_after_order = True
            case "STEP CYCLE":
                self._cycle()
            case "LOAD":
                self._reset()
                self._ask_for_card()
                self.phase = "EXECUTE"
                self.running = self.loading = True
            case "SET ADDRESS":
                self.C = self.S = self.word_keys() % 1024
                self._back_to_fetch()
            case "READ WORD" | "CHANGE WORD":
                self.S = self.C
                if name == "READ WORD":
                    self.W = self.store[self.S]
                else:
                    self._write(self.word_keys())
                self.C = (self.C + 1) % 1024
                self._back_to_fetch()
            case _:
                raise ValueError(f"no key is called {name!r}")

    # Cycles

    def cycle(self) -> None:
        """Let 96 µs pass: one machine cycle, or none when the machine is stopped."""
        if self.running:
            self._cycle()
        if self.phase == "FETCH" and self.stop_after_order:
            self._stop()

    def _cycle(self) -> None:
        match self.phase:
            case "FETCH":
                self.S = self.C
                self.R = self.W = self.store[self.S]
                self.C = (self.C + 1) % 1024
                self.phase = "MODIFY"
            case "MODIFY":
                self.S = (self.R + (self.X if self.R >> 17 & 1 else 0)) % 1024
                self.phase = "EXECUTE"
            case "EXECUTE":
                if self._load() if self.loading else self._obey(self.R >> 18):
                    self.phase = "EXTRA" if self.Q else "FETCH"
            case "EXTRA":
                if self.R >> 18 == 9:
                    self.A = self.A * 2 % 2**24
                if self.R >> 18 == 10:
                    self.A = signed(self.A) // 2 % 2**24
                self.Q -= 1
                self.phase = "EXTRA" if self.Q else "FETCH"

    def _obey(self, function: int) -> bool:  # noqa: C901, PLR0912, PLR0915 (the page's table, in the page's order)
        """Do what the page says of this function; False while the order has not ended."""
        if function in READS:
            self.W = self.store[self.S]
        match function:
            case 0:  # HALT
                self._stop()
            case 1:  # GET
                self.A = self.W
            case 2:  # PUT
                self._write(self.A)
            case 3:  # ADD
                self._sum(signed(self.A) + signed(self.W))
            case 4:  # SUB
                self._sum(signed(self.A) - signed(self.W))
            case 5:  # AND
                self.A &= self.W
            case 7:  # MUL
                product = signed(self.A) * signed(self.W)
                self._sum(product // 2**23)
                self.B = product % 2**23
                self.Q = 24
            case 8:  # DIV
                self._divide(signed(self.A) * 2**23 + self.B % 2**23, signed(self.W))
            case 9 | 10:  # SHL, SHR
                self.Q = self.S % 32
            case 11:  # SWAP
                self.A, self.B = self.B, self.A
            case 12:  # GETX
                self.X = self.W % 1024
            case 13:  # PUTX
                self._write(self.X)
            case 14:  # SETX
                self.X = self.S
            case 15:  # GETL
                self.L = self.W % 1024
            case 16:  # PUTL
                self._write(self.L)
            case 17:  # JUMP
                self.C = self.S
            case 18:  # JNEG
                self.C = self.S if signed(self.A) < 0 else self.C
            case 19:  # JZER
                self.C = self.S if self.A == 0 else self.C
            case 20:  # JOVR
                self.C = self.S if self.OVER else self.C
                self.OVER = 0
            case 21:  # JSUB
                self.L = self.C
                self.C = self.S
            case 22:  # BACK
                self.C = (self.L + self.S) % 1024
            case 23:  # JDEC
                self.X = (self.X - 1) % 1024
                self.C = self.S if self.X != 0 else self.C
            case 24:  # CARD
                return self._read_card()
            case 25 | 26 if self.RC == 80:  # COLM, CHAR
                self.A = 0
                self.OVER = 1
            case 25 | 26:
                column = self.card_buffer[self.RC]
                self.A = column if function == 25 else CODE.get(column, -1) % 2**24
                self.RC += 1
            case 27 | 28 if self.PC == 80:  # PCOL, PCHR
                self.OVER = 1
            case 27 | 28:
                self.punch_buffer[self.PC] = self.A % 2**12 if function == 27 else HOLES[self.A % 128]
                self.PC += 1
            case 29:  # PNCH
                return self._punch_card()
            case 30:  # TYPE
                return self._type(self.A % 128)
            case 31:  # TYPI
                return self._type(self.S % 128)
            case 32:  # KEYS
                self.A = self.word_keys()
            case _:
                self.ERROR = 1
                self._stop()
                return False
        return True

    def _write(self, word: int) -> None:
        self.W = word
        self.store[self.S] = self.W

    def _sum(self, number: int) -> None:
        self.OVER = self.OVER if fits(number) else 1
        self.A = number % 2**24

    def _divide(self, dividend: int, divisor: int) -> None:
        if divisor == 0 or not fits(dividend // divisor):
            self.OVER = 1
            return
        self.A = dividend // divisor % 2**24
        self.B = (dividend - dividend // divisor * divisor) % 2**24
        self.Q = 24

    # Waiting

    def _ask_for_card(self) -> None:
        self.asked += 1
        self.READER = 1

    def _card_that_has_come(self) -> list[int] | None:
        while self.cards and self.unwanted_cards:
            self.cards.pop(0)
            self.unwanted_cards -= 1
        if not self.cards:
            return None
        self.READER = 0
        return self.cards.pop(0)

    def _read_card(self) -> bool:
        if not self.READER:
            self._ask_for_card()
        elif card := self._card_that_has_come():
            self.card_buffer = card
            self.RC = 0
        return not self.READER

    def _load(self) -> bool:
        if card := self._card_that_has_come():
            self.store[984:] = [4096 * card[2 * i] + card[2 * i + 1] for i in range(40)]
            self.C = 984
            self.loading = False
        return not self.READER

    def _punch_card(self) -> bool:
        if not self.PUNCH:
            self.punched.append(list(self.punch_buffer))
            self.PUNCH = 1
            return False
        while self.acknowledgements and self.unwanted_acknowledgements:
            self.acknowledgements.pop(0)
            self.unwanted_acknowledgements -= 1
        if self.acknowledgements:
            self.acknowledgements.pop(0)
            self.punch_buffer = [0] * 80
            self.PC = self.PUNCH = 0
        return not self.PUNCH

    def _type(self, code: int) -> bool:
        self.TYPING = 0 if self.credit else 1
        if self.credit:
            self.credit -= 1
            self.typed.append(code)
        return not self.TYPING
