"""All that `check` prints of a description without errors: what is wired, and what the sums say of it."""

from collections.abc import Iterable, Iterator

from bridge.budget import electrical as sums
from bridge.budget.flicker import report
from bridge.budget.load import predicted
from bridge.console import Console, Lamp, Part, describe
from bridge.console.columns import paragraph, table
from bridge.console.electrical import (
    GPIO_TOTAL_MA,
    Judged,
    board_amps,
    drawn,
    lamp_amps,
    lamp_volts_from,
    line_ma,
    unjudged,
)
from bridge.lamps.filament import disagreement, resolve

_CAUTION = """\
An aid for whoever wires the panel, no judgement that it is safe. Extra-low voltage only: leave the mains, and supplies
with mains in them, to a qualified person, and follow your local electrical codes. Fuse every supply close to it, at
what its wires and crimps stand. What gets warm needs air: a resistor at half its rating is too hot to touch."""
WARM = 1.0
"""Watts from which a chip's heat is worth a word: common practice, no source."""
FULL = 100.0


def page(console: Console) -> list[str]:
    """Return the whole page, in lines of at most 80 columns."""
    flicker = report([(part.name, part.pwm_hz) for part in console.parts if part.facts.serves == "lamps"])
    lines = describe(console).split("\n")
    lines += _section("Flicker (IEEE Std 1789-2015; a figure and its class, no pass mark)", flicker)
    judged = Judged(console.board, console.supplies, console.buses, console.parts, console.lamps)
    lines += _section("Electrical, with every lamp lit", [_CAUTION])
    figures = table([*_parts(judged), *_supplies(judged), *_board(judged)])
    lines += ["", *(f"  {line}" for line in figures)] if figures else []
    lines += _section("Not judged", unjudged(judged))
    if console.board is not None:
        lines += _section("Load of the board (an extrapolation: nothing has been measured on a Pi)", _load(console))
    for kind in console.lamp_kinds:
        if kind.model == "filament":
            filament = resolve(kind.volts, kind.amps, kind.kelvin, rise_ms=kind.rise_ms, fall_ms=kind.fall_ms)
            disagree = disagreement(filament, kind.rise_ms, kind.fall_ms)
            if disagree:
                lines += ["", *paragraph(f'Lamp kind "{kind.name}": {disagree}')]
    return lines


def _section(heading: str, sentences: Iterable[str]) -> list[str]:
    lines = [f"  {line}" for sentence in sentences for line in paragraph(sentence)]
    return ["", heading, *lines] if lines else []


def _parts(judged: Judged) -> Iterator[tuple[str, str]]:
    for part in judged.parts:
        lamps = [lamp for lamp in judged.lamps if lamp.part == part]
        if lamps:
            yield from ((part.name, line) for line in _figures(part, lamps))


def _figures(part: Part, lamps: list[Lamp]) -> Iterator[str]:
    fed, volts, amps = part.fed, lamp_volts_from(part), lamp_amps(part)
    if part.facts.electrical.lamps == "constant":
        yield from _reference(part)
    elif fed.lamp_volts is not None and volts is not None and volts > fed.lamp_volts and amps:
        yield from _resistor(part, volts, fed.lamp_volts, amps)
    if amps is None:
        return
    total = f"{len(lamps)} lamps at {sums.engineering(amps, 'A')} each: {sums.engineering(len(lamps) * amps, 'A')}"
    yield total if volts is None else f"{total}, {sums.engineering(len(lamps) * amps * volts, 'W')}"
    if part.facts.electrical.lamps == "constant" and volts is not None and fed.lamp_volts is not None:
        chips = [lamp.channel // part.facts.channels for lamp in lamps]
        fullest = max(map(chips.count, set(chips)))
        heat = sums.dissipation(volts, [(fed.lamp_volts, amps, 1.0)] * fullest)
        note = "; give it air, and see its data sheet for what its package stands" if heat >= WARM else ""
        yield (
            f"the chip with most lamps turns {fullest} × ({volts:g} - {fed.lamp_volts:g} V) × "
            f"{sums.engineering(amps, 'A')} = {sums.engineering(heat, 'W')} into heat{note}"
        )


def _reference(part: Part) -> Iterator[str]:
    reference, fed = part.facts.electrical.reference_volts, part.fed
    if fed.lamp_amps is not None:
        wanted = reference / fed.lamp_amps
        buy = sums.next_up(wanted)
        yield (
            f"for {sums.engineering(fed.lamp_amps, 'A')}: {sums.engineering(wanted, 'Ω')} from IREF to ground; next in "
            f"E24 {sums.engineering(buy, 'Ω')}, which gives {sums.engineering(reference / buy, 'A')}"
        )
    if fed.ohms is not None:
        yield f"{sums.engineering(fed.ohms, 'Ω')} at IREF gives {sums.engineering(reference / fed.ohms, 'A')} a lamp"


def _resistor(part: Part, volts: float, lamp_volts: float, amps: float) -> Iterator[str]:
    fed = part.fed
    one = sums.series(volts, lamp_volts, fed.lamp_amps or amps, fed.ohms)
    resistor = f"{sums.engineering(one.ohms, 'Ω')} in series"
    if fed.ohms is None:
        resistor = f"{sums.engineering(one.wanted, 'Ω')} in series; next in E24 {sums.engineering(one.ohms, 'Ω')}"
    yield (
        f"{resistor}: {sums.engineering(one.amps, 'A')}, {sums.engineering(one.resistor_watts, 'W')} in the resistor, "
        f"{sums.engineering(one.watts, 'W')} with the lamp (the part's own drop left out)"
    )


def _supplies(judged: Judged) -> Iterator[tuple[str, str]]:
    for supply in judged.supplies:
        amps = drawn(judged, supply)
        if amps:
            known = [f"gives {supply.amps:g} A"] if supply.amps is not None else []
            known += [f"fuse {supply.fuse:g} A"] if supply.fuse is not None else []
            said = f"lamps take {sums.engineering(amps, 'A')}, {sums.engineering(amps * supply.volts, 'W')}"
            yield supply.name, "; ".join([f"{said}, chips a little more", *known])


def _board(judged: Judged) -> Iterator[tuple[str, str]]:
    total = board_amps(judged)
    if total:
        each = max(lamp_amps(lamp.part) or 0.0 for lamp in judged.lamps if lamp.part.facts.bus is None)
        most = line_ma(judged.board)
        limit = "no figure known" if most is None else f"{most:g} mA at most"
        one, together = sums.engineering(each, "A"), sums.engineering(total, "A")
        yield "the board", f"{one} through one line ({limit}), {together} through all (about {GPIO_TOTAL_MA:g} mA)"


def _load(console: Console) -> Iterator[str]:
    assert console.board is not None  # noqa: S101 -- asked for one that is named
    low, high = predicted(console.board, len(console.lamps), console.frames.rate_hz, console.scan.rate_hz)
    said = f"{low:.0f} to {high:.0f} % of one core of a {console.board} with all lamps changing all the time"
    yield f"{said}: more than one core has at worst; lower the rates" if high > FULL else said
