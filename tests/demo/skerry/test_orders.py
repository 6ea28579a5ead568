"""Every order against the table in ORDERS.md, with plain integers.  source: ORDERS.md, arithmetic."""

from math import floor
from typing import Any

import pytest

from bridge.cards.code import HOLES
from bridge.demo.skerry.orders import ORDERS, word
from bridge.demo.skerry.processor import EXECUTE, EXTRA, FETCH, Processor
from tests.demo.skerry.scripted import Scripted

HOME, PLACE = 100, 200
MOST, LEAST = 2**23 - 1, -(2**23)
NUMBERS = (0, 1, -1, 2, -2, 3, 1000, -1001, 2**22, -(2**22), MOST - 1, MOST, LEAST + 1, LEAST, 0x2AAAAA)

REGISTERS = ("a", "b", "r", "w", "c", "x", "l", "s", "rc", "pc", "q", "over", "error", "running", "waiting", "phase")
# Every register starts with a value of its own, so that one changed by mistake is seen; so do the place the order
# addresses and the columns of the card.
BEFORE = {"a": 0x123456, "b": 0x654321, "x": 5, "l": 77, "rc": 3, "pc": 4}
HELD = 0x0ABCDE
COLUMN = 0x5A3


def bits(number: int) -> int:
    return number % 2**24


def signed(bits: int) -> int:
    return bits - 2**24 if bits >= 2**23 else bits


def about_to(order: str, address: int = PLACE, *, held: int = HELD, indexed: bool = False, **others: int) -> Processor:
    machine = Processor(Scripted())
    vars(machine).update(BEFORE | others)
    machine.c = HOME
    machine.store[HOME] = word(ORDERS[order], address, indexed)
    machine.store[PLACE] = held
    machine._card = [COLUMN] * 80
    machine.press("START")
    return machine


def registers(machine: Processor) -> dict[str, Any]:
    return {name: getattr(machine, name) for name in REGISTERS}


def obeys(machine: Processor, extra: int = 0, held: int | None = None, **changes: int) -> None:
    """Run one order; check its cycles, and that it changed this and nothing beside what FETCH and MODIFY change."""
    order = machine.store[HOME]
    store = list(machine.store)
    store[PLACE] = store[PLACE] if held is None else held
    expected = registers(machine) | {"r": order, "w": order, "c": HOME + 1, "s": order % 1024} | changes
    for _ in range(3):
        machine.cycle()
    cycles = 0
    while machine.phase == EXTRA:
        machine.cycle()
        cycles += 1
    assert registers(machine) == expected
    assert machine.store == store
    assert cycles == extra


@pytest.mark.parametrize("a", NUMBERS)
def test_sums_and_differences(a: int) -> None:
    for b in NUMBERS:
        for order, exact in (("ADD", a + b), ("SUB", a - b)):
            machine = about_to(order, a=bits(a), held=bits(b))
            obeys(machine, a=bits(exact), w=bits(b), over=not LEAST <= exact <= MOST)


@pytest.mark.parametrize("a", NUMBERS)
def test_products(a: int) -> None:
    for b in NUMBERS:
        machine = about_to("MUL", a=bits(a), held=bits(b))
        over = a == b == LEAST
        obeys(machine, extra=24, a=bits(floor(a * b / 2**23)), b=a * b % 2**23, w=bits(b), over=over)


@pytest.mark.parametrize("divisor", NUMBERS)
@pytest.mark.parametrize("low", [0, 1, MOST, bits(LEAST + 12345)])
def test_quotients(divisor: int, low: int) -> None:
    for a in NUMBERS:
        machine = about_to("DIV", a=bits(a), b=low, held=bits(divisor))
        dividend = a * 2**23 + low % 2**23
        if divisor == 0 or not LEAST <= dividend // divisor <= MOST:
            obeys(machine, w=bits(divisor), over=1)
        else:
            quotient = dividend // divisor
            obeys(machine, extra=24, a=bits(quotient), b=bits(dividend - quotient * divisor), w=bits(divisor))


def test_an_overflow_stays_until_asked_for() -> None:
    obeys(about_to("ADD", a=1, held=1, over=1), a=2, w=1)
    obeys(about_to("MUL", a=1, held=1, over=1), extra=24, a=0, b=1, w=1)
    obeys(about_to("DIV", a=1, b=0, held=4, over=1), extra=24, a=2**21, b=0, w=4)
    obeys(about_to("JOVR", over=1), over=0, c=PLACE)
    obeys(about_to("JOVR", over=0))


