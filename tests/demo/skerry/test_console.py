"""Keys, waits and lamps, as ORDERS.md says them.  source: ORDERS.md."""

import pytest

from bridge.cards.deck import card_of
from bridge.demo.skerry.orders import ORDERS, word
from bridge.demo.skerry.panel import KEYS, LAMPS, PRESSES, SELECTOR
from bridge.demo.skerry.processor import EXECUTE, EXTRA, FETCH, MODIFY, PUNCH, READER, TYPING, Processor
from tests.demo.skerry.scripted import Scripted, run_to_end

CARD = card_of(range(1, 81))
OTHER = card_of(range(101, 181))
WORKING = ("START", "LOAD", "STEP ORDER", "STEP CYCLE", "SET ADDRESS", "READ WORD", "CHANGE WORD")


def machine(*orders: tuple[str, int]) -> tuple[Processor, Scripted]:
    devices = Scripted()
    processor = Processor(devices)
    processor.store[: len(orders)] = [word(ORDERS[name], address) for name, address in orders]
    return processor, devices


def lit(processor: Processor) -> set[str]:
    return {name for n, name in enumerate(LAMPS) if processor.lamps >> n & 1}


def set_keys(processor: Processor, value: int) -> None:
    for bit in range(24):
        processor.key(f"W.{bit}", bool(value >> bit & 1))


# Running, stopping, stepping


def test_power_up_is_stopped_with_everything_zero() -> None:
    processor, _ = machine()
    assert lit(processor) == {"FETCH", "STOPPED", "POWER"}
    assert len(LAMPS) == len(set(LAMPS)) == 191
    assert processor.store == [0] * 1024


def test_start_runs_until_halt_and_start_goes_on() -> None:
    processor, _ = machine(("HALT", 0), ("SETX", 5), ("HALT", 0))
    processor.press("START")
    assert run_to_end(processor, 100) == 3
    assert (processor.c, processor.x, processor.phase) == (1, 0, FETCH)
    processor.press("START")
    assert run_to_end(processor, 100) == 6
    assert (processor.c, processor.x) == (3, 5)


@pytest.mark.parametrize(("cycles_before", "cycles_after"), [(0, 0), (1, 5), (2, 4), (3, 3), (5, 1), (6, 0), (7, 2)])
def test_stop_lets_the_present_order_end(cycles_before: int, cycles_after: int) -> None:
    processor, _ = machine(("SHL", 3), ("JUMP", 0))
    processor.press("START")
    for _ in range(cycles_before):
        processor.cycle()
    processor.press("STOP")
    assert run_to_end(processor, 100) == cycles_after
    assert processor.phase == FETCH
    processor.press("START")
    assert run_to_end(processor, 100) == 100


def test_stop_while_stopped_is_not_remembered() -> None:
    processor, _ = machine(("SHL", 3), ("JUMP", 0))
    processor.press("STEP CYCLE")
    processor.press("STOP")
    processor.press("START")
    assert run_to_end(processor, 100) == 100


def test_step_order_runs_to_the_next_fetch() -> None:
    processor, _ = machine(("SHL", 3), ("HALT", 0))
    processor.press("STEP ORDER")
    assert "RUN" in lit(processor)
    assert run_to_end(processor, 100) == 6
    processor.press("STEP CYCLE")
    processor.press("STEP ORDER")
    assert run_to_end(processor, 100) == 2
    assert (processor.c, processor.phase) == (2, FETCH)


def test_step_cycle_goes_through_one_cycle_with_run_out() -> None:
    processor, _ = machine(("SHL", 2))
    phases = []
    for _ in range(5):
        processor.press("STEP CYCLE")
        phases.append(processor.phase)
        assert {"STOPPED", "RUN"} & lit(processor) == {"STOPPED"}
    assert phases == [MODIFY, EXECUTE, EXTRA, EXTRA, FETCH]


