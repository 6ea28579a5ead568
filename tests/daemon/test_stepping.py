"""The lamps of a stepped machine, read back from the twins of the lamp drivers, against the independent interpreter.

Each step is a key thrown on the rehearsed panel: twin of the inputs, scan, settling, link, processor, link, frames,
drivers, twin of the outputs. source: ORDERS.md, read twice.
"""

from pathlib import Path
from random import Random

import pytest

from bridge.cards.deck import Card, print_deck
from bridge.console import load
from bridge.demo.skerry.core import SkerryCore
from bridge.files import examples
from tests.daemon.harness import Rig
from tests.demo.interpreter import LEVELS, Interpreter
from tests.demo.programs import Program, random_program
from tests.virtual import run_virtually

STEPS = 63
"""For each of the sixteen programs: a thousand steps in all."""
FULL = 4095
STAND = 300
"""Milliseconds between steps: in a third of a second a machine at rest is shown as it stands, and three steps a second
cannot make a large area flash more often than the lamps allow."""
SETTLED = 1000
"""Milliseconds after which every filament is fully lit, or out."""
CARDS = 200


class Stepped:
    """A whole console and the interpreter, given the same program, keys and cards."""

    def __init__(self, rig: Rig, program: Program, stand: float = STAND) -> None:
        self.rig = rig
        self.stand = stand
        self.interpreter = Interpreter()
        self.core = SkerryCore(str(rig.sockets.core), run=1)
        self.program = program

    async def start(self) -> None:
        await self.rig.wait(1000)
        self.rig.run_core(self.core)
        self.core.processor.store[:] = self.program.store
        self.interpreter.store = list(self.program.store)
        self.interpreter.credit = 1_000_000
        await self.levels(self.program.entry)
        await self.press("SET ADDRESS")
        await self.levels(self.program.word_keys, self.program.selector)

    async def levels(self, word: int, selector: str | None = None) -> None:
        wanted = {f"W.{bit}": word >> bit & 1 for bit in range(24)}
        wanted |= {name: int(name == f"SELECT.{selector}") for name in LEVELS if name.startswith("SELECT")}
        for name, level in wanted.items():
            if level != self.interpreter.keys[name]:
                self.rig.daemon.panel.throw(name, closed=bool(level))
        await self.rig.wait(30)
        self.interpreter.keys.update(wanted)

    async def press(self, key: str) -> None:
        """Press a key on the panel and in the interpreter, and let both finish what it asks."""
        await self.rig.press(key)
        self.interpreter.press(key)
        await self.finish()
        await self.rig.wait(self.stand)
        self.compare(key)

    async def finish(self) -> None:
        """Give the devices the time they take, and the interpreter what they gave."""
        machine, processor = self.interpreter, self.core.processor
        for _ in range(100):
            if machine.READER or machine.PUNCH:
                # One cycle of a stepped wait looks once: both must find the card there, or both not.
                await self.rig.wait(1000)
                if machine.READER and not machine.cards and machine.asked > self.given_cards:
                    machine.cards.append(list(self.program.deck[self.given_cards % len(self.program.deck)]))
                    self.given_cards += 1
                if machine.PUNCH and not machine.acknowledgements:
                    machine.acknowledgements.append(1)
            if not (machine.running or processor.running):
                return
            machine.cycle()
        raise AssertionError("the interpreter does not stop")

    given_cards = 0

    def compare(self, after: str) -> None:
        shown = self.rig.lit()
        expected = {name: FULL * lit for name, lit in self.interpreter.lamps().items()}
        wrong = {name: (shown[name], code) for name, code in expected.items() if shown[name] != code}
        assert not wrong, f"after {after}: (shown, expected) {wrong}"


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("key", ["STEP ORDER", "STEP CYCLE"])
def test_lamps_of_a_stepped_machine(tmp_path: Path, key: str, seed: int) -> None:
    random = Random(f"{key} {seed}")
    program = random_program(random)

    async def main() -> int:
        (tmp_path / "reader").mkdir()
        deck = [Card(b"".join(c.to_bytes(2, "little") for c in card)) for card in program.deck]
        (tmp_path / "reader" / "any.deck").write_text(print_deck(deck * (CARDS // len(deck))))
        async with Rig(tmp_path) as rig:
            stepped = Stepped(rig, program)
            await stepped.start()
            lit = 0
            for _ in range(STEPS):
                if stepped.interpreter.ERROR:
                    await stepped.press("RESET")
                await stepped.press(key)
                lit = max(lit, sum(code == FULL for code in rig.lit().values()))
            return lit

    assert run_virtually(main()) > 20


def test_lamps_with_filaments_come_to_the_same(tmp_path: Path) -> None:
    program = random_program(Random(1))

    async def main() -> None:
        (tmp_path / "reader").mkdir()
        async with Rig(tmp_path, load(examples() / "skerry.toml")) as rig:
            stepped = Stepped(rig, program, SETTLED)
            await stepped.start()
            for _ in range(20):
                await stepped.press("STEP CYCLE")

    run_virtually(main())
