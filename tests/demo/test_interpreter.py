"""The interpreter against the page's tables, with values worked out here.  source: ORDERS.md, arithmetic."""

from copy import deepcopy
from fractions import Fraction
from itertools import product
from math import floor
from random import Random
from typing import Any

import pytest

from tests.demo.interpreter import CODE, HOLES, LAMPS, LEVELS, Interpreter, signed
from tests.demo.programs import order, random_program

MAX, MIN, MINUS_1 = 2**23 - 1, 2**23, 2**24 - 1  # as the 24 bits stand in a register
EXTREMES = (0, 1, 2, 3, 1000, MAX - 1, MAX, MIN, MIN + 1, MINUS_1 - 1, MINUS_1, 0x555555, 0xAAAAAA)

HOME = 100  # where the order under test stands
N = 200  # its address

# What stands in the machine before an order unless a row says otherwise: every register its own value, so that one
# changed by mistake is seen.
BEFORE: dict[str, Any] = {
    "A": 0x123456,
    "B": 0x654321,
    "R": 7,
    "W": 8,
    "C": HOME,
    "X": 5,
    "L": 77,
    "S": 9,
    "RC": 3,
    "PC": 4,
    "Q": 0,
}
BEFORE |= {"OVER": 0, "ERROR": 0, "READER": 0, "PUNCH": 0, "TYPING": 0, "phase": "FETCH", "running": True}
WORD = 0x0ABCDE  # what stands at N
COLUMNS = [(37 * i) % 4096 for i in range(80)]

WORKING_KEYS = "START", "LOAD", "STEP ORDER", "STEP CYCLE", "SET ADDRESS", "READ WORD", "CHANGE WORD"


def standing(word: int, **registers: Any) -> Interpreter:
    """Return a running machine about to fetch `word` from HOME."""
    machine = Interpreter()
    vars(machine).update(BEFORE | registers)
    machine.store[HOME] = word
    machine.store[N] = WORD
    machine.card_buffer = list(COLUMNS)
    machine.punch_buffer = list(COLUMNS)
    return machine


def registers(machine: Interpreter) -> dict[str, Any]:
    return {name: vars(machine)[name] for name in BEFORE}


def snapshot(machine: Interpreter) -> dict[str, Any]:
    return deepcopy(vars(machine))


def changed(before: dict[str, Any], machine: Interpreter) -> dict[str, Any]:
    return {name: value for name, value in vars(machine).items() if before[name] != value}


def cycles(machine: Interpreter, count: int) -> None:
    for _ in range(count):
        machine.cycle()


def obey(machine: Interpreter) -> int:
    """Run one order to its end and return how many cycles it took."""
    for taken in range(1, 100):
        machine.cycle()
        if machine.phase == "FETCH" or not machine.running:
            return taken
    pytest.fail("the order never ended")


def set_word_keys(machine: Interpreter, word: int) -> None:
    machine.keys.update({f"W.{bit}": word >> bit & 1 for bit in range(24)})