@pytest.mark.parametrize("name", WORKING)
def test_keys_do_nothing_while_running(name: str) -> None:
    processor, devices = machine(("SHL", 3), ("JUMP", 0))
    set_keys(processor, 500)
    processor.press("START")
    processor.cycle()
    before = processor.lamps
    processor.press(name)
    assert processor.lamps == before
    assert devices.asked == 0
    assert run_to_end(processor, 100) == 100


@pytest.mark.parametrize("name", WORKING)
def test_after_an_error_only_reset_helps(name: str) -> None:
    processor, devices = machine()
    processor.store[0] = 6 << 18
    processor.press("START")
    assert run_to_end(processor, 100) == 3
    assert {"ERROR", "STOPPED", "EXECUTE"} <= lit(processor)
    before = processor.lamps
    processor.press(name)
    assert processor.lamps == before
    assert devices.asked == 0
    processor.press("RESET")
    assert lit(processor) == {"FETCH", "STOPPED", "POWER"}


def test_reset_clears_everything_but_the_store_and_the_keys() -> None:
    processor, _ = machine(("SHL", 31), ("HALT", 0))
    before = list(processor.store)
    set_keys(processor, 0xFFFFFF)
    processor._card = [1] * 80
    processor._punch[3] = 7
    for name in ("a", "b", "w", "x", "l", "rc", "pc", "over"):
        setattr(processor, name, 1)
    processor.press("START")
    for _ in range(7):
        processor.cycle()
    processor.press("RESET")
    assert lit(processor) == {"FETCH", "STOPPED", "POWER"}
    assert processor.store == before
    assert processor.keys == 0xFFFFFF
    assert list(processor._card) == processor._punch == [0] * 80


# The store by hand


def test_words_are_set_read_and_changed_by_hand() -> None:
    processor, _ = machine()
    set_keys(processor, 0xABC000 | 1023)
    processor.press("SET ADDRESS")
    assert (processor.c, processor.s, processor.w) == (1023, 1023, 0)
    processor.press("CHANGE WORD")
    assert (processor.c, processor.s, processor.w) == (0, 1023, 0xABC3FF)
    assert processor.store[1023] == 0xABC3FF
    processor.press("SET ADDRESS")
    processor.w = 0
    processor.press("READ WORD")
    assert (processor.c, processor.s, processor.w) == (0, 1023, 0xABC3FF)


@pytest.mark.parametrize("name", ["SET ADDRESS", "READ WORD", "CHANGE WORD"])
def test_work_by_hand_ends_an_order_half_done(name: str) -> None:
    processor, _ = machine(("SHL", 9))
    for _ in range(5):
        processor.press("STEP CYCLE")
    assert (processor.phase, processor.q) == (EXTRA, 7)
    processor.press(name)
    assert (processor.phase, processor.q) == (FETCH, 0)


# Waiting


def test_a_card_is_asked_for_once_and_waited_for() -> None:
    processor, devices = machine(("CARD", 0), ("COLM", 0), ("HALT", 0))
    processor.rc = 50
    processor.press("START")
    for _ in range(10):
        processor.cycle()
    assert devices.asked == 1
    assert (processor.waiting, processor.phase, processor.rc) == (READER, EXECUTE, 50)
    assert {"READER", "EXECUTE", "RUN"} <= lit(processor)
    devices.hopper.append(range(1, 81))
    processor.cycle()
    assert (processor.waiting, processor.phase, processor.rc) == (0, FETCH, 0)
    run_to_end(processor, 100)
    assert processor.a == 1


def test_a_card_that_is_there_already_still_takes_two_cycles() -> None:
    processor, devices = machine(("CARD", 0), ("HALT", 0))
    devices.hopper.append([0] * 80)
    processor.press("STEP ORDER")
    assert run_to_end(processor, 100) == 4


def test_a_card_is_punched_once_and_waited_for() -> None:
    processor, devices = machine(("PCOL", 0), ("PNCH", 0), ("PCOL", 0), ("PNCH", 0), ("HALT", 0))
    devices.acknowledge = False
    processor.a = 0x801
    processor.press("START")
    for _ in range(12):
        processor.cycle()
    assert devices.punched == [(0x801, *[0] * 79)]
    assert (processor.waiting, processor.phase, processor.pc) == (PUNCH, EXECUTE, 1)
    assert "PUNCH" in lit(processor)
    devices.acknowledge = True
    run_to_end(processor, 100)
    assert devices.punched == [(0x801, *[0] * 79)] * 2
    assert processor.pc == 0


