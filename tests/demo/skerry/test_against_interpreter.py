"""The processor and the interpreter in step over random programs, keys and devices: every lamp after every cycle.

source: ORDERS.md, read twice.
"""

from collections import Counter
from collections.abc import Sequence
from random import Random

import pytest

from bridge.cards.deck import Card, columns_of
from bridge.demo.skerry.assembler import assemble
from bridge.demo.skerry.processor import LAMPS, Processor
from tests.demo import interpreter
from tests.demo.interpreter import Interpreter
from tests.demo.programs import Program, random_program
from tests.demo.skerry.job import cards
from tests.demo.skerry.test_condense import condensed
from tests.demo.skerry.test_residuals import heights_deck

PROGRAMS_EACH = 120
CYCLES = 500

OPERATOR = ("RESET", "LOAD", "STEP ORDER", "STEP CYCLE", "SET ADDRESS", "READ WORD", "CHANGE WORD", "START", "STOP")


class Queues:
    """The processor's devices, as the same plain lists that the interpreter has."""

    def __init__(self) -> None:
        self.cards: list[list[int]] = []
        self.asked = 0
        self.punched: list[list[int]] = []
        self.acknowledgements: list[int] = []
        self.typed: list[int] = []
        self.credit = 0

    def ask_card(self) -> None:
        self.asked += 1

    def take_card(self) -> Sequence[int] | None:
        return self.cards.pop(0) if self.cards else None

    def send_card(self, columns: Sequence[int]) -> None:
        self.punched.append(list(columns))

    def take_acknowledgement(self) -> bool:
        if not self.acknowledgements:
            return False
        self.acknowledgements.pop(0)
        return True

    def type(self, code: int) -> bool:
        if not self.credit:
            return False
        self.credit -= 1
        self.typed.append(code)
        return True


def waits(machine: Interpreter) -> bool:
    return bool(machine.READER or machine.PUNCH or machine.TYPING)


class Pair:
    """Both machines, started with one program and one operator; `met` counts what happened to them."""

    def __init__(self, random: Random, program: Program, met: Counter[str]) -> None:
        self.random = random
        self.program = program
        self.met = met
        self.queues = Queues()
        self.processor = Processor(self.queues)
        self.interpreter = Interpreter()
        self.processor.store[:] = program.store
        self.interpreter.store = list(program.store)
        self.meddling = random.choice((1, 1, 3, 3))  # some operators press three times as often
        self.given = self.acknowledged = self.cycles = 0
        self.set_levels(program.levels())
        self.go_to(program.entry)

    def run(self) -> None:
        while self.cycles < CYCLES:
            self.serve_devices()
            self.turn_levels()
            self.press_something()
            stretch = self.random.choice((1, 1, 2, 5, 20, 50))
            if self.random.random() < 0.5:
                self.processor.run(stretch, self.follow)
            else:
                for _ in range(stretch):
                    if self.processor.running:
                        self.processor.cycle()
                    self.follow(self.processor.lamps, 1)

    # Cycles

    def follow(self, lamps: int, cycles: int) -> None:
        """Let the interpreter do what the processor has just done, and compare."""
        assert cycles == 1
        self.cycles += 1
        self.count()
        self.interpreter.cycle()
        self.compare(lamps)

    def count(self) -> None:
        machine = self.interpreter
        if machine.running and machine.phase == "EXECUTE" and not machine.loading:
            self.met[f"function {machine.R >> 18}"] += 1
        self.met["running" if machine.running else "standing still"] += 1
        self.met["in error"] += machine.ERROR
        self.met["overflown"] += machine.OVER
        self.met["loading"] += machine.loading

    def compare(self, lamps: int) -> None:
        if lamps != int(self.interpreter.lamps_in_a_row()[::-1], 2):  # the same names in the same places: see below
            shown = dict(zip(LAMPS, map(int, f"{lamps:0{len(LAMPS)}b}"[::-1]), strict=True))
            assert shown == self.interpreter.lamps(), self.where()
        assert self.processor.store == self.interpreter.store, self.where()
        assert self.queues.asked == self.interpreter.asked, self.where()
        assert self.queues.punched == self.interpreter.punched, self.where()
        assert self.queues.typed == self.interpreter.typed, self.where()
        assert self.queues.credit == self.interpreter.credit, self.where()

    def where(self) -> str:
        return f"cycle {self.cycles}, order {self.interpreter.R >> 18} address {self.interpreter.S}"

    # Devices

    def serve_devices(self) -> None:
        if self.interpreter.asked > self.given and self.random.random() < 0.3:
            card = self.program.deck[self.given % len(self.program.deck)]
            self.given += 1
            self.queues.cards.append(list(card))
            self.interpreter.cards.append(list(card))
        if len(self.interpreter.punched) > self.acknowledged and self.random.random() < 0.3:
            self.acknowledged += 1
            self.queues.acknowledgements.append(self.acknowledged)
            self.interpreter.acknowledgements.append(self.acknowledged)
        if self.random.random() < 0.3:
            self.queues.credit += 1
            self.interpreter.credit += 1

    # Keys

    def set_levels(self, levels: dict[str, int]) -> None:
        for name, level in levels.items():
            self.processor.key(name, bool(level))
        self.interpreter.keys.update(levels)

    def turn_levels(self) -> None:
        """Now and then close or open a word key, or a position of the selector (so that two may be closed)."""
        if self.random.random() < 0.1:
            name = self.random.choice(list(self.interpreter.keys))
            self.set_levels({name: 1 - self.interpreter.keys[name]})
        if self.random.random() < 0.02:
            self.set_levels(self.program.levels())

    def press(self, name: str) -> None:
        self.met[f"{name} in {self.interpreter.phase}"] += not self.interpreter.running
        if waits(self.interpreter) and (name == "STOP" or not self.interpreter.running):
            self.met[f"{name} in a wait"] += 1
        self.processor.press(name)
        self.interpreter.press(name)
        self.compare(self.processor.lamps)

    def go_to(self, address: int) -> None:
        """Leave the machine running from an address, as an operator does."""
        keys = dict(self.interpreter.keys)
        self.set_levels({f"W.{bit}": address >> bit & 1 for bit in range(24)})
        self.press("RESET")
        self.press("SET ADDRESS")
        self.press("START")
        self.set_levels(keys)

    def press_something(self) -> None:
        """Press a key: seldom while the machine runs, often while it stands, and STOP most of all in a wait."""
        machine, chance = self.interpreter, self.random.random() / self.meddling
        if machine.ERROR and chance < 0.5:
            self.go_to(self.random.randrange(self.program.end))
        elif machine.running and chance < (0.3 if waits(machine) else 0.06):
            self.press(self.random.choice(("STOP", "STOP", "STOP", *OPERATOR)))
        elif not machine.running:
            for _ in range(self.random.choice((0, 0, 1, 2, 5, 9, 12))):
                self.press("STEP CYCLE")
            for _ in range(self.random.choice((0, 1, 1, 2, 3))):
                self.press(self.random.choice(OPERATOR))
            if chance < 0.5:
                self.press("START")