# Each order: code, what differs from BEFORE, the word at N, what differs afterwards beside R, S, C and W (the order
# itself where W is not named), the word at N afterwards, extra cycles.
ORDERS: dict[str, tuple[int, dict[str, Any], int, dict[str, Any], int, int]] = {
    "HALT": (0, {}, WORD, {"running": False}, WORD, 0),
    "GET": (1, {}, 0x800001, {"A": 0x800001, "W": 0x800001}, 0x800001, 0),
    "PUT": (2, {"A": 0xFEDCBA}, WORD, {"W": 0xFEDCBA}, 0xFEDCBA, 0),
    "ADD": (3, {"A": 40}, MINUS_1, {"A": 39, "W": MINUS_1}, MINUS_1, 0),
    "ADD to the top": (3, {"A": MAX - 1}, 1, {"A": MAX, "W": 1}, 1, 0),
    "ADD over the top": (3, {"A": MAX}, 1, {"A": MIN, "W": 1, "OVER": 1}, 1, 0),
    "ADD top to top": (3, {"A": MAX}, MAX, {"A": MINUS_1 - 1, "W": MAX, "OVER": 1}, MAX, 0),
    "ADD to the bottom": (3, {"A": MIN + 1}, MINUS_1, {"A": MIN, "W": MINUS_1}, MINUS_1, 0),
    "ADD under the bottom": (3, {"A": MIN}, MINUS_1, {"A": MAX, "W": MINUS_1, "OVER": 1}, MINUS_1, 0),
    "ADD bottom to bottom": (3, {"A": MIN}, MIN, {"A": 0, "W": MIN, "OVER": 1}, MIN, 0),
    "ADD keeps OVER": (3, {"A": 1, "OVER": 1}, 1, {"A": 2, "W": 1, "OVER": 1}, 1, 0),
    "SUB": (4, {"A": 40}, 41, {"A": MINUS_1, "W": 41}, 41, 0),
    "SUB under the bottom": (4, {"A": MIN}, 1, {"A": MAX, "W": 1, "OVER": 1}, 1, 0),
    "SUB over the top": (4, {"A": MAX}, MINUS_1, {"A": MIN, "W": MINUS_1, "OVER": 1}, MINUS_1, 0),
    "SUB the bottom from 0": (4, {"A": 0}, MIN, {"A": MIN, "W": MIN, "OVER": 1}, MIN, 0),
    "SUB the bottom from -1": (4, {"A": MINUS_1}, MIN, {"A": MAX, "W": MIN}, MIN, 0),
    "AND": (5, {"A": 0xFF00FF}, 0xF0F0F0, {"A": 0xF000F0, "W": 0xF0F0F0}, 0xF0F0F0, 0),
    "MUL half by half": (7, {"A": 2**22}, 2**22, {"A": 2**21, "B": 0, "W": 2**22}, 2**22, 24),
    "MUL -1 by 1": (7, {"A": MINUS_1}, 1, {"A": MINUS_1, "B": MAX, "W": 1}, 1, 24),
    "MUL top by top": (7, {"A": MAX}, MAX, {"A": MAX - 1, "B": 1, "W": MAX}, MAX, 24),
    "MUL bottom by top": (7, {"A": MIN}, MAX, {"A": MIN + 1, "B": 0, "W": MAX}, MAX, 24),
    "MUL bottom by bottom": (7, {"A": MIN}, MIN, {"A": MIN, "B": 0, "W": MIN, "OVER": 1}, MIN, 24),
    "DIV 7 by 2": (8, {"A": 0, "B": 7}, 2, {"A": 3, "B": 1, "W": 2}, 2, 24),
    "DIV 7 by -2": (
        8,
        {"A": 0, "B": 7},
        MINUS_1 - 1,
        {"A": 2**24 - 4, "B": MINUS_1, "W": MINUS_1 - 1},
        MINUS_1 - 1,
        24,
    ),
    "DIV leaves B's top bit out": (8, {"A": 0, "B": MIN + 7}, 2, {"A": 3, "B": 1, "W": 2}, 2, 24),
    "DIV to the top": (8, {"A": 0, "B": MAX}, 1, {"A": MAX, "B": 0, "W": 1}, 1, 24),
    "DIV over the top": (8, {"A": 1, "B": 0}, 1, {"W": 1, "OVER": 1}, 1, 0),
    "DIV to the bottom": (8, {"A": 1, "B": 0}, MINUS_1, {"A": MIN, "B": 0, "W": MINUS_1}, MINUS_1, 24),
    "DIV under the bottom": (8, {"A": 1, "B": 1}, MINUS_1, {"W": MINUS_1, "OVER": 1}, MINUS_1, 0),
    "DIV by 0": (8, {"A": 5, "B": 6}, 0, {"W": 0, "OVER": 1}, 0, 0),
    "DIV 0 by 0": (8, {"A": 0, "B": 0}, 0, {"W": 0, "OVER": 1}, 0, 0),
    "DIV keeps an earlier OVER": (8, {"A": 0, "B": 7, "OVER": 1}, 2, {"A": 3, "B": 1, "W": 2, "OVER": 1}, 2, 24),
    "SWAP": (11, {"A": 1, "B": 2}, WORD, {"A": 2, "B": 1}, WORD, 0),
    "GETX": (12, {}, 0xFFFC03, {"X": 3, "W": 0xFFFC03}, 0xFFFC03, 0),
    "PUTX": (13, {"X": 1023}, WORD, {"W": 1023}, 1023, 0),
    "SETX": (14, {}, WORD, {"X": N}, WORD, 0),
    "GETL": (15, {}, 0xFFFFFE, {"L": 1022, "W": 0xFFFFFE}, 0xFFFFFE, 0),
    "PUTL": (16, {"L": 513}, WORD, {"W": 513}, 513, 0),
    "JUMP": (17, {}, WORD, {"C": N}, WORD, 0),
    "JNEG below 0": (18, {"A": MIN}, WORD, {"C": N}, WORD, 0),
    "JNEG at -1": (18, {"A": MINUS_1}, WORD, {"C": N}, WORD, 0),
    "JNEG at 0": (18, {"A": 0}, WORD, {}, WORD, 0),
    "JNEG above 0": (18, {"A": MAX}, WORD, {}, WORD, 0),
    "JZER at 0": (19, {"A": 0}, WORD, {"C": N}, WORD, 0),
    "JZER at 1": (19, {"A": 1}, WORD, {}, WORD, 0),
    "JZER at the bottom": (19, {"A": MIN}, WORD, {}, WORD, 0),
    "JOVR lit": (20, {"OVER": 1}, WORD, {"C": N, "OVER": 0}, WORD, 0),
    "JOVR dark": (20, {}, WORD, {}, WORD, 0),
    "JSUB": (21, {}, WORD, {"L": HOME + 1, "C": N}, WORD, 0),
    "BACK": (22, {"L": 300}, WORD, {"C": 300 + N}, WORD, 0),
    "BACK past the end": (22, {"L": 1000}, WORD, {"C": 1000 + N - 1024}, WORD, 0),
    "JDEC at 2": (23, {"X": 2}, WORD, {"X": 1, "C": N}, WORD, 0),
    "JDEC at 1": (23, {"X": 1}, WORD, {"X": 0}, WORD, 0),
    "JDEC at 0": (23, {"X": 0}, WORD, {"X": 1023, "C": N}, WORD, 0),
    "COLM": (25, {}, WORD, {"A": COLUMNS[3], "RC": 4}, WORD, 0),
    "COLM of the last": (25, {"RC": 79}, WORD, {"A": COLUMNS[79], "RC": 80}, WORD, 0),
    "COLM past the last": (25, {"RC": 80}, WORD, {"A": 0, "OVER": 1}, WORD, 0),
    "CHAR past the last": (26, {"RC": 80}, WORD, {"A": 0, "OVER": 1}, WORD, 0),
    "PCOL": (27, {}, WORD, {"PC": 5}, WORD, 0),
    "PCOL of the last": (27, {"PC": 79}, WORD, {"PC": 80}, WORD, 0),
    "PCOL past the last": (27, {"PC": 80}, WORD, {"OVER": 1}, WORD, 0),
    "PCHR": (28, {}, WORD, {"PC": 5}, WORD, 0),
    "PCHR past the last": (28, {"PC": 80}, WORD, {"OVER": 1}, WORD, 0),
    "KEYS": (32, {}, WORD, {"A": 0xC0FFEE}, WORD, 0),
}


