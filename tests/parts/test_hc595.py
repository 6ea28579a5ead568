import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.parts import hc595
from bridge.parts.onoff import OFF, ON, OnOff


def test_the_first_bit_shifted_ends_in_q7_of_the_last_chip() -> None:
    # source: Nexperia 74HC595 data sheet: the first bit shifted ends in Q7.
    lit = np.zeros(16, np.bool_)
    lit[15] = True
    assert hc595.encode(lit) == b"\x80\x00"
    lit[:] = False
    lit[0] = True
    assert hc595.encode(lit) == b"\x00\x01"


@given(st.integers(1, 16).flatmap(lambda n: st.lists(st.booleans(), min_size=8 * n, max_size=8 * n)))
def test_decode_is_the_inverse(states: list[bool]) -> None:
    assert hc595.decode(hc595.encode(np.array(states))).tolist() == states


@pytest.mark.parametrize(
    "codes", [[0, OFF, OFF + 1, ON - 1, ON, ON - 1, OFF + 1, OFF], [4095, 2048, 2048, 0, 2048, 2048, 4095, 0]]
)
def test_a_lamp_does_not_chatter_between_the_thresholds(codes: list[int]) -> None:
    # source: the rule as stated, one step at a time.
    state, one = False, OnOff(1)
    for code in codes:
        state = True if code >= ON else False if code <= OFF else state
        assert one.take(np.array([code], np.uint16)).tolist() == [state]
