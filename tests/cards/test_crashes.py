"""The punch on a file system that fails: no acknowledged card is lost, none is punched twice, none out of order."""

import random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from tests.cards.crashes import STICKS, World, step

EPISODES, STEPS = 40, 50


@pytest.mark.parametrize("seed", range(EPISODES))
def test_a_bad_day(seed: int) -> None:
    world = World(seed)
    rng = random.Random(seed)
    try:
        for _ in range(STEPS):
            step(world, rng)
        world.settle()
    finally:
        world.close()


class Days(RuleBasedStateMachine):
    """The same, with steps that are found and cut down by hypothesis."""

    def __init__(self) -> None:
        super().__init__()
        self.world = World(0)

    @rule()
    def send(self) -> None:
        self.world.send()

    @rule(seconds=st.sampled_from([0.001, 0.01, 0.3, 5]))
    def wait(self, seconds: float) -> None:
        self.world.wait(seconds)

    @rule(which=st.integers(0, STICKS - 1))
    def insert(self, which: int) -> None:
        self.world.insert(which)

    @rule()
    def pull(self) -> None:
        self.world.pull()

    @rule(cards=st.sampled_from([0, 1, 3]))
    def fill(self, cards: int) -> None:
        self.world.fill(cards)

    @rule()
    def protect(self) -> None:
        self.world.protect()

    @rule(syncs=st.integers(0, 3))
    def fail(self, syncs: int) -> None:
        self.world.fail(syncs)

    @rule()
    def fail_storage(self) -> None:
        self.world.fail_storage()

    @rule(seconds=st.sampled_from([0, 0.004, 1.0]))
    def stall(self, seconds: float) -> None:
        self.world.stall(seconds)

    @rule()
    def new_core(self) -> None:
        self.world.new_core()

    @rule()
    def kill(self) -> None:
        self.world.kill()

    @rule(changes=st.integers(0, 12))
    def cut(self, changes: int) -> None:
        self.world.cut(changes)

    @invariant()
    def no_more_than_one_card_is_on_its_way(self) -> None:
        assert len(self.world.maybe) < self.world._run

    def teardown(self) -> None:
        try:
            self.world.settle()
        finally:
            self.world.close()


TestDays = Days.TestCase
TestDays.settings = settings(max_examples=40, stateful_step_count=30)