@pytest.mark.parametrize("name", ORDERS)
def test_an_order_changes_what_the_page_says_and_nothing_else(name: str) -> None:
    function, before, word, after, word_after, extra = ORDERS[name]
    machine = standing(order(function, N), **before)
    machine.store[N] = word
    set_word_keys(machine, 0xC0FFEE)
    expected = BEFORE | {"R": order(function, N), "W": order(function, N), "S": N, "C": HOME + 1} | before | after
    store = list(machine.store)
    store[N] = word_after

    assert obey(machine) == 3 + extra
    assert registers(machine) == expected
    assert machine.store == store
    assert (machine.asked, machine.punched, machine.typed) == (0, [], [])


@pytest.mark.parametrize(("a", "m"), [*product(EXTREMES, EXTREMES)])
def test_a_product_is_all_there(a: int, m: int) -> None:
    machine = standing(order(7, N), A=a)
    machine.store[N] = m
    obey(machine)
    high = 2**23 if a == m == MIN else signed(machine.A)
    assert high * 2**23 + machine.B == signed(a) * signed(m)
    assert 0 <= machine.B < 2**23
    assert bool(machine.OVER) is (a == m == MIN)


@pytest.mark.parametrize(("a", "b", "m"), [*product(EXTREMES, (0, 1, MAX, MIN, MINUS_1), EXTREMES)])
def test_a_quotient_and_its_remainder_give_the_dividend(a: int, b: int, m: int) -> None:
    machine = standing(order(8, N), A=a, B=b)
    machine.store[N] = m
    taken = obey(machine)
    dividend = signed(a) * 2**23 + (b - MIN if b >= MIN else b)
    if m == 0 or not -(2**23) <= floor(Fraction(dividend, signed(m))) <= 2**23 - 1:
        assert (machine.A, machine.B, machine.OVER, taken) == (a, b, 1, 3)
        return
    assert signed(machine.A) * signed(m) + signed(machine.B) == dividend
    assert abs(signed(machine.B)) < abs(signed(m))
    assert machine.B == 0 or (machine.B >= MIN) == (m >= MIN)
    assert (machine.OVER, taken) == (0, 27)


