"""The processor of ORDERS.md: registers, store, cycles and keys. It owns no clock and does no input or output itself.

Words stand in the registers as the 24 bits they are, 0 to 2^24 - 1; the orders take them for two's complement.
"""

from collections.abc import Callable, Sequence
from typing import ClassVar, Protocol

from bridge.cards.code import BLANK, CODES, HOLES
from bridge.demo.skerry.orders import INDEXED, ORDERS
from bridge.demo.skerry.panel import INDICATORS, KEYS, LAMPS, PHASES, PRESSES, ROWS, SELECTOR, WAITS, WORD_KEYS

# The names of lamps and keys belong to the processor's surface: whoever joins one to a console needs them.
__all__ = ["EXECUTE", "EXTRA", "FETCH", "KEYS", "LAMPS", "MODIFY", "PUNCH", "READER", "TYPING", "Devices", "Processor"]

FETCH, MODIFY, EXECUTE, EXTRA = range(4)
"""What `phase` says the next cycle does."""
READER, PUNCH, TYPING = 1, 2, 3
"""What `waiting` says is waited for; 0 is nothing."""

STORE = 1024
COLUMNS = 80
FIRST_CARD = 984
"""Where LOAD puts the 40 words of the card it reads."""

_WORD = 0xFFFFFF
_SIGN = 0x800000
_LOW = 0x7FFFFF
_ADDRESS = 0x3FF
_FRACTION = 23


class Devices(Protocol):
    """What stands round the processor. No call waits; the processor asks again in its next cycle.

    Every card asked for comes once, in the order asked, and so does every acknowledgement: the processor itself throws
    away what came for an order that was given up.
    """

    def ask_card(self) -> None:
        """Ask the reader for one more card."""

    def take_card(self) -> Sequence[int] | None:
        """Return the holes of the 80 columns of the next card that has come, or None."""

    def send_card(self, columns: Sequence[int]) -> None:
        """Hand the holes of 80 columns to the punch."""

    def take_acknowledgement(self) -> bool:
        """Return whether one more card sent has been punched; each is told once."""

    def type(self, code: int) -> bool:
        """Type the character with this ISO 646 code if the typewriter can take it now; return whether it did."""


def _shown(width: int, lamp: str) -> list[int]:
    """Return the part of the lamp word for each value of `width` bits, its top bit at `lamp`."""
    first = LAMPS.index(lamp)
    return [int(f"{value:0{width}b}"[::-1], 2) << first for value in range(1 << width)]


# A word's lamps come from two tables, one for each half of it: one table for all 24 bits would not fit in memory.
_A_TOP, _B_TOP, _R_TOP, _W_TOP, _D_TOP = (_shown(12, f"{row}.23") for row in "ABRWD")
_A_LOW, _B_LOW, _R_LOW, _W_LOW, _D_LOW = (_shown(12, f"{row}.11") for row in "ABRWD")
_C, _X, _L, _S, _RC, _PC, _Q = (
    _shown(ROWS[row], f"{row}.{ROWS[row] - 1}") for row in ("C", "X", "L", "S", "RC", "PC", "Q")
)
# FETCH leaves the same word in R and W.
_RW_TOP, _RW_LOW = ([r | w for r, w in zip(*half, strict=True)] for half in ((_R_TOP, _W_TOP), (_R_LOW, _W_LOW)))
_LAMP = {name: 1 << LAMPS.index(name) for name in INDICATORS}
_PHASE = [_LAMP[name] for name in PHASES]
_WAITING = [0, *(_LAMP[name] for name in WAITS)]
_OVER = [0, _LAMP["OVER"]]
_ERROR = [0, _LAMP["ERROR"]]
_RUNNING = [_LAMP["STOPPED"] | _LAMP["POWER"], _LAMP["RUN"] | _LAMP["POWER"]]

# What a running machine shows of its phase after FETCH and after MODIFY.
_FETCHED_NOW, _MODIFIED_NOW = (_Q[0] | _PHASE[phase] | _RUNNING[True] for phase in (MODIFY, EXECUTE))

_SELECTED = {f"SELECT.{position}": position.lower() for position in SELECTOR}
_FETCHED = ["r"], ["w"], ["c"]
_SHIFTS = _SHL, _SHR = ORDERS["SHL"].code, ORDERS["SHR"].code

_Action = Callable[["Processor"], object]


def _by_code(meaningless: _Action, orders: dict[str, _Action]) -> tuple[_Action, ...]:
    """Return what to do for each of the 64 function codes."""
    done = {ORDERS[name].code: action for name, action in orders.items()}
    return tuple(done.get(code, meaningless) for code in range(64))


def _signed(word: int) -> int:
    return (word ^ _SIGN) - _SIGN


