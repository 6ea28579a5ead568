import random
from collections.abc import Iterator

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


# The same at first contact.
FIRST = [
    ("clean", [(0, 0, ""), (4, 1, ""), (8, 1, "1@4"), (12, 1, ""), (400, 1, "")]),
    ("bounce", [(0, 1, ""), (4, 0, ""), (8, 1, "1@0"), (12, 0, ""), (16, 1, ""), (60, 1, ""), (64, 1, "")]),
    ("stray", [(0, 0, ""), (4, 1, ""), (8, 0, ""), (60_000, 0, "")]),
    ("two strays apart", [(0, 1, ""), (4, 0, ""), (11, 1, ""), (15, 0, ""), (60_000, 0, "")]),
    ("two strays together", [(0, 1, ""), (4, 0, ""), (10, 1, "1@0"), (14, 0, ""), (20, 0, ""), (24, 0, "0@14")]),
    ("let go of before it rested", [(0, 1, ""), (4, 1, "1@0"), (8, 0, ""), (12, 0, ""), (18, 0, "0@8"), (22, 0, "")]),
    ("let go of after it rested", [(0, 1, ""), (4, 1, "1@0"), (14, 1, ""), (18, 0, ""), (22, 0, "0@18")]),
    ("rested anew", [(0, 1, ""), (4, 1, "1@0"), (8, 0, ""), (12, 1, ""), (22, 1, ""), (26, 0, ""), (30, 0, "0@26")]),
    ("not rested yet", [(0, 1, ""), (4, 1, "1@0"), (8, 0, ""), (12, 1, ""), (21, 1, ""), (25, 0, ""), (29, 0, "")]),
    ("samples far apart", [(0, 1, ""), (500, 1, "1@0"), (1000, 0, ""), (1500, 0, "0@1000")]),
    ("far apart, gone again", [(0, 1, ""), (500, 0, ""), (1000, 1, ""), (1500, 0, ""), (2000, 0, "")]),
    ("settles after a stray", [(0, 1, ""), (4, 0, ""), (40, 1, ""), (44, 1, "1@40"), (80, 1, "")]),
]


@pytest.mark.parametrize(("name", "samples"), FIRST)
def test_table_at_first_contact(name: str, samples: list[tuple[int, int, str]]) -> None:
    # source: the rule as stated in the module, worked out by hand.
    settle = Settle(10 * MS, 0, first=1)
    for time, raw, expected in samples:
        got = ",".join(f"{int(level)}@{start // MS}" for start, _, level in settle.feed(time * MS, raw))
        assert got == expected, f"{name}: at {time} ms"


def test_channels_have_settling_times_and_rules_of_their_own() -> None:
    settle = Settle(10 * MS, 0, {1: 25 * MS, 2: 25 * MS}, first=0b100)
    seen = {now: settle.feed(now * MS, 0b111) for now in range(0, 60, 4)}
    assert {now: events for now, events in seen.items() if events} == {
        4: [(0, 2, True)],
        12: [(0, 0, True)],
        28: [(0, 1, True)],
    }


def test_what_was_seen_before_samples_went_missing_counts_for_nothing() -> None:
    settle = Settle(10 * MS, 0, first=1)
    assert settle.feed(0, 1) == []
    settle.forget()
    assert settle.feed(4 * MS, 1) == []
    assert settle.feed(8 * MS, 1) == [(4 * MS, 0, True)]
    settle.forget()
    # It has not rested since: the level must be held.
    assert [settle.feed(now * MS, 0) for now in (20, 24)] == [[], []]
    assert settle.feed(30 * MS, 0) == [(20 * MS, 0, False)]


