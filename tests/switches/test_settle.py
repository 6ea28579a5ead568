import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.switches.settle import Settle

MS = 1_000_000

# {time in ms, raw level, events expected at this sample}; settling time 10 ms, the contact at rest is 0.
TABLE = [
    ("clean", [(0, 0, ""), (4, 1, ""), (8, 1, ""), (12, 1, ""), (14, 1, "1@4"), (18, 1, "")]),
    ("bounce", [(0, 1, ""), (4, 0, ""), (8, 1, ""), (12, 1, ""), (17, 1, ""), (18, 1, "1@8"), (400, 1, "")]),
    ("stray", [(0, 0, ""), (4, 1, ""), (8, 0, ""), (12, 0, ""), (16, 0, ""), (60_000, 0, "")]),
    ("press and release", [(0, 1, ""), (10, 1, "1@0"), (20, 0, ""), (30, 0, "0@20")]),
    ("a late sample between", [(0, 1, ""), (500, 1, "1@0")]),
    ("a jump, level gone again", [(0, 1, ""), (500, 0, ""), (501, 1, ""), (510, 1, ""), (511, 1, "1@501")]),
]


@pytest.mark.parametrize(("name", "samples"), TABLE)
def test_table(name: str, samples: list[tuple[int, int, str]]) -> None:
    # source: the rule as stated in the module, worked out by hand.
    settle = Settle(10 * MS, 0)
    for time, raw, expected in samples:
        got = ",".join(f"{int(level)}@{start // MS}" for start, _, level in settle.feed(time * MS, raw))
        assert got == expected, f"{name}: at {time} ms"


@pytest.mark.parametrize("rate", [250, 1000, 10_000])
def test_bounce_as_measured_gives_one_event_a_throw(rate: int) -> None:
    # source: Ganssle, A Guide to Debouncing: 6200 us of bounce at most over 16 switches; a 10 ms window covers it.
    rng = random.Random(rate)
    settle = Settle(10 * MS, 0)
    events: list[bool] = []
    level, throws = 0, 60
    period = 1_000_000_000 // rate
    now = 0
    for _ in range(throws):
        level ^= 1
        thrown = now
        bouncing = thrown + rng.randrange(6_200_000)
        while now < thrown + 40 * MS:
            raw = rng.randrange(2) if now < bouncing else level
            events += [settled for _, _, settled in settle.feed(now, raw)]
            now += period
    assert events == [bool(n % 2 == 0) for n in range(throws)]


@given(st.lists(st.tuples(st.integers(1, 30), st.integers(0, 7)), max_size=60))
def test_channels_do_not_disturb_each_other_and_the_last_report_is_the_settled_level(
    samples: list[tuple[int, int]],
) -> None:
    together = Settle(10 * MS, 0)
    alone = [Settle(10 * MS, 0) for _ in range(3)]
    now, raw = 0, 0
    for gap, raw in samples:
        now += gap * MS
        events = together.feed(now, raw)
        expected = [
            (start, channel, level)
            for channel in range(3)
            for start, _, level in alone[channel].feed(now, raw >> channel & 1)
        ]
        assert events == expected
    together.feed(now + MS, raw)
    together.feed(now + 12 * MS, raw)
    assert together.levels == raw