class Processor:
    """A Skerry Mk 2 as it stands after power-up: stopped, everything zero.

    The registers are attributes under their names in ORDERS.md, in small letters: `a` to `q`, `over`, `error`, `phase`,
    `store`. `running` says whether the RUN lamp is lit; `waiting` is 0, or READER, PUNCH or TYPING when the last
    EXECUTE cycle could not end. A cycle of waiting that ends still waiting changes nothing, lamps included.
    """

    def __init__(self, devices: Devices) -> None:
        self._devices = devices
        self.store = [0] * STORE
        self.keys = 0
        self._selected: list[str] = []
        self._cards_unwanted = 0
        self._acknowledgements_unwanted = 0
        self.waiting = 0
        self._loading = False
        self._clear()

    # The console

    @property
    def lamps(self) -> int:
        """The lamps as they stand: bit n is lamp LAMPS[n]."""
        return self._steady() | self._varied() | self._displayed() | self._always()

    # The lamp word is made of four parts, because making all of it takes four times as long as a cycle: `run` makes
    # only the parts that the cycle can have changed.

    def _steady(self) -> int:
        """Return the lamps that only keys, EXECUTE and the extra cycles of a shift change."""
        a, b = self.a, self.b
        shown = _A_TOP[a >> 12] | _A_LOW[a & 0xFFF] | _B_TOP[b >> 12] | _B_LOW[b & 0xFFF] | _X[self.x] | _L[self.l]
        shown |= _RC[self.rc] | _PC[self.pc] | _WAITING[self.waiting]
        return shown | _OVER[self.over] | _ERROR[self.error]

    def _varied(self) -> int:
        """Return the lamps that FETCH changes too."""
        r, w = self.r, self.w
        return _R_TOP[r >> 12] | _R_LOW[r & 0xFFF] | _W_TOP[w >> 12] | _W_LOW[w & 0xFFF] | _C[self.c]

    def _displayed(self) -> int:
        """Return lamps D, which show any one of these registers."""
        if len(self._selected) != 1:
            return 0
        d: int = getattr(self, self._selected[0])
        return _D_TOP[d >> 12] | _D_LOW[d & 0xFFF]

    def _always(self) -> int:
        """Return the lamps that any cycle can change."""
        return _S[self.s] | _Q[self.q] | _PHASE[self.phase] | _RUNNING[self.running]

    def key(self, name: str, closed: bool) -> None:
        """Take a key that closed or opened; raises KeyError for a name that is not in KEYS."""
        if name in PRESSES:
            if closed:
                self._press(name)
        elif name in WORD_KEYS:
            bit = 1 << WORD_KEYS[name]
            self.keys = self.keys | bit if closed else self.keys & ~bit
        else:
            register = _SELECTED[name]
            self._selected = [other for other in self._selected if other != register] + [register] * closed

    def press(self, name: str) -> None:
        """Press a key and let it go again."""
        self.key(name, True)
        self.key(name, False)

    def _press(self, name: str) -> None:
        if name == "RESET":
            self._reset()
        elif name == "STOP":
            self._stopping = self.running
            if self.phase == FETCH or self.waiting:
                self._stop()
        elif not (self.running or self.error):
            self._PRESSED[name](self)

    def _start(self) -> None:
        self.running = True

    def _load(self) -> None:
        self._reset()
        self.running = self._loading = True
        self.phase = EXECUTE
        self._ask_card()

    def _step_order(self) -> None:
        self.running = self._stopping = True

    def _set_address(self) -> None:
        self.c = self.s = self.keys & _ADDRESS
        self._fetch_next()

    def _read_word(self) -> None:
        self.s = self.c
        self.w = self.store[self.s]
        self._pass()

    def _change_word(self) -> None:
        self.s = self.c
        self.w = self.store[self.s] = self.keys
        self._pass()

    def _pass(self) -> None:
        self.c = self.c + 1 & _ADDRESS
        self._fetch_next()

    def _fetch_next(self) -> None:
        self._give_up_waiting()
        self.phase = FETCH
        self.q = 0

    def _stop(self) -> None:
        self.running = self._stopping = False

    def _reset(self) -> None:
        self._give_up_waiting()
        self._clear()

    def _give_up_waiting(self) -> None:
        if self.waiting == READER:
            self._cards_unwanted += 1
        elif self.waiting == PUNCH:
            self._acknowledgements_unwanted += 1
        self.waiting = 0
        self._loading = False

    def _clear(self) -> None:
        self.a = self.b = self.r = self.w = self.c = self.x = self.l = self.s = 0
        self.rc = self.pc = self.q = 0
        self.over = self.error = False
        self.phase = FETCH
        self._card: Sequence[int] = [BLANK] * COLUMNS
        self._punch = [BLANK] * COLUMNS
        self._stop()

    # Cycles

    def run(self, limit: int, count: Callable[[int, int], object]) -> int:
        """Run up to `limit` cycles and return how many; returns early when the machine stops or comes to wait.

        `count(lamps, 1)` is called after each cycle. Called while the machine waits, it runs one cycle, and goes on
        only if that ended the wait; further cycles of the same wait can be counted in bulk instead of run.
        """
        done = 0
        steady, varied, displayed = self._steady(), self._varied(), self._displayed()
        fetch_is_displayed = self._selected in _FETCHED
        while done < limit and self.running:
            phase = self.phase
            if phase == FETCH:
                w, c = self._fetch(), self.c
                varied = _RW_TOP[w >> 12] | _RW_LOW[w & 0xFFF] | _C[c]
                if fetch_is_displayed:
                    displayed = self._displayed()
                lamps = steady | varied | displayed | _S[self.s] | _FETCHED_NOW
            elif phase == MODIFY:
                lamps = steady | varied | displayed | _S[self._modify()] | _MODIFIED_NOW
            else:
                w, c = self.w, self.c
                self.cycle()
                if phase == EXECUTE or self.r >> 18 in _SHIFTS:
                    steady = self._steady()
                    if self.w != w or self.c != c:
                        varied = self._varied()
                    displayed = self._displayed()
                lamps = steady | varied | displayed | self._always()
            count(lamps, 1)
            done += 1
            if self.waiting:
                break
        return done

    def cycle(self) -> None:
        """Go through one machine cycle, running or not."""
        self._CYCLES[self.phase](self)
        if self._stopping and self.phase == FETCH:
            self._stop()

    def _fetch(self) -> int:
        """Fetch an order and return it."""
        self.s = s = self.c
        self.w = self.r = order = self.store[s]
        self.c = s + 1 & _ADDRESS
        self.phase = MODIFY
        return order

    def _modify(self) -> int:
        """Make the order's address and return it."""
        r = self.r
        self.s = s = (r + self.x if r & INDEXED else r) & _ADDRESS
        self.phase = EXECUTE
        return s

    def _execute(self) -> None:
        self.phase = FETCH
        if self._loading:
            self._look_for_first_card()
        else:
            self._OBEY[self.r >> 18](self)

    def _extra(self) -> None:
        if self.r >> 18 == _SHL:
            self.a = self.a << 1 & _WORD
        elif self.r >> 18 == _SHR:
            self.a = self.a >> 1 | self.a & _SIGN
        self.q -= 1
        if not self.q:
            self.phase = FETCH

    def _extend(self, cycles: int) -> None:
        if cycles:
            self.q = cycles
            self.phase = EXTRA

    def _wait(self, what: int) -> None:
        self.waiting = what
        self.phase = EXECUTE

    # Orders, as the EXECUTE cycle obeys them; PHASE is FETCH already

    def _meaningless(self) -> None:
        self.error = True
        self.phase = EXECUTE
        self._stop()

    def _get(self) -> None:
        self.w = self.a = self.store[self.s]

    def _put(self) -> None:
        self.w = self.store[self.s] = self.a

    def _add(self) -> None:
        self.w = w = self.store[self.s]
        a = self.a
        self.a = total = a + w & _WORD
        if (a ^ total) & (w ^ total) & _SIGN:
            self.over = True

    def _sub(self) -> None:
        self.w = w = self.store[self.s]
        a = self.a
        self.a = difference = a - w & _WORD
        if (a ^ w) & (a ^ difference) & _SIGN:
            self.over = True

    def _and(self) -> None:
        self.w = w = self.store[self.s]
        self.a &= w

    def _mul(self) -> None:
        self.w = w = self.store[self.s]
        if self.a == w == _SIGN:
            self.over = True
        product = _signed(self.a) * _signed(w)
        self.a = product >> _FRACTION & _WORD
        self.b = product & _LOW
        self._extend(24)

    def _div(self) -> None:
        self.w = w = self.store[self.s]
        dividend = (_signed(self.a) << _FRACTION) + (self.b & _LOW)
        quotient, remainder = divmod(dividend, _signed(w)) if w else (_SIGN, 0)
        if not -_SIGN <= quotient < _SIGN:
            self.over = True
            return
        self.a = quotient & _WORD
        self.b = remainder & _WORD
        self._extend(24)

    def _shift(self) -> None:
        self._extend(self.s & 31)

    def _swap(self) -> None:
        self.a, self.b = self.b, self.a

    def _getx(self) -> None:
        self.w = w = self.store[self.s]
        self.x = w & _ADDRESS

    def _putx(self) -> None:
        self.w = self.store[self.s] = self.x

    def _setx(self) -> None:
        self.x = self.s

    def _getl(self) -> None:
        self.w = w = self.store[self.s]
        self.l = w & _ADDRESS

    def _putl(self) -> None:
        self.w = self.store[self.s] = self.l

    def _jump(self) -> None:
        self.c = self.s

    def _jneg(self) -> None:
        if self.a & _SIGN:
            self.c = self.s

    def _jzer(self) -> None:
        if not self.a:
            self.c = self.s

    def _jovr(self) -> None:
        if self.over:
            self.over = False
            self.c = self.s

    def _jsub(self) -> None:
        self.l = self.c
        self.c = self.s

    def _back(self) -> None:
        self.c = self.l + self.s & _ADDRESS

    def _jdec(self) -> None:
        self.x = x = self.x - 1 & _ADDRESS
        if x:
            self.c = self.s

    def _read_column(self) -> int | None:
        if self.rc == COLUMNS:
            self.over = True
            return None
        self.rc += 1
        return self._card[self.rc - 1]

    def _colm(self) -> None:
        self.a = self._read_column() or 0

    def _char(self) -> None:
        holes = self._read_column()
        self.a = 0 if holes is None else CODES.get(holes, _WORD)

    def _punch_column(self, holes: int) -> None:
        if self.pc == COLUMNS:
            self.over = True
            return
        self._punch[self.pc] = holes
        self.pc += 1

    def _pcol(self) -> None:
        self._punch_column(self.a & 0xFFF)

    def _pchr(self) -> None:
        self._punch_column(HOLES[self.a & 0x7F])

    def _take_keys(self) -> None:
        self.a = self.keys

    # Orders that wait, and the card that LOAD waits for

    def _ask_card(self) -> None:
        self._devices.ask_card()
        self._wait(READER)

    def _card_come(self) -> Sequence[int] | None:
        columns = self._devices.take_card()
        while columns is not None and self._cards_unwanted:
            self._cards_unwanted -= 1
            columns = self._devices.take_card()
        if columns is None:
            self._wait(READER)
        else:
            self.waiting = 0
        return columns

    def _read_card(self) -> None:
        if not self.waiting:
            self._ask_card()
        elif columns := self._card_come():
            self._card = columns
            self.rc = 0

    def _look_for_first_card(self) -> None:
        if columns := self._card_come():
            for n in range(COLUMNS // 2):
                self.store[FIRST_CARD + n] = columns[2 * n] << 12 | columns[2 * n + 1]
            self.c = FIRST_CARD
            self._loading = False

    def _punch_card(self) -> None:
        if not self.waiting:
            self._devices.send_card(tuple(self._punch))
            self._wait(PUNCH)
            return
        while self._devices.take_acknowledgement():
            if not self._acknowledgements_unwanted:
                self.waiting = 0
                self._punch = [BLANK] * COLUMNS
                self.pc = 0
                return
            self._acknowledgements_unwanted -= 1
        self._wait(PUNCH)

    def _type(self) -> None:
        self._try_typing(self.a & 0x7F)

    def _typi(self) -> None:
        self._try_typing(self.s & 0x7F)

    def _try_typing(self, code: int) -> None:
        if self._devices.type(code):
            self.waiting = 0
        else:
            self._wait(TYPING)

    _PRESSED: ClassVar[dict[str, "_Action"]] = {
        "START": _start,
        "LOAD": _load,
        "STEP ORDER": _step_order,
        "STEP CYCLE": cycle,
        "SET ADDRESS": _set_address,
        "READ WORD": _read_word,
        "CHANGE WORD": _change_word,
    }
    _CYCLES: ClassVar[tuple["_Action", ...]] = (_fetch, _modify, _execute, _extra)
    _OBEY: ClassVar[tuple["_Action", ...]] = _by_code(
        _meaningless,
        {
            "HALT": _stop,
            "GET": _get,
            "PUT": _put,
            "ADD": _add,
            "SUB": _sub,
            "AND": _and,
            "MUL": _mul,
            "DIV": _div,
            "SHL": _shift,
            "SHR": _shift,
            "SWAP": _swap,
            "GETX": _getx,
            "PUTX": _putx,
            "SETX": _setx,
            "GETL": _getl,
            "PUTL": _putl,
            "JUMP": _jump,
            "JNEG": _jneg,
            "JZER": _jzer,
            "JOVR": _jovr,
            "JSUB": _jsub,
            "BACK": _back,
            "JDEC": _jdec,
            "CARD": _read_card,
            "COLM": _colm,
            "CHAR": _char,
            "PCOL": _pcol,
            "PCHR": _pchr,
            "PNCH": _punch_card,
            "TYPE": _type,
            "TYPI": _typi,
            "KEYS": _take_keys,
        },
    )
