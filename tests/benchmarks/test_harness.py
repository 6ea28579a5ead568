import json
import math
from pathlib import Path

import pytest

from tests.benchmarks import __main__ as command
from tests.benchmarks.harness import p50_us, run


def test_figures_are_printed_and_written_as_one_flat_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "figures.json"
    command.main(["--json", str(file), "key_chain"])
    figures = json.loads(file.read_text(encoding="utf-8"))
    assert "parts_scan_128_us" in figures
    assert "parts_encode_192_us" not in figures
    assert all(isinstance(value, float) and math.isfinite(value) for value in figures.values())
    assert list(figures) == [line.split()[0] for line in capsys.readouterr().out.splitlines()]


def test_an_unknown_name_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        command.main(["lamp_chian"])
    assert "no benchmark lamp_chian; there are lamp_chain, key_chain" in capsys.readouterr().err


def test_two_benchmarks_may_not_report_one_name() -> None:
    def first() -> dict[str, float]:
        return {"same_us": 1.0}

    with pytest.raises(ValueError, match="same_us"):
        run([first, first])


def test_p50_is_the_median_and_the_warm_up_is_not_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    # source: arithmetic: after two warming calls the calls last 3, 4 … 22 µs; their median is 12.5 µs.
    now, calls = 0, 0

    def work() -> None:
        nonlocal now, calls
        calls += 1
        now += calls * 1000

    monkeypatch.setattr("time.perf_counter_ns", lambda: now)
    assert p50_us(work, runs=20) == 12.5
