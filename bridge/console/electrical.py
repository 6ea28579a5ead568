"""What a description says of supplies and levels, held to the data sheets: errors only where it says enough.

What it does not say is listed too, so that nobody takes silence for a judgement.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bridge.console.facts import Bus, Lamp, Part, Supply
from bridge.parts.facts import BOARD_MOST, BOARD_VOLTS

GPIO_TOTAL_MA = 50.0
"""Through all the board's lines together: common practice, no source."""
LEVEL_MARGIN = 0.3
"""Volts by which an input may exceed its chip's supply; usual for CMOS, from memory."""

_GPIO_MA = {"Raspberry Pi 2B": 16.0, "Raspberry Pi 3B": 16.0, "Raspberry Pi 3B+": 16.0, "Raspberry Pi Zero 2 W": 16.0,
            "Raspberry Pi 4B": 8.0}  # fmt: skip
"""Through one line, by model (Raspberry Pi documentation: BCM2837 and its kin, BCM2711); for RP1 none was found."""


@dataclass(frozen=True)
class Judged:
    """The facts that are judged together."""

    board: str | None
    supplies: tuple[Supply, ...]
    buses: tuple[Bus, ...]
    parts: tuple[Part, ...]
    lamps: tuple[Lamp, ...]


@dataclass(frozen=True)
class Fault:
    """What is wrong, and with which key of what."""

    about: Supply | Bus | Part
    key: str
    wrong: str
    todo: str


def faults(judged: Judged) -> Iterator[Fault]:
    """Return everything that breaks a data sheet or a supply."""
    for part in judged.parts:
        yield from _supply(part)
        yield from _levels(part)
        yield from _back_fed(part)
        yield from _currents(judged, part)
    for bus in judged.buses:
        if bus.pulled_to is not None:
            yield from _pulled(bus, "pulled_to", f'bus "{bus.name}" is pulled up', bus.pulled_to)
    yield from _board(judged)
    for supply in judged.supplies:
        yield from _load(judged, supply)


def lamp_volts_from(part: Part) -> float | None:
    """Return the volts that light a part's lamps: those of their supply, or of the board's own lines."""
    if part.fed.lamp_supply is not None:
        return part.fed.lamp_supply.volts
    return BOARD_VOLTS if part.facts.bus is None and not part.fed.transistors else None


def lamp_amps(part: Part) -> float | None:
    """Return what each lamp of a part takes when lit: by its resistor if that is known, else what is asked for."""
    fed, volts = part.fed, lamp_volts_from(part)
    if fed.ohms is not None and part.facts.electrical.lamps == "constant":
        return part.facts.electrical.reference_volts / fed.ohms
    if fed.ohms is not None and fed.lamp_volts is not None and volts is not None:
        return max(volts - fed.lamp_volts, 0.0) / fed.ohms
    return fed.lamp_amps


def line_ma(board: str | None) -> float | None:
    """Return what one line of this board carries at most, in milliamperes; None if no figure is known."""
    return None if board is None else _GPIO_MA.get(board)


def drawn(judged: Judged, supply: Supply) -> float:
    """Return the amperes that lamps take from a supply with every one lit, as far as they are known."""
    each = {part.name: lamp_amps(part) or 0.0 for part in judged.parts if part.fed.lamp_supply == supply}
    return sum(each.get(lamp.part.name, 0.0) for lamp in judged.lamps)


def unjudged(judged: Judged) -> list[str]:
    """Return what could not be judged, and for want of which fact."""
    lines = []
    for part in judged.parts:
        lacking = [f"{what} (for want of {fact})" for what, fact in _lacking(part)]
        if lacking:
            lines.append(f'part "{part.name}": {"; ".join(lacking)}')
    for supply in judged.supplies:
        if drawn(judged, supply) and supply.amps is None:
            lines.append(f'supply "{supply.name}": its load (for want of amps)')
        if drawn(judged, supply) and supply.fuse is None:
            lines.append(f'supply "{supply.name}": whether its fuse carries that (for want of fuse)')
    if judged.board is None and any(part.facts.bus is None for part in judged.parts):
        lines.append("lines of the board: their current (for want of a [board] with its model)")
    elif line_ma(judged.board) is None and any(_on_board(part) for part in judged.parts):
        lines.append(f"lines of the board: their current (no figure is known for a {judged.board})")
    return lines


