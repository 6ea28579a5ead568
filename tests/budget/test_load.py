import pytest

from bridge.budget.load import predicted


# source: arithmetic on the module's figures, which are estimates.
def test_load() -> None:
    assert list(predicted("Raspberry Pi 3B+", 256, 200, 250)) == pytest.approx([180, 320])
    assert list(predicted("Raspberry Pi 3B+", 0, 200, 125)) == pytest.approx([37.5, 100])
    assert list(predicted("Raspberry Pi 5", 256, 200, 250)) == pytest.approx([36, 64])