def test_a_character_waits_for_the_typewriter() -> None:
    processor, devices = machine(("TYPI", 65), ("HALT", 0))
    devices.typewriter_ready = False
    processor.press("START")
    for _ in range(9):
        processor.cycle()
    assert (processor.waiting, processor.phase) == (TYPING, EXECUTE)
    assert "TYPING" in lit(processor)
    devices.typewriter_ready = True
    assert run_to_end(processor, 100) == 4
    assert devices.typed == "A"
    assert "TYPING" not in lit(processor)


def test_stop_breaks_into_a_wait_and_start_goes_on() -> None:
    processor, devices = machine(("CARD", 0), ("HALT", 0))
    processor.press("START")
    for _ in range(5):
        processor.cycle()
    processor.press("STOP")
    assert {"STOPPED", "READER", "EXECUTE"} <= lit(processor)
    devices.hopper.append([0] * 80)
    processor.press("START")
    assert run_to_end(processor, 100) == 4
    assert devices.asked == 1


@pytest.mark.parametrize("name", ["RESET", "SET ADDRESS", "READ WORD", "CHANGE WORD"])
def test_a_card_given_up_is_thrown_away_when_it_comes(name: str) -> None:
    processor, devices = machine(("CARD", 0), ("COLM", 0), ("HALT", 0))
    processor.press("STEP ORDER")
    run_to_end(processor, 100)
    processor.press("STOP")
    processor.press(name)
    assert processor.waiting == 0
    assert "READER" not in lit(processor)
    processor.c = 0
    processor.press("START")
    if name == "CHANGE WORD":
        processor.store[1] = word(ORDERS["COLM"])
    run_to_end(processor, 100)
    devices.hopper.append([1] * 80)
    run_to_end(processor, 100)
    assert (devices.asked, processor.waiting) == (2, READER)
    devices.hopper.append([2] * 80)
    run_to_end(processor, 100)
    assert processor.a == 2


def test_an_acknowledgement_given_up_does_not_end_the_next_wait() -> None:
    processor, devices = machine(("PNCH", 0), ("HALT", 0))
    devices.acknowledge = False
    processor.press("START")
    run_to_end(processor, 100)
    processor.press("RESET")
    processor.press("START")
    for _ in range(3):
        processor.cycle()
    devices._owed = 1
    devices.acknowledge = True
    processor.cycle()
    assert processor.waiting == PUNCH
    devices._owed = 1
    processor.cycle()
    assert processor.waiting == 0


def test_load_reads_forty_words_and_begins_with_the_first() -> None:
    processor, devices = machine()
    set_keys(processor, 7)
    processor.press("SET ADDRESS")
    processor.a = 99
    processor.press("LOAD")
    assert lit(processor) == {"READER", "EXECUTE", "RUN", "POWER"}
    assert devices.asked == 1
    processor.cycle()
    assert processor.waiting == READER
    devices.hopper.append(range(80))
    processor.cycle()
    assert (processor.c, processor.phase, processor.waiting) == (984, FETCH, 0)
    assert processor.store[984:] == [4096 * (2 * i) + 2 * i + 1 for i in range(40)]
    assert list(processor._card) == [0] * 80
    assert lit(processor) == {"RUN", "FETCH", "POWER", *(f"C.{bit}" for bit in (9, 8, 7, 6, 4, 3))}


def test_step_order_of_a_load_stops_before_the_first_order() -> None:
    processor, devices = machine()
    processor.press("LOAD")
    processor.press("STOP")
    devices.hopper.append(range(80))
    processor.press("STEP ORDER")
    assert run_to_end(processor, 100) == 1
    assert (processor.c, processor.phase) == (984, FETCH)


# Lamps