def test_lamps_have_the_same_names_in_the_same_places() -> None:
    assert list(LAMPS) == interpreter.LAMPS


@pytest.mark.parametrize("batch", range(3))
def test_the_processor_agrees_with_the_interpreter(batch: int) -> None:
    met: Counter[str] = Counter()
    for seed in range(batch * PROGRAMS_EACH, (batch + 1) * PROGRAMS_EACH):
        random = Random(seed)
        Pair(random, random_program(random), met).run()

    # What was never met was never compared.
    wanted = [f"function {code}" for code in range(33) if code != 6]
    wanted += ["in error", "overflown", "loading", "standing still"]
    wanted += [f"{name} in {place}" for name in OPERATOR for place in ("FETCH", "MODIFY", "EXECUTE", "EXTRA", "a wait")]
    never = [happening for happening in wanted if not met[happening]]
    assert never == []
    assert met["running"] > PROGRAMS_EACH * CYCLES / 2


class Job:
    """Both machines with one deck in the hopper: every card comes at once, everything is punched and typed at once."""

    def __init__(self, hopper: Sequence[Card]) -> None:
        self.hopper = [list(columns_of(card)) for card in hopper]
        self.queues = Queues()
        self.processor = Processor(self.queues)
        self.interpreter = Interpreter()
        self.cycles = 0

    def run(self) -> None:
        """Press LOAD and go on until both stand still."""
        self.processor.press("LOAD")
        self.interpreter.press("LOAD")
        given = acknowledged = 0
        while self.processor.running:
            if self.queues.asked > given:
                given += 1
                card = self.hopper.pop(0)
                self.queues.cards.append(card)
                self.interpreter.cards.append(card)
            if len(self.queues.punched) > acknowledged:
                acknowledged += 1
                self.queues.acknowledgements.append(acknowledged)
                self.interpreter.acknowledgements.append(acknowledged)
            self.queues.credit = self.interpreter.credit = 1
            self.processor.run(1000, self.follow)
            assert self.processor.store == self.interpreter.store
            assert self.queues.typed == self.interpreter.typed
            assert self.queues.punched == self.interpreter.punched

    def follow(self, lamps: int, _: int) -> None:
        self.cycles += 1
        self.interpreter.cycle()
        assert lamps == int(self.interpreter.lamps_in_a_row()[::-1], 2), f"cycle {self.cycles}"


def test_the_condensing_program_agrees_step_by_step() -> None:
    loose = assemble("  AT 890\n" + "  WORD 12345\n" * 14 + "  AT 3\n  HALT\n  START 3\n", "a test")
    job = Job([*condensed("condense"), *loose])
    job.run()
    # What was never met was never compared: a card that loads, two gaps, a last card.
    assert len(job.queues.punched) == 5
    assert len(job.queues.typed) > 50


def test_both_passes_agree_step_by_step() -> None:
    heights = cards(heights_deck([-3, *range(1000, 1023)]))
    job = Job([*condensed("residuals"), *heights, *heights])
    job.run()
    assert len(job.queues.punched) == len(heights)
    assert len(job.queues.typed) > 200
