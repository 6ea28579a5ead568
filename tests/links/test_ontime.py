import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bridge.links.ontime import OnTime


def _splitmix64(count: int) -> list[int]:
    state, out, mask = 0, [], 2**64 - 1
    for _ in range(count):
        state = (state + 0x9E3779B97F4A7C15) & mask
        z = state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
        out.append(z ^ (z >> 31))
    return out


def test_positional_population_count_of_a_known_stream() -> None:
    # source: three independent methods over the first 1000 words of splitmix64 from seed 0 (first e220a8397b1dcdaf).
    words = _splitmix64(1000)
    assert words[0] == 0xE220A8397B1DCDAF
    counter = OnTime(64)
    for word in words:
        counter.add(word, 1)
    elapsed, raw = counter.take()
    counts = np.frombuffer(raw, "<u4")
    assert elapsed == 1000
    assert (counts[0], counts[63], counts.sum()) == (539, 483, 31879)


@given(st.lists(st.tuples(st.integers(0, 2**70 - 1), st.integers(0, 5000)), max_size=30))
def test_counts_equal_a_plain_sum(cycles: list[tuple[int, int]]) -> None:
    # source: arithmetic.
    counter = OnTime(70)
    plain = [0] * 70
    for bits, ticks in cycles:
        counter.add(bits, ticks)
        for lamp in range(70):
            plain[lamp] += ticks * (bits >> lamp & 1)
    elapsed, raw = counter.take()
    assert elapsed == sum(ticks for _, ticks in cycles)
    assert np.frombuffer(raw, "<u4").tolist() == plain
    assert counter.take() == (0, bytes(4 * 70))