def test_lamps_stand_in_the_order_of_the_page() -> None:
    rows = [f"{row}.{bit}" for row in "ABRWD" for bit in range(23, -1, -1)]
    rows += [f"{row}.{bit}" for row in "CXLS" for bit in range(9, -1, -1)]
    rows += [f"{row}.{bit}" for row in ("RC", "PC") for bit in range(6, -1, -1)]
    rows += ["Q.4", "Q.3", "Q.2", "Q.1", "Q.0", "FETCH", "MODIFY", "EXECUTE", "EXTRA"]
    rows += ["READER", "PUNCH", "TYPING", "OVER", "ERROR", "RUN", "STOPPED", "POWER"]
    assert list(LAMPS) == rows


@pytest.mark.parametrize(
    ("row", "width"),
    [
        ("A", 24),
        ("B", 24),
        ("R", 24),
        ("W", 24),
        ("C", 10),
        ("X", 10),
        ("L", 10),
        ("S", 10),
        ("RC", 7),
        ("PC", 7),
        ("Q", 5),
    ],
)
def test_a_row_shows_its_register(row: str, width: int) -> None:
    processor, _ = machine()
    for bit in range(width):
        setattr(processor, row.lower(), 1 << bit)
        assert lit(processor) == {f"{row}.{bit}", "FETCH", "STOPPED", "POWER"}


@pytest.mark.parametrize("position", SELECTOR)
def test_the_selector_shows_a_register_in_row_d(position: str) -> None:
    processor, _ = machine()
    if position == "KEYS":
        set_keys(processor, 0b1000000001)
    else:
        setattr(processor, position.lower(), 0b1000000001)
    assert not {"D.9", "D.0"} & lit(processor)
    processor.key(f"SELECT.{position}", True)
    assert {name for name in lit(processor) if name.startswith("D.")} == {"D.9", "D.0"}
    other = "SELECT.B" if position == "A" else "SELECT.A"
    processor.key(other, True)
    assert not any(name.startswith("D.") for name in lit(processor))
    processor.key(other, False)
    assert {"D.9", "D.0"} <= lit(processor)
    processor.key(f"SELECT.{position}", False)
    assert not {"D.9", "D.0"} & lit(processor)


def test_every_key_does_something_or_names_itself_in_the_error() -> None:
    processor, _ = machine()
    for name in KEYS:
        processor.key(name, True)
        processor.key(name, False)
    assert len(KEYS) == 24 + len(PRESSES) + len(SELECTOR)
    with pytest.raises(KeyError, match="PULL"):
        processor.key("PULL", True)


# Many cycles


def test_run_counts_the_lamps_after_every_cycle() -> None:
    program = [
        ("SETX", 3),
        ("GET", 20),
        ("MUL", 21),
        ("PUT", 22),
        ("SHR", 5),
        ("JSUB", 7),
        ("HALT", 0),
        ("JDEC", 1),
        ("TYPI", 65),
        ("HALT", 0),
    ]
    one, _ = machine(*program)
    many, _ = machine(*program)
    expected: list[int] = []
    counted: list[int] = []
    for processor in (one, many):
        processor.store[20:22] = [0x654321, 0x5A5A5A]
        processor.key("SELECT.A", True)
        processor.press("START")
    while one.running:
        one.cycle()
        expected.append(one.lamps)
    while many.running:
        assert many.run(7, lambda lamps, cycles: counted.extend([lamps] * cycles)) <= 7
    assert counted == expected


def test_run_returns_when_it_comes_to_wait_and_tries_once_when_called_again() -> None:
    processor, devices = machine(("CARD", 0), ("HALT", 0))
    counted: list[tuple[int, int]] = []

    def run() -> int:
        return processor.run(1000, lambda *lamps_and_cycles: counted.append(lamps_and_cycles))

    processor.press("START")
    assert run() == 3
    assert run() == 1
    assert counted[-1] == counted[-2] == (processor.lamps, 1)
    devices.hopper.append([0] * 80)
    assert run() == 4
    assert not processor.running
    assert run() == 0