@pytest.mark.parametrize("places", [0, 1, 5, 23, 24, 31, 32, 33, 1023])
def test_shifts(places: int) -> None:
    for number in NUMBERS:
        a = bits(number)
        obeys(about_to("SHL", places, a=a), extra=places % 32, a=bits(a * 2 ** (places % 32)))
        obeys(about_to("SHR", places, a=a), extra=places % 32, a=bits(signed(a) // 2 ** (places % 32)))


def test_a_shift_moves_one_place_in_each_extra_cycle() -> None:
    machine = about_to("SHR", 3, a=0x800000)
    seen = []
    for _ in range(6):
        machine.cycle()
        seen.append((machine.a, machine.q))
    assert seen == [(0x800000, 0)] * 2 + [(0x800000, 3), (0xC00000, 2), (0xE00000, 1), (0xF00000, 0)]


def test_words_move() -> None:
    obeys(about_to("GET"), a=HELD, w=HELD)
    obeys(about_to("PUT"), held=BEFORE["a"], w=BEFORE["a"])
    obeys(about_to("AND"), a=HELD & BEFORE["a"], w=HELD)
    obeys(about_to("SWAP"), a=BEFORE["b"], b=BEFORE["a"], s=PLACE)
    machine = about_to("KEYS")
    machine.keys = 0xF0F0F0
    obeys(machine, a=0xF0F0F0)


def test_short_registers_take_ten_bits_and_give_zeros() -> None:
    obeys(about_to("GETX"), x=HELD % 1024, w=HELD)
    obeys(about_to("GETL"), l=HELD % 1024, w=HELD)
    obeys(about_to("PUTX", x=1023), held=1023, w=1023)
    obeys(about_to("PUTL", l=1000), held=1000, w=1000)
    obeys(about_to("SETX"), x=PLACE)


@pytest.mark.parametrize("number", NUMBERS)
def test_jumps_on_the_accumulator(number: int) -> None:
    a = bits(number)
    obeys(about_to("JUMP", a=a), c=PLACE)
    obeys(about_to("JNEG", a=a), c=PLACE if number < 0 else HOME + 1)
    obeys(about_to("JZER", a=a), c=PLACE if number == 0 else HOME + 1)


def test_subroutine_jumps() -> None:
    obeys(about_to("JSUB"), l=HOME + 1, c=PLACE)
    obeys(about_to("BACK", 0), c=77)
    obeys(about_to("BACK", 3), c=80)
    obeys(about_to("BACK", 3, l=1022), c=1)


def test_counting_jump() -> None:
    obeys(about_to("JDEC", x=2), x=1, c=PLACE)
    obeys(about_to("JDEC", x=1), x=0)
    obeys(about_to("JDEC", x=0), x=1023, c=PLACE)


def test_the_index_is_added_modulo_the_store() -> None:
    obeys(about_to("GET", PLACE - 5, indexed=True), a=HELD, w=HELD, s=PLACE)
    obeys(about_to("GET", 1023, indexed=True, x=PLACE + 1), a=HELD, w=HELD, s=PLACE)
    obeys(about_to("SETX", 1000, indexed=True, x=30), x=6, s=6)


def test_the_bits_between_index_and_address_are_ignored() -> None:
    machine = about_to("GET")
    machine.store[HOME] |= 0x1FC00
    obeys(machine, a=HELD, w=HELD)


def test_orders_run_on_from_the_last_address_to_the_first() -> None:
    machine = about_to("HALT")
    machine.c = 1023
    machine.store[1023] = word(ORDERS["SETX"], 9)
    for _ in range(4):
        machine.cycle()
    assert (machine.x, machine.s, machine.c) == (9, 0, 1)


def test_columns_of_the_card() -> None:
    obeys(about_to("COLM"), a=COLUMN, rc=4)
    obeys(about_to("COLM", rc=79), a=COLUMN, rc=80)
    obeys(about_to("COLM", rc=80), a=0, over=1)
    obeys(about_to("CHAR", rc=80), a=0, over=1)
    obeys(about_to("CHAR"), a=0xFFFFFF, rc=4)


@pytest.mark.parametrize("code", range(128))
def test_characters_read_and_punched(code: int) -> None:
    machine = about_to("CHAR")
    machine._card = [HOLES[code]] * 80
    obeys(machine, a=code, rc=4)
    machine = about_to("PCHR", a=0x555500 | 0x80 | code)
    obeys(machine, pc=5)
    assert machine._punch == [0] * 4 + [HOLES[code]] + [0] * 75


def test_columns_to_punch() -> None:
    machine = about_to("PCOL", a=0xABC123)
    obeys(machine, pc=5)
    assert machine._punch == [0] * 4 + [0x123] + [0] * 75
    for order in ("PCOL", "PCHR"):
        machine = about_to(order, pc=80)
        obeys(machine, over=1)
        assert machine._punch == [0] * 80


def test_typing() -> None:
    devices = Scripted()
    for machine in (about_to("TYPE", a=0xABCDC1), about_to("TYPI", 0x3C2), about_to("TYPI", 0x3BE, indexed=True)):
        machine._devices = devices
        for _ in range(3):
            machine.cycle()
        assert machine.phase == FETCH
    assert devices.typed == "ABC"


def test_halt_stops_before_the_next_order() -> None:
    obeys(about_to("HALT"), running=0)


@pytest.mark.parametrize("code", [6, *range(33, 64)])
def test_codes_without_a_meaning_stop_the_machine(code: int) -> None:
    machine = about_to("HALT", 0)
    machine.store[HOME] = code << 18
    obeys(machine, error=1, running=0, phase=EXECUTE)


def test_every_code_is_an_order_or_meaningless() -> None:
    assert sorted(order.code for order in ORDERS.values()) == [n for n in range(33) if n != 6]