def _lacking(part: Part) -> Iterator[tuple[str, str]]:
    fed = part.fed
    if part.facts.bus is not None and fed.supply is None:
        yield "its supply and levels", "supply"
    if part.facts.electrical.speaks and fed.supply is not None and fed.supply.with_board is None:
        yield "whether it feeds a board that is off", f'on of supply "{fed.supply.name}"'
    if "blank" in part.lines and fed.blank_pull is None:
        yield "where its blank line is pulled", "blank_pulled_to"
    if part.facts.serves == "keys" and fed.contacts is None:
        yield "what its contacts bring", "contacts"
    if part.facts.serves == "lamps":
        if lamp_volts_from(part) is None:
            yield "its lamps' supply", "lamp_supply"
        if lamp_amps(part) is None:
            resistor = "reference_ohms" if part.facts.electrical.lamps == "constant" else "resistor_ohms and lamp_volts"
            yield "its lamps' current", f"lamp_ma, or {resistor}"


def _supply(part: Part) -> Iterator[Fault]:
    supply, electrical = part.fed.supply, part.facts.electrical
    if supply is None:
        return
    lowest, highest = electrical.volts
    if not lowest <= supply.volts <= highest:
        bounds = f"{lowest:g} to {highest:g} V" if lowest < highest else f"{highest:g} V"
        wrong = f'part "{part.name}" is on supply "{supply.name}", {supply.volts:g} V, but a {part.facts.name} takes '
        yield Fault(part, "supply", f"{wrong}{bounds} ({electrical.source})", "put it on another supply")


def _levels(part: Part) -> Iterator[Fault]:
    fed, electrical = part.fed, part.facts.electrical
    name, own = part.facts.name, part.fed.supply
    if fed.blank_pull is not None:
        if fed.shifted not in {"to part", "both"}:
            yield from _pulled(
                part, "blank_pulled_to", f'the blank line of part "{part.name}" is pulled up', fed.blank_pull
            )
        elif own is not None and fed.blank_pull.volts > own.volts + LEVEL_MARGIN:
            wrong = (
                f'the blank line of part "{part.name}" is pulled up to {fed.blank_pull.volts:g} V, above its own supply'
            )
            yield Fault(part, "blank_pulled_to", f"{wrong} of {own.volts:g} V", "pull it up to its own supply")
    stands = max(own.volts if own is not None else 0.0, electrical.tolerates)
    if part.facts.bus is None:
        stands = BOARD_VOLTS
    if fed.contacts is not None and stands and fed.contacts.volts > stands + LEVEL_MARGIN:
        pin = "a line of the board, which stands" if part.facts.bus is None else f"a {name}, which here stands"
        wrong = f'contacts of part "{part.name}" bring {fed.contacts.volts:g} V ("{fed.contacts.name}") to {pin}'
        yield Fault(part, "contacts", f"{wrong} {stands:g} V", "take them to the supply of the inputs")
    if own is None or part.facts.bus is None:
        return
    needed = electrical.high * own.volts
    if needed > BOARD_VOLTS and fed.shifted not in {"to part", "both"}:
        wrong = (
            f'part "{part.name}" is on {own.volts:g} V, where a {name} takes a signal for high from {needed:.2f} V on, '
            f"but the board's lines give {BOARD_VOLTS} V ({electrical.source})"
        )
        todo = f"put it on {BOARD_VOLTS} V, or a level shifter (74HCT245) between, and write shifter"
        yield Fault(part, "supply", wrong, todo)
    if electrical.speaks == "driven" and own.volts > BOARD_MOST and fed.shifted not in {"to board", "both"}:
        wrong = f'part "{part.name}" is on {own.volts:g} V and drives a line of the board with it, which stands 3.3 V'
        todo = f"put it on {BOARD_VOLTS} V, or a level shifter (74LVC245) between, and write shifter"
        yield Fault(part, "supply", wrong, todo)


def _pulled(about: Bus | Part, key: str, what: str, to: Supply) -> Iterator[Fault]:
    if to.volts > BOARD_MOST:
        wrong = f'{what} to supply "{to.name}", {to.volts:g} V: that is {to.volts:g} V at a line of the board'
        yield Fault(about, key, f"{wrong}, which stands 3.3 V", "pull it up to 3.3 V")
    elif to.with_board is False:
        wrong = f'{what} to supply "{to.name}", which can be on while the board is off, and then feeds it'
        yield Fault(about, key, wrong, "pull it up to the board's own 3.3 V, header pin 1")


