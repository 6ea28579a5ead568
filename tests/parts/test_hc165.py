from hypothesis import given
from hypothesis import strategies as st

from bridge.parts import hc165


def test_d7_of_the_first_chip_comes_out_first() -> None:
    # source: Nexperia 74HC165 data sheet: D7 is shifted out first.
    assert hc165.decode(b"\x80\x00") == 1
    assert hc165.decode(b"\x00\x01") == 1 << 15


@given(st.integers(1, 16).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, 2 ** (8 * n) - 1))))
def test_encode_is_the_inverse(case: tuple[int, int]) -> None:
    chips, levels = case
    assert hc165.decode(hc165.encode(levels, chips)) == levels


def test_twin_holds_what_it_loaded_until_loaded_again() -> None:
    twin = hc165.Twin(2)
    twin.set(0, False)
    assert twin.transfer(bytes(2)) == b"\x00\x00"
    twin.load(False)
    twin.load(True)
    twin.set(0, True)
    assert twin.transfer(bytes(2)) == b"\x7f\xff"
    twin.serial_in = True
    assert twin.transfer(b"\x00") == b"\x00"
    assert twin.transfer(bytes(2)) == b"\x00\xff"