@pytest.mark.parametrize(("a", "n"), [*product(EXTREMES, (0, 1, 5, 22, 23, 24, 31, 32, 33, 1022, 1023))])
def test_shifts_go_one_place_a_cycle(a: int, n: int) -> None:
    places = n - n // 32 * 32
    left, right = standing(order(9, n), A=a), standing(order(10, n), A=a)
    cycles(left, 3)
    cycles(right, 3)
    for place in range(places + 1):
        assert (left.A, signed(right.A)) == (a * 2**place % 2**24, floor(Fraction(signed(a), 2**place)))
        assert left.Q == right.Q == places - place
        assert left.phase == right.phase == ("FETCH" if place == places else "EXTRA")
        assert left.OVER == right.OVER == 0
        if place < places:
            left.cycle()
            right.cycle()


@pytest.mark.parametrize("function", [6, *range(33, 64)])
def test_an_order_without_a_meaning_stops_in_error(function: int) -> None:
    machine = standing(order(function, N))
    word = order(function, N)
    expected = BEFORE | {"R": word, "W": word, "S": N, "C": HOME + 1}
    assert obey(machine) == 3
    assert registers(machine) == expected | {"ERROR": 1, "phase": "EXECUTE", "running": False}


# Cycles


def test_cycles_one_by_one() -> None:
    word = order(9, 1000, index=True, ignored=0x7F)  # SHL by 1000 + 90 - 1024 = 66, and 66 mod 32 = 2
    machine = standing(0, C=1023, X=90, A=1)
    machine.store[1023] = word
    seen = []
    for _ in range(6):
        seen.append((machine.phase, machine.C, machine.S, machine.W, machine.R, machine.Q, machine.A))
        machine.cycle()
    assert seen == [
        ("FETCH", 1023, 9, 8, 7, 0, 1),
        ("MODIFY", 0, 1023, word, word, 0, 1),
        ("EXECUTE", 0, 66, word, word, 0, 1),
        ("EXTRA", 0, 66, word, word, 2, 1),
        ("EXTRA", 0, 66, word, word, 1, 2),
        ("FETCH", 0, 66, word, word, 0, 4),
    ]


def test_without_its_bit_the_index_stays_out() -> None:
    machine = standing(order(17, N, ignored=0x7F))
    obey(machine)
    assert machine.C == N


def test_a_stopped_machine_stands_still() -> None:
    machine = standing(order(1, N), running=False)
    before = snapshot(machine)
    cycles(machine, 5)
    assert changed(before, machine) == {}


# Columns


def test_a_few_columns_of_the_card_code() -> None:
    # source: ANSI X3.26-1980; the table read by the interpreter, spot-checked by hand
    assert len(HOLES) == len(CODE) == 128
    hand = {" ": 0, "&": 0x800, "-": 0x400, "0": 0x200, "1": 0x100, "9": 0x001, "A": 0x900, "J": 0x500, "S": 0x280}
    hand |= {"Z": 0x201, "/": 0x300, "a": 0xB00, "{": 0xA00, "}": 0x600}
    assert {character: HOLES[ord(character)] for character in hand} == hand


@pytest.mark.parametrize("holes", [*HOLES.values(), 0xFFF, 0x180, 0x003])
def test_char_is_the_code_or_minus_1(holes: int) -> None:
    machine = standing(order(26, 0))
    machine.card_buffer[3] = holes
    (code,) = [code for code in range(128) if HOLES[code] == holes] or [MINUS_1]
    obey(machine)
    assert registers(machine) == BEFORE | {
        "A": code,
        "RC": 4,
        "R": order(26, 0),
        "W": order(26, 0),
        "S": 0,
        "C": HOME + 1,
    }


@pytest.mark.parametrize(
    ("function", "a", "holes"), [(27, 0xFFFDEF, 0xDEF), (28, 0x000041, 0x900), (28, 0xFFFFC1, 0x900)]
)
def test_punching_sets_one_column(function: int, a: int, holes: int) -> None:
    machine = standing(order(function, 0), A=a)
    obey(machine)
    assert machine.punch_buffer == [*COLUMNS[:4], holes, *COLUMNS[5:]]


def test_no_column_past_the_last() -> None:
    machine = standing(order(28, 0), PC=80)
    obey(machine)
    assert machine.punch_buffer == COLUMNS


# Waiting


def test_a_card_is_asked_for_and_then_looked_for() -> None:
    machine = standing(order(24, 0))
    machine.cards = [COLUMNS[::-1]]  # in time already: the first cycle still only asks
    cycles(machine, 2)
    before, registers_before = snapshot(machine), registers(machine)
    machine.cycle()
    assert changed(before, machine) == {"READER": 1, "asked": 1}
    machine.cycle()
    assert registers(machine) == registers_before | {"RC": 0, "phase": "FETCH"}
    assert (machine.asked, machine.cards, machine.card_buffer) == (1, [], COLUMNS[::-1])


