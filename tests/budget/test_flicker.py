import pytest

from bridge.budget.flicker import classify, dither_fineness, low_risk, no_effect, report
from tests.tables import rows

LIMITS = [[float(value) for value in row] for row in rows("ieee1789-limits.tsv")]


@pytest.mark.parametrize("row", LIMITS, ids=[f"{row[0]:g} Hz" for row in LIMITS])
def test_limits_of_the_standard(row: list[float]) -> None:
    # source: ieee1789-limits.tsv, IEEE Std 1789-2015, 8.1.1.
    assert low_risk(row[0]) == pytest.approx(row[1], abs=1e-3)
    assert no_effect(row[0]) == pytest.approx(row[2], abs=1e-3)


@pytest.mark.parametrize(
    ("hertz", "depth", "words"),
    [
        (976.5625, 100, "above the low-risk level"),
        (976.5625, 78, "low risk"),
        (976.5625, 32, "no observable effect"),
        (200, 16.1, "above the low-risk level"),
        (3000, 100, "no observable effect"),
        (1250, 100, "low risk"),
        (60, 100, "can bring on seizures"),
        (90, 5, "can bring on seizures"),
        (90, 4.9, "above the low-risk level"),
        (91, 100, "above the low-risk level"),
    ],
)
def test_classes(hertz: float, depth: float, words: str) -> None:
    # source: IEEE Std 1789-2015, 8.1.1: 977 Hz allows 78.1 %, 200 Hz 16 %, full depth needs 1250 and 3000 Hz; the
    # seizure limit is 5 % below 90 Hz.
    assert classify(hertz, depth) == words


@pytest.mark.parametrize("frames_hz", [100, 200, 400])
def test_dither_is_as_fine_as_low_risk_allows_and_no_finer(frames_hz: int) -> None:
    # source: arithmetic on the standard's limits: c and c + 1 differ by 100 / (2c + 1) percent.
    fineness = dither_fineness(frames_hz)
    assert len(fineness) == 4096
    for code in (0, 1, 5, 6, 20, 50, 100, 200, 400, 4094):
        depth = 100 / (2 * code + 1)
        allowed = [bits for bits in range(5) if bits == 0 or depth <= low_risk(frames_hz / 2**bits) + 1e-9]
        assert fineness[code] == max(allowed)


def test_the_dim_end_is_not_dithered_at_all() -> None:
    # source: arithmetic: at 200 frames a second half steps are 100 Hz, which allows 8 %: code 6 on.
    assert dither_fineness(200)[:8].tolist() == [0] * 6 + [1] * 2


def test_parts_are_reported_with_figure_and_class() -> None:
    # source: TI SBVS114: 4 MHz / 4096 = 976.56 Hz; the limits at that rate from ieee1789-limits.tsv.
    pwm, switched = report([("drivers", 4_000_000 / 4096), ("relays", None)])
    assert pwm == (
        "drivers: dimmed LEDs are switched at 977 Hz, depth 100 %: above the low-risk level "
        "(low risk up to 78.1 %, no observable effect up to 32.5 %)"
    )
    assert switched.startswith("relays: lamps are on or off")
    assert report([]) == ["no part drives lamps"]
