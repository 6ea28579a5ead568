"""`consolewright lamps plot`: a kind of lamp as a picture."""

from pathlib import Path
from typing import Any

from bridge.console import BUILT_IN, LampKind, load
from bridge.errors import ConsoleError
from bridge.lamps.curves import curves, strikes
from bridge.lamps.filament import disagreement, resolve
from bridge.lamps.models import NeonType

SUFFIXES = (".svg", ".png")


def plot(name: str, file: Path | None, out: Path) -> list[str]:
    """Draw the kind of lamp `name`, of the description `file` or built in, to `out`; return what to say about it.

    Raises ConsoleError for a kind that is not there or has no curve, and when the picture cannot be made.
    """
    kinds = dict(BUILT_IN)
    if file is not None:
        kinds |= {lamp.kind.name: lamp.kind for lamp in load(file).lamps}
    kind = kinds.get(name)
    if kind is None:
        raise ConsoleError(f'There is no kind of lamp "{name}". There are: {", ".join(kinds)}.')
    if kind.model == "instant":
        raise ConsoleError(f'Lamps of kind "{name}" are as bright as they are driven: there is no curve to draw.')
    if out.suffix not in SUFFIXES:
        raise ConsoleError(f"{out}: give the picture a name that ends in .svg or .png.")
    figure = _figure()
    said = _draw_neon(figure, kind) if kind.model == "neon" else _draw_filament(figure, kind)
    try:
        figure.savefig(out)
    except OSError as error:
        raise ConsoleError(f"{out}: cannot be written ({error.strerror}). Choose another name with --out.") from None
    return [*said, str(out)]


def _figure() -> Any:
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415 -- an extra that only this picture needs
    except ImportError:
        raise ConsoleError(
            "Drawing needs matplotlib. Install it: pip install 'consolewright[plot]', "
            "or in a clone: pip install '.[plot]'."
        ) from None
    return Figure(figsize=(9, 4), layout="constrained")


def _draw_neon(figure: Any, kind: LampKind) -> list[str]:
    there, back = strikes(NeonType(kind.strikes, kind.holds))
    duty = figure.subplots()
    duty.plot(100 * there.duty, 100 * there.light, color=kind.colour, label="driven up")
    duty.plot(100 * back.duty, 100 * back.light, color=kind.colour, linestyle="--", label="driven down")
    duty.set(xlabel="duty, %", ylabel="light, % of rated", title=f"{kind.name}: light against duty")
    _finish(duty)
    return [f"strikes at {kind.strikes:.0%} of its duty and stays lit down to {kind.holds:.0%}"]


def _finish(axes: Any) -> None:
    axes.grid(alpha=0.3)
    axes.legend()


def _draw_filament(figure: Any, kind: LampKind) -> list[str]:
    filament = resolve(kind.volts, kind.amps, kind.kelvin, rise_ms=kind.rise_ms, fall_ms=kind.fall_ms)
    drawn = curves(filament)
    time, duty = figure.subplots(1, 2)
    time.plot(drawn.milliseconds, 100 * drawn.rise, label="switched on cold")
    time.plot(drawn.milliseconds, 100 * drawn.fade, label="switched off")
    time.set(xlabel="milliseconds", ylabel="light, % of rated", title=f"{kind.name}: rise and fade")
    duty.plot(100 * drawn.duty, 100 * drawn.steady, label=f"{kind.name}, {kind.kelvin} K")
    duty.plot([0, 100], [0, 100], linestyle=":", label="an LED")
    duty.set(xlabel="duty, %", ylabel="steady light, % of rated", title="light against duty")
    _finish(time)
    _finish(duty)
    said = [f"light rises in {1000 * filament.rise:.0f} ms and falls in {1000 * filament.fall:.0f} ms (10-90 %)"]
    disagree = disagreement(filament, kind.rise_ms, kind.fall_ms)
    return [*said, disagree] if disagree else said