def test_a_card_is_waited_for_but_asked_for_once() -> None:
    machine = standing(order(24, 0))
    cycles(machine, 3)
    before = snapshot(machine)
    cycles(machine, 50)
    assert changed(before, machine) == {}
    machine.cards.append([1] * 80)
    machine.cycle()
    assert (machine.asked, machine.READER, machine.card_buffer, machine.phase) == (1, 0, [1] * 80, "FETCH")


def test_a_card_is_punched_and_waited_for() -> None:
    machine = standing(order(29, 0))
    machine.acknowledgements = [1]  # in time already: the first cycle still only sends
    cycles(machine, 2)
    before = snapshot(machine)
    machine.cycle()
    assert changed(before, machine) == {"PUNCH": 1, "punched": [COLUMNS]}
    machine.acknowledgements.clear()
    before = snapshot(machine)
    cycles(machine, 50)
    assert changed(before, machine) == {}
    machine.acknowledgements.append(1)
    machine.cycle()
    assert changed(before, machine) == {"PUNCH": 0, "PC": 0, "punch_buffer": [0] * 80, "phase": "FETCH"}
    assert machine.acknowledgements == []


@pytest.mark.parametrize(("function", "a", "n", "code"), [(30, 0xFFFFC1, 7, 0x41), (31, 3, 128 * 5 + 0x42, 0x42)])
def test_typing_takes_one_cycle_or_waits(function: int, a: int, n: int, code: int) -> None:
    machine = standing(order(function, n), A=a)
    machine.credit = 2
    cycles(machine, 2)
    before = snapshot(machine)
    machine.cycle()
    assert changed(before, machine) == {"typed": [code], "credit": 1, "phase": "FETCH"}

    machine = standing(order(function, n), A=a)
    cycles(machine, 2)
    before = snapshot(machine)
    machine.cycle()
    assert changed(before, machine) == {"TYPING": 1}
    cycles(machine, 50)
    assert changed(before, machine) == {"TYPING": 1}
    machine.credit = 1
    machine.cycle()
    assert changed(before, machine) == {"typed": [code], "phase": "FETCH"}


# Keys


def waiting(function: int) -> Interpreter:
    machine = standing(order(function, 0))
    cycles(machine, 4)
    return machine


def test_power_up() -> None:
    machine = Interpreter()
    assert machine.store == [0] * 1024
    assert machine.card_buffer == machine.punch_buffer == [0] * 80
    assert {name for name, lit in machine.lamps().items() if lit} == {"FETCH", "STOPPED", "POWER"}


def test_start_runs_until_halt_and_goes_on_after_it() -> None:
    machine = standing(order(0, 0), running=False)
    machine.press("START")
    cycles(machine, 9)
    assert (machine.running, machine.C, machine.phase) == (False, HOME + 1, "FETCH")
    machine.press("START")
    cycles(machine, 9)
    assert (machine.running, machine.C) == (False, HOME + 2)


@pytest.mark.parametrize("done", [1, 2, 3, 10])
def test_stop_ends_the_present_order(done: int) -> None:
    machine = standing(order(9, 10))
    machine.store[HOME + 1] = order(17, HOME)
    cycles(machine, done)
    before = snapshot(machine)
    machine.press("STOP")
    assert changed(before, machine) == {"stop_after_order": True}
    cycles(machine, 50)
    assert (machine.running, machine.phase, machine.C) == (False, "FETCH", HOME + 1)
    machine.press("START")  # the stop is spent
    cycles(machine, 4)
    assert machine.running


def test_stop_between_two_orders_is_at_once() -> None:
    machine = standing(order(1, N))
    machine.press("STOP")
    before = snapshot(machine)
    cycles(machine, 9)
    assert (machine.running, changed(before, machine)) == (False, {})


@pytest.mark.parametrize("phase", ["FETCH", "MODIFY"])
def test_stop_while_stopped_is_not_kept(phase: str) -> None:
    machine = standing(order(17, HOME), running=False, phase=phase, R=order(17, HOME))
    before = snapshot(machine)
    machine.press("STOP")
    assert changed(before, machine) == {}
    machine.press("START")
    cycles(machine, 30)
    assert machine.running


@pytest.mark.parametrize(("function", "lamp"), [(24, "READER"), (29, "PUNCH"), (30, "TYPING"), (31, "TYPING")])
def test_stop_in_a_wait_is_at_once_and_start_goes_on(function: int, lamp: str) -> None:
    machine = waiting(function)
    before = snapshot(machine)
    machine.press("STOP")
    assert changed(before, machine) == {"running": False}
    assert machine.lamps()[lamp] == 1
    machine.cards, machine.acknowledgements, machine.credit = [COLUMNS], [1], 1
    machine.press("START")
    machine.cycle()
    assert (machine.phase, machine.lamps()[lamp], machine.running) == ("FETCH", 0, True)
    assert machine.asked + len(machine.punched) + len(machine.typed) == 1