def clock(rng: random.Random, rate: int, jumps: bool) -> Iterator[int]:
    """Return the times of samples at so many a second, smooth, or each late by up to half a period and some lost."""
    period = 1_000_000_000 // rate
    now = 0
    while True:
        if not jumps:
            yield now
        elif rng.random() < 0.9:
            yield now + rng.randrange(period // 2)
        now += period


@pytest.mark.parametrize("jumps", [False, True], ids=["smooth", "jumping"])
@pytest.mark.parametrize("first", [0, 1], ids=["settled", "first contact"])
@pytest.mark.parametrize("rate", [250, 1000, 10_000])
def test_one_event_an_action_whatever_bounces_less_than_the_window_then_a_silent_minute(
    rate: int, first: int, jumps: bool
) -> None:
    rng = random.Random(rate)
    settle = Settle(10 * MS, 0, first=first)
    events: list[tuple[int, bool]] = []
    thrown, level, throws = 0, 0, 0
    bouncing = -1
    for now in clock(rng, rate, jumps):
        if now >= thrown + 60 * MS and throws < 100:
            thrown, level, throws = now, level ^ 1, throws + 1
            bouncing = thrown + rng.randrange(6_200_000)
        if now > thrown + 60_000 * MS:
            break
        raw = rng.randrange(2) if now < bouncing else level
        events += [(now - thrown, reported) for _, _, reported in settle.feed(now, raw)]
    assert [reported for _, reported in events] == [n % 2 == 0 for n in range(100)]
    # source: arithmetic: bounce, then the window, or at first contact two samples; a lost sample each.
    period = 1_000_000_000 // rate
    latest = 6_200_000 + (2 * period if first else 10 * MS + 2 * period) + (4 * period if jumps else 0)
    assert max(after for after, _ in events) <= latest


@pytest.mark.parametrize("first", [0, 1], ids=["settled", "first contact"])
@pytest.mark.parametrize("rate", [250, 1000])
def test_no_double_event_in_a_hundred_thousand_throws(rate: int, first: int) -> None:
    # source: Ganssle, A Guide to Debouncing: 1557 µs of bounce on average, 6200 µs at most, over 16 switches.
    rng = random.Random(rate + first)
    settle = Settle(10 * MS, 0, first=first)
    period = 1_000_000_000 // rate
    throws = 100_000 // (1 if rate == 250 else 4)
    count, level, now = 0, 0, 0
    for _ in range(throws):
        level ^= 1
        bouncing = now + min(int(rng.expovariate(1 / 1_557_000)), 6_200_000)
        end = now + 28 * MS
        told = []
        while now < end:
            told += settle.feed(now, rng.getrandbits(1) if now < bouncing else level)
            now += period
        assert [reported for _, _, reported in told] == [bool(level)]
        count += 1
    assert count == throws


@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(0, 1)), max_size=80),
    st.integers(0, 1),
    st.integers(0, 1),
)
def test_the_last_report_is_the_level_it_settles_at_whatever_came_before(
    samples: list[tuple[int, int]], first: int, last: int
) -> None:
    settle = Settle(10 * MS, 0, first=first)
    reported, now = False, 0
    for gap, raw in [*samples, *[(4, last)] * 8]:
        now += gap * MS
        for _, _, level in settle.feed(now, raw):
            assert level != reported
            reported = level
    assert reported == settle.levels == bool(last)


@given(st.lists(st.integers(4, 40), min_size=4, max_size=60), st.data(), st.integers(0, 1), st.integers(0, 1))
def test_a_spike_of_one_sample_is_no_event(gaps: list[int], data: st.DataObject, first: int, rest: int) -> None:
    settle = Settle(10 * MS, rest, first=first)
    spike = data.draw(st.integers(0, len(gaps) - 1))
    now = 0
    for n, gap in enumerate(gaps):
        now += gap * MS
        assert settle.feed(now, rest ^ (n == spike)) == []


@pytest.mark.parametrize(("name", "samples"), TABLE)
def test_table(name: str, samples: list[tuple[int, int, str]]) -> None:
    # source: the rule as stated in the module, worked out by hand.
    settle = Settle(10 * MS, 0)
    for time, raw, expected in samples:
        got = ",".join(f"{int(level)}@{start // MS}" for start, _, level in settle.feed(time * MS, raw))
        assert got == expected, f"{name}: at {time} ms"


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
