"""source: the rules as stated in the module, worked out by hand on three chips and a tail of eight."""

import random

import pytest

from bridge.switches.breaks import ENOUGH, Breaks

BITS = 32
GOOD = 0x00_A5_5A_96
"""The tail is low; the lowest byte is the chip nearest the board."""


def told(breaks: Breaks, levels: list[int], wrong: int = 1 << 23) -> range | None:
    found = [breaks.broken(one, wrong) for one in levels]
    assert found[:-1] == [None] * (len(levels) - 1)
    return found[-1]


@pytest.mark.parametrize("chip", range(3))
@pytest.mark.parametrize("level", [0, -1])
def test_a_wire_held_at_one_level_leads_to_where_that_begins(chip: int, level: int) -> None:
    breaks = Breaks(3, BITS)
    breaks.sound(GOOD)
    sound = (1 << 8 * chip) - 1
    assert told(breaks, [GOOD & sound | level & ~sound & 0xFFFFFFFF] * ENOUGH) == range(chip, chip + 1)


def test_a_key_that_somebody_moved_meanwhile_is_not_taken_for_the_break() -> None:
    breaks = Breaks(3, BITS)
    breaks.sound(GOOD)
    assert told(breaks, [GOOD & 0xFFFF ^ 1] * ENOUGH) == range(2, 3)


@pytest.mark.parametrize("chip", range(3))
def test_a_wire_that_picks_up_anything_leads_to_the_first_chip_that_reads_otherwise(chip: int) -> None:
    rng = random.Random(chip)
    breaks = Breaks(3, BITS)
    breaks.sound(GOOD)
    noisy = [GOOD & (1 << 8 * chip) - 1 | rng.getrandbits(BITS - 8 * chip) << 8 * chip for _ in range(ENOUGH)]
    assert told(breaks, noisy) == range(chip, chip + 1)


@pytest.mark.parametrize(("nearer", "first"), [(0x00A596, 2), (0x00FF96, 1), (0x000000, 2), (0x00FFFF, 0)])
def test_chips_that_read_all_alike_may_have_been_given_more_clocks_or_fewer(nearer: int, first: int) -> None:
    rng = random.Random(1)
    breaks = Breaks(3, BITS)
    breaks.sound(0x850000 | nearer)
    noisy = [(rng.getrandbits(16) & ~1) << 16 ^ 0x20000 | nearer for _ in range(ENOUGH)]
    found = told(breaks, noisy)
    assert found is not None
    assert (found.start, found.stop) == (first, 3)


def test_one_that_breaks_off_anywhere_leads_to_no_chip_behind_what_reads_otherwise() -> None:
    breaks = Breaks(3, BITS)
    breaks.sound(GOOD)
    assert told(breaks, [GOOD & (1 << 8 + n) - 1 for n in range(ENOUGH)]) == range(2)


def test_only_scans_in_a_row_count_until_it_is_worked_out() -> None:
    breaks = Breaks(3, BITS)
    breaks.sound(GOOD)
    assert told(breaks, [GOOD & 0xFF] * (ENOUGH - 1)) is None
    breaks.right()
    assert told(breaks, [GOOD & 0xFFFF] * (ENOUGH - 1)) is None
    assert told(breaks, [GOOD & 0xFFFF]) == range(2, 3)
    breaks.right()
    assert breaks.worked_out
    breaks.sound(GOOD)
    assert not breaks.worked_out


def test_a_chain_that_never_read_right_is_judged_by_its_sentinels() -> None:
    breaks = Breaks(3, BITS)
    assert told(breaks, [0] * ENOUGH) == range(3)
    assert told(Breaks(3, BITS), [0xFF00_0000 | n for n in range(ENOUGH)], 0xFF00_0000) == range(2, 3)