def test_a_stop_asked_for_before_the_wait_waits_for_the_order() -> None:
    machine = standing(order(24, 0))
    machine.cycle()
    machine.press("STOP")
    cycles(machine, 20)
    assert (machine.running, machine.READER) == (True, 1)
    machine.press("STOP")
    assert machine.running is False


@pytest.mark.parametrize("how", ["running", "stopped", "error", "waiting", "extra"])
def test_reset(how: str) -> None:
    machines = {
        "running": standing(0, OVER=1, phase="EXECUTE"),
        "stopped": standing(0, OVER=1, running=False),
        "error": standing(0, OVER=1, ERROR=1, phase="EXECUTE", running=False),
        "waiting": waiting(24),
        "extra": standing(0, Q=20, phase="EXTRA"),
    }
    machine = machines[how]
    store = list(machine.store)
    machine.press("RESET")
    fresh = Interpreter()
    assert registers(machine) == registers(fresh)
    assert machine.lamps() == fresh.lamps()
    assert machine.store == store
    assert machine.card_buffer == machine.punch_buffer == [0] * 80
    before = snapshot(machine)
    cycles(machine, 3)
    assert changed(before, machine) == {}
    machine.press("START")  # and not into an old wait, load or stop
    cycles(machine, 6)
    assert (machine.phase, machine.running, machine.C, machine.asked) == ("FETCH", False, 1, int(how == "waiting"))


@pytest.mark.parametrize("name", WORKING_KEYS)
@pytest.mark.parametrize("how", ["running", "stepping an order", "error"])
def test_the_other_keys_do_nothing_while_running_or_in_error(name: str, how: str) -> None:
    machine = {
        "running": standing(order(1, N)),
        "stepping an order": standing(order(1, N), stop_after_order=True),
        "error": standing(0, ERROR=1, running=False, phase="EXECUTE"),
    }[how]
    before = snapshot(machine)
    machine.press(name)
    assert changed(before, machine) == {}


def test_stop_does_nothing_in_error() -> None:
    machine = standing(0, ERROR=1, running=False, phase="EXECUTE")
    before = snapshot(machine)
    machine.press("STOP")
    assert changed(before, machine) == {}


@pytest.mark.parametrize(
    ("phase", "q", "left"), [("FETCH", 0, 8), ("MODIFY", 0, 7), ("EXECUTE", 0, 6), ("EXTRA", 3, 3)]
)
def test_step_order_runs_to_the_next_fetch(phase: str, q: int, left: int) -> None:
    machine = standing(order(9, 5), running=False, phase=phase, Q=q, R=order(9, 5), S=5)
    machine.press("STEP ORDER")
    for _ in range(left):
        assert machine.lamps()["RUN"] == 1
        machine.cycle()
    assert (machine.lamps()["RUN"], machine.lamps()["STOPPED"], machine.phase) == (0, 1, "FETCH")
    before = snapshot(machine)
    cycles(machine, 3)
    assert changed(before, machine) == {}


def test_step_order_waits_for_its_card_and_stop_ends_the_wait() -> None:
    machine = standing(order(24, 0), running=False)
    machine.press("STEP ORDER")
    cycles(machine, 20)
    assert (machine.running, machine.READER, machine.phase) == (True, 1, "EXECUTE")
    machine.press("STOP")
    assert (machine.running, machine.READER, machine.phase) == (False, 1, "EXECUTE")
    machine.cards = [COLUMNS]
    machine.press("STEP ORDER")
    cycles(machine, 20)
    assert (machine.running, machine.C, machine.card_buffer) == (False, HOME + 1, COLUMNS)


def test_step_cycle_takes_one_with_run_out() -> None:
    machine = standing(order(9, 2), running=False)
    phases = []
    for _ in range(6):
        machine.press("STEP CYCLE")
        assert (machine.lamps()["RUN"], machine.lamps()["STOPPED"]) == (0, 1)
        cycles(machine, 3)
        phases.append(machine.phase)
    assert phases == ["MODIFY", "EXECUTE", "EXTRA", "EXTRA", "FETCH", "MODIFY"]


