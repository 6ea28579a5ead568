import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bridge.parts import tlc5947


def test_channel_0_alone_leaves_last() -> None:
    # source: TI SBVS114: the last bit in is OUT0 bit 0, so 34 zero bytes, then 0F FF.
    codes = np.zeros(24, np.uint16)
    codes[0] = 4095
    assert tlc5947.encode(codes) == bytes(34) + b"\x0f\xff"


def test_output_23_of_the_last_chip_goes_in_first() -> None:
    # source: TI SBVS114: the first bit in is OUT23 bit 11.
    codes = np.zeros(48, np.uint16)
    codes[47] = 0x800
    assert tlc5947.encode(codes) == b"\x80" + bytes(71)


@given(st.integers(1, 13).flatmap(lambda n: st.lists(st.integers(0, 4095), min_size=24 * n, max_size=24 * n)))
def test_decode_is_the_inverse_and_agrees_with_whole_number_arithmetic(values: list[int]) -> None:
    # source: arithmetic: channel n occupies bits 12n to 12n + 11 of the register read as one number.
    data = tlc5947.encode(np.array(values, np.uint16))
    number = int.from_bytes(data, "big")
    assert [number >> 12 * n & 4095 for n in range(len(values))] == values
    assert tlc5947.decode(data).tolist() == values


def test_twin_shows_nothing_until_latched_and_unblanked() -> None:
    twin = tlc5947.Twin(2)
    codes = np.arange(48, dtype=np.uint16)
    assert twin.codes().max() == 0
    assert len(twin.transfer(tlc5947.encode(codes))) == 72
    twin.blank(False)
    assert twin.codes().tolist() == [4095] * 48
    twin.latch(True)
    assert twin.codes().tolist() == codes.tolist()
    twin.latch(False)
    twin.blank(True)
    assert twin.codes().max() == 0


def test_twin_hands_on_what_falls_out_of_the_chain() -> None:
    twin = tlc5947.Twin(1)
    frame = bytes(range(36))
    twin.transfer(frame)
    assert twin.transfer(bytes(36)) == frame