def _back_fed(part: Part) -> Iterator[Fault]:
    own = part.fed.supply
    speaks = part.facts.electrical.speaks == "driven" and part.fed.shifted not in {"to board", "both"}
    if own is not None and own.with_board is False and speaks and own.volts <= BOARD_MOST:
        wrong = (
            f'part "{part.name}" is on supply "{own.name}", which can be on while the board is off: the part then '
            "feeds the board through its data line"
        )
        yield Fault(part, "supply", wrong, "power it from the board's own 3.3 V, header pin 1, or switch both together")
    contacts = part.fed.contacts
    if part.facts.bus is None and contacts is not None and contacts.with_board is False:
        wrong = (
            f'contacts of part "{part.name}" come from supply "{contacts.name}", which can be on while the board is off'
        )
        yield Fault(part, "contacts", f"{wrong}, and then feeds it", "take them to the board's own 3.3 V, header pin 1")


def _currents(judged: Judged, part: Part) -> Iterator[Fault]:
    fed, electrical, amps = part.fed, part.facts.electrical, lamp_amps(part)
    if electrical.lamps is None or fed.transistors:
        return
    highest, supply = electrical.lamp_volts, fed.lamp_supply
    # A chip that only switches holds no more than its own supply, if that is lower than what it tolerates.
    if supply is not None and part.facts.bus is None:
        highest = BOARD_VOLTS
    if supply is not None and supply.volts > highest + LEVEL_MARGIN:
        wrong = f'lamps of part "{part.name}" are on {supply.volts:g} V, but outputs of a {part.facts.name} stand '
        yield Fault(part, "lamp_supply", f"{wrong}{highest:g} V ({electrical.source})", "put transistors between")
    if amps is None:
        return
    most = line_ma(judged.board) if part.facts.bus is None else electrical.channel_ma
    resistor = "reference_ohms" if electrical.lamps == "constant" else "resistor_ohms"
    key = "lamp_ma" if fed.ohms is None else resistor
    if most is not None and amps * 1000 > most * (1 + 1e-9):
        what = "a line of the board" if part.facts.bus is None else f"an output of a {part.facts.name}"
        wrong = f'each lamp of part "{part.name}" takes {amps * 1000:.3g} mA, but {what} carries {most:g} mA'
        yield Fault(part, key, f"{wrong} ({electrical.source})", "take less, or put transistors between")
    if electrical.chip_ma is not None:
        fullest = max(_lamps_per_chip(judged.lamps, part), default=0)
        if fullest * amps * 1000 > electrical.chip_ma * (1 + 1e-9):
            wrong = (
                f'{fullest} lamps of one chip of part "{part.name}" take {fullest * amps * 1000:.3g} mA, but a '
                f"{part.facts.name} carries {electrical.chip_ma:g} mA ({electrical.source})"
            )
            yield Fault(part, key, wrong, "take less, spread them over more chips, or put transistors between")


def _lamps_per_chip(lamps: Iterable[Lamp], part: Part) -> list[int]:
    chips = [lamp.channel // part.facts.channels for lamp in lamps if lamp.part == part]
    return [chips.count(chip) for chip in set(chips)]


def _on_board(part: Part) -> bool:
    """Whether a part's lamps are lit by lines of the board."""
    return part.facts.bus is None and part.facts.serves == "lamps" and not part.fed.transistors


def board_amps(judged: Judged) -> float:
    """Return what lamps take from lines of the board with every one lit, as far as it is known."""
    return sum(lamp_amps(lamp.part) or 0.0 for lamp in judged.lamps if _on_board(lamp.part))


def _board(judged: Judged) -> Iterator[Fault]:
    total = board_amps(judged) * 1000
    if total > GPIO_TOTAL_MA * (1 + 1e-9):
        part = next(part for part in judged.parts if _on_board(part))
        wrong = f"all lamps on lines of the board together take {total:.3g} mA, but its lines together carry about"
        yield Fault(part, "gpios", f"{wrong} {GPIO_TOTAL_MA:g} mA (common practice)", "put transistors between")


def _load(judged: Judged, supply: Supply) -> Iterator[Fault]:
    amps = drawn(judged, supply)
    for key, most, what in (("amps", supply.amps, "it gives"), ("fuse", supply.fuse, "its fuse carries")):
        if most is not None and amps > most * (1 + 1e-9):
            wrong = f'with every lamp lit supply "{supply.name}" is to give {amps:.3g} A, but {what} {most:g} A'
            yield Fault(supply, key, wrong, "divide the lamps among several supplies, each with its fuse")