def test_set_address_read_word_change_word() -> None:
    machine = standing(0, running=False, phase="EXTRA", Q=9)
    set_word_keys(machine, 0xABC000 | 1023)
    before = snapshot(machine)
    machine.press("SET ADDRESS")
    assert changed(before, machine) == {"C": 1023, "S": 1023, "phase": "FETCH", "Q": 0}

    machine = standing(0, running=False, phase="EXTRA", Q=9, C=1023)
    machine.store[1023] = 0xFEEDED
    before = snapshot(machine)
    machine.press("READ WORD")
    assert changed(before, machine) == {"S": 1023, "W": 0xFEEDED, "C": 0, "phase": "FETCH", "Q": 0}

    machine = standing(0, running=False, phase="EXTRA", Q=9, C=1023)
    set_word_keys(machine, 0xABC123)
    before = snapshot(machine)
    machine.press("CHANGE WORD")
    store = [*before["store"][:1023], 0xABC123]
    expected = {"S": 1023, "W": 0xABC123, "C": 0, "phase": "FETCH", "Q": 0, "store": store}
    assert changed(before, machine) == expected


GIVING_UP = ["RESET", "SET ADDRESS", "READ WORD", "CHANGE WORD"]


def given_up(function: int, key: str) -> Interpreter:
    """Return a machine whose wait for a card, punch or typewriter was given up, and that runs the same order again."""
    machine = waiting(function)
    machine.press("STOP")
    machine.press(key)
    assert lit(machine) & {"READER", "PUNCH", "TYPING"} == set()
    machine.C = HOME
    machine.press("START")
    cycles(machine, 4)
    return machine


@pytest.mark.parametrize("key", GIVING_UP)
def test_a_late_card_is_not_taken_for_the_one_asked_for_now(key: str) -> None:
    machine = given_up(24, key)
    buffer = machine.card_buffer
    machine.cards.append([5] * 80)
    cycles(machine, 5)
    assert (machine.READER, machine.card_buffer, machine.asked) == (1, buffer, 2)
    machine.cards.append([6] * 80)
    machine.cycle()
    assert (machine.READER, machine.card_buffer, machine.asked) == (0, [6] * 80, 2)


def test_a_card_that_came_but_was_not_taken_is_thrown_away_too() -> None:
    machine = waiting(24)
    machine.cards.append([5] * 80)
    machine.press("RESET")
    machine.press("LOAD")
    machine.press("RESET")
    machine.cards.append([5] * 80)
    machine.press("LOAD")
    cycles(machine, 5)
    assert (machine.READER, machine.asked) == (1, 3)
    machine.cards.append([1] * 80)
    machine.cycle()
    assert (machine.READER, machine.store[984:]) == (0, [4097] * 40)


def test_load_does_not_take_the_card_of_the_order_it_ends() -> None:
    machine = waiting(24)
    machine.press("STOP")
    machine.press("LOAD")
    machine.cards.append([5] * 80)
    cycles(machine, 5)
    assert (machine.READER, machine.asked, machine.C) == (1, 2, 0)
    machine.cards.append([1] * 80)
    machine.cycle()
    assert (machine.READER, machine.store[984:]) == (0, [4097] * 40)


@pytest.mark.parametrize("key", GIVING_UP)
def test_a_late_acknowledgement_is_not_taken_for_the_present_card_s(key: str) -> None:
    machine = given_up(29, key)
    machine.acknowledgements.append(1)
    cycles(machine, 5)
    assert (machine.PUNCH, len(machine.punched)) == (1, 2)
    machine.acknowledgements.append(2)
    machine.cycle()
    assert (machine.PUNCH, len(machine.punched)) == (0, 2)


@pytest.mark.parametrize("key", GIVING_UP)
def test_a_character_given_up_is_never_typed(key: str) -> None:
    machine = given_up(31, key)
    machine.credit = 1
    machine.cycle()
    assert (machine.typed, machine.phase) == ([0], "FETCH")


def test_an_unanswered_punch_keeps_its_buffer_when_given_up_by_an_address() -> None:
    machine = waiting(29)
    machine.press("STOP")
    machine.press("SET ADDRESS")
    assert (machine.punch_buffer, machine.PC) == (COLUMNS, 4)


def test_load_reads_a_card_into_the_last_forty_words() -> None:
    machine = standing(0, running=False, OVER=1)
    store = list(machine.store)
    machine.press("LOAD")
    fresh = registers(Interpreter())
    assert registers(machine) == fresh | {"READER": 1, "phase": "EXECUTE", "running": True}
    assert machine.asked == 1
    before = snapshot(machine)
    cycles(machine, 7)
    assert changed(before, machine) == {}

    machine.cards = [[i * 51 % 4096 for i in range(80)]]
    machine.cycle()
    words = [(102 * i) * 4096 + 102 * i + 51 for i in range(40)]  # column 2i is 102 i, the next is 51 more: below 4096
    assert registers(machine) == fresh | {"C": 984, "running": True}
    assert machine.store == store[:984] + words
    assert machine.card_buffer == [0] * 80
    machine.store[984] = order(17, 990)
    cycles(machine, 4)  # the loaded orders are obeyed like any others
    assert registers(machine) | {"C": 991, "R": words[6], "phase": "MODIFY"} == registers(machine)


@pytest.mark.parametrize(("key", "runs_on"), [("START", True), ("STEP ORDER", False), ("STEP CYCLE", False)])
def test_a_stopped_load_goes_on(key: str, runs_on: bool) -> None:
    machine = Interpreter()
    machine.press("LOAD")
    machine.cycle()
    machine.press("STOP")
    assert (machine.running, machine.READER, machine.phase) == (False, 1, "EXECUTE")
    machine.cards = [[1] * 80]
    machine.press(key)
    machine.cycle()
    assert (machine.running, machine.READER, machine.phase, machine.C) == (runs_on, 0, "FETCH", 984)
    assert (machine.asked, machine.store[984:]) == (1, [4097] * 40)


def test_a_load_given_up_is_no_load_any_more() -> None:
    machine = Interpreter()
    machine.press("LOAD")
    machine.press("STOP")
    machine.press("READ WORD")
    machine.press("START")
    machine.cards = [[1] * 80]
    cycles(machine, 5)
    assert (machine.running, machine.store[984], machine.C) == (False, 0, 2)


def test_an_unknown_key_is_an_error() -> None:
    with pytest.raises(ValueError, match="SATRT"):
        Interpreter().press("SATRT")


# Lamps

ROWS = {"A": 24, "B": 24, "R": 24, "W": 24, "C": 10, "X": 10, "L": 10, "S": 10, "RC": 7, "PC": 7, "Q": 5}


def lit(machine: Interpreter) -> set[str]:
    return {name for name, level in machine.lamps().items() if level} - {"FETCH", "STOPPED", "POWER"}


def test_every_register_lights_its_own_lamps() -> None:
    for row, width in ROWS.items():
        for bit in range(width):
            machine = Interpreter()
            vars(machine)[row] = 1 << bit
            assert lit(machine) == {f"{row}.{bit}"}
    for lamp in ("READER", "PUNCH", "TYPING", "OVER", "ERROR"):
        machine = Interpreter()
        vars(machine)[lamp] = 1
        assert lit(machine) == {lamp}
    assert len(set(LAMPS)) == len(LAMPS) == sum(ROWS.values()) + 24 + 12


@pytest.mark.parametrize("phase", ["FETCH", "MODIFY", "EXECUTE", "EXTRA"])
@pytest.mark.parametrize("running", [True, False])
def test_phase_and_run(phase: str, running: bool) -> None:
    lamps = standing(0, phase=phase, running=running).lamps()
    assert {name for name in ("FETCH", "MODIFY", "EXECUTE", "EXTRA") if lamps[name]} == {phase}
    assert (lamps["RUN"], lamps["STOPPED"], lamps["POWER"]) == (running, not running, 1)


def test_the_selector_shows_one_register_in_lamps_d() -> None:
    values = {"A": 0xA00001, "B": 0xB00002, "R": 0xC00003, "W": 0xD00004, "C": 0x205, "X": 0x306, "L": 0x107}
    machine = Interpreter()
    vars(machine).update(values)
    set_word_keys(machine, 0xE00008)

    def shown() -> int:
        lamps = machine.lamps()
        return sum(lamps[f"D.{bit}"] << bit for bit in range(24))

    assert shown() == 0
    for position, value in (values | {"KEYS": 0xE00008}).items():
        machine.keys["SELECT." + position] = 1
        assert shown() == value
        machine.keys["SELECT.L" if position == "A" else "SELECT.A"] = 1
        assert shown() == 0
        machine.keys.update(dict.fromkeys(LEVELS[24:], 0))
    assert set(LEVELS) == {f"W.{bit}" for bit in range(24)} | {f"SELECT.{position}" for position in (*values, "KEYS")}


# Programs


def test_random_programs_keep_running_and_meet_every_order() -> None:
    met: set[int] = set()
    alive = 0
    for seed in range(60):
        program = random_program(Random(seed))
        assert len(program.store) == 1024
        assert all(0 <= word < 2**24 for word in program.store)
        assert all(len(card) == 80 and all(0 <= holes < 2**12 for holes in card) for card in program.deck)
        machine = Interpreter()
        machine.store = list(program.store)
        machine.keys.update(program.levels())
        machine.C = program.entry
        machine.cards = list(program.deck) * 30
        machine.acknowledgements = [0] * 500
        machine.credit = 500
        machine.press("START")
        for _ in range(500):
            machine.cycle()
            if machine.phase == "EXECUTE":
                met.add(machine.R >> 18)
        alive += machine.running
    assert met >= set(range(33))
    assert met & set(range(33, 64))
    assert alive > 30
