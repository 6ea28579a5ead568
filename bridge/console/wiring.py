"""A console told back to its builder: what is wired to what, what is free, and what the buses have to do."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from bridge.console import header, spans
from bridge.console.bustime import MOST, loads
from bridge.console.columns import GAP, paragraph, table
from bridge.console.facts import (
    MOST_CARDS,
    Bus,
    CardCode,
    Console,
    Key,
    Lamp,
    Part,
    Point,
    Punch,
    Reader,
    Supply,
    Typewriter,
)

_FITTED = {"LED": "LED fitted", "filament": "filament fitted, gets the duty", "neon": "neon fitted: on or off"}


def describe(console: Console, width: int) -> str:
    """Return the whole console as a page of text, to be read on a screen or hung up in the workshop."""
    room = width - len(GAP)
    lamp_rows = [(row.title, row.lamps) for row in console.lamp_rows]
    key_rows = [(row.title, row.keys) for row in console.key_rows] + [(one.title, one.keys) for one in console.rotaries]
    sections = {
        "Supplies": table((_supply(supply) for supply in console.supplies), room),
        "Buses": table((_bus(bus) for bus in console.buses if bus.kind != "lines"), room),
        "Parts": table((_part(console, part) for part in console.parts), room),
        "Lamps": table(_wired(lamp_rows, console.lamps), room),
        "Kinds of lamp": table(_kinds(console), room),
        "Brightness": table(_brightness(console), room),
        "Keys": table(_wired(key_rows, console.keys), room),
        "Typewriter and cards": table(_devices(console), room),
        "Card codes": table(_codes(console), room),
        "Rates": table(_rates(console), room),
        "Bus time": table(_bus_time(console), room),
        "Mind": [line for caution in _cautions(console) for line in paragraph(caution, room)],
    }
    page = [f"{console.name}: {len(console.lamps)} lamps, {len(console.keys)} keys", f"  described in {console.path}"]
    if console.board:
        page.append(f"  board: {console.board}")
    for heading, lines in sections.items():
        if lines:
            page += ["", heading, *(f"  {line}" for line in lines)]
    return "\n".join(page)


def _supply(supply: Supply) -> list[str]:
    on = {True: "on with the board", False: "on by itself", None: ""}[supply.with_board]
    gives = f"gives {supply.amps:g} A" if supply.amps is not None else ""
    fuse = f"fuse {supply.fuse:g} A" if supply.fuse is not None else ""
    return [supply.name, f"{supply.volts:g} V", gives, fuse, on]


def _bus(bus: Bus) -> list[str]:
    lines = ", ".join(f"{name} GPIO {number}" for number, name in header.BUS_LINES[bus.kind][bus.port].items())
    return [bus.name, f"{header.BUSES[bus.kind]} {bus.port}", f"{bus.rate_hz:,} Hz", _wires(bus.rehearsed), lines]


def _wires(rehearsed: bool) -> str:
    return "rehearsed" if rehearsed else "real wires"


def _part(console: Console, part: Part) -> list[str]:
    notes = [f"PWM {part.pwm_hz:.0f} Hz"] if part.facts.pwm is not None and part.pwm_hz is not None else []
    if part.facts.matrix:
        notes += [f"rows {spans.write(part.rows)}", f"columns {spans.write(part.columns)}"]
        notes.append("a diode at each contact" if part.diodes else "no diodes")
    notes += [f"{key} GPIO {number} (header pin {header.PIN_OF[number]})" for key, number in part.lines.items()]
    fixed = {"always high": part.always_high, "always low": part.always_low}
    notes += [f"{level} {spans.write(channels)}" for level, channels in fixed.items() if channels]
    if part.pull != "none":
        notes.append(f"pull {part.pull}")
    used = {point.channel for point in (*console.lamps, *console.keys) if point.part == part}.union(*fixed.values())
    notes.append(f"free {spans.write(set(range(part.channels)) - used - set(part.outputs_only)) or 'none'}")
    chain = f"{part.chips} × {part.facts.name}"
    return [part.name, chain, f"channels 0-{part.channels - 1}", _at(part), ", ".join(notes)]


def _at(part: Part) -> str:
    if part.facts.bus == "i2c":
        return f"{part.bus.name} {spans.write_addresses(part.addresses)}"
    if part.facts.bus is None:
        return f"GPIO {spans.write((*part.gpios, *part.rows, *part.columns))}"
    return f"{part.bus.name} CE{part.select}"


def _wired(rows: Iterable[tuple[str, Sequence[Point]]], points: Sequence[Point]) -> Iterator[list[str]]:
    """Return the cells for each row, then for each of the points that stands in none."""
    for title, row in rows:
        yield _strip(title, row)
    standing = {point for _, row in rows for point in row}
    for point in points:
        if point not in standing:
            yield _strip("", [point])


def _strip(title: str, points: Sequence[Point]) -> list[str]:
    first, last = points[0], points[-1]
    notes = [title] if title and not first.name.startswith(f"{title}.") else []
    if isinstance(first, Key):
        notes += [first.kind, f"closed {'high' if first.closed_high else 'low'}"]
        if first.settle_ms is not None:
            notes.append(f"rests {first.settle_ms} ms")
        if first.first_contact:
            notes.append("at first contact")
    pins = spans.write(point.pin for point in points if point.pin is not None)
    wires = [point.wire or "?" for point in points] if any(point.wire for point in points) else []
    return [
        first.name if first is last else f"{first.name} … {last.name}",
        ", ".join(notes),
        f"{first.part.name} {spans.write(point.channel for point in points)}",
        f"{first.connector} {pins}" if pins else "",
        ", ".join(wires),
    ]


def _kinds(console: Console) -> Iterator[tuple[str, str, str]]:
    """Tell which lamps the console had, which it has, and how many of each."""
    for (kind, fitted), count in Counter((lamp.kind, lamp.fitted) for lamp in console.lamps).items():
        had = kind.name
        if kind.model == "filament":
            times = [f"{word} in {ms:g} ms" for word, ms in (("rises", kind.rise_ms), ("falls", kind.fall_ms)) if ms]
            had += f": filament, {kind.volts:g} V, {kind.amps:g} A, {kind.kelvin} K, {', '.join(times)}"
        if kind.model == "neon":
            had += f": strikes at {kind.strikes:.0%} of its duty, holds down to {kind.holds:.0%}, {kind.colour}"
        yield f"{count} × lamp", had, _FITTED[fitted]


def _brightness(console: Console) -> Iterator[tuple[str, str, str]]:
    groups: dict[str, list[Lamp]] = {}
    for lamp in console.lamps:
        groups.setdefault(lamp.group, []).append(lamp)
    calm = console.calm
    if calm.on:
        yield "calm", f"{calm.brightness:.0%}", f"of what follows; from dark to full in {calm.fade_ms} ms at least"
    for group, lamps in groups.items():
        trims = ", ".join(f"{lamp.name} {lamp.trim:g}" for lamp in lamps if lamp.trim < 1)
        note = f"trims: {trims}" if trims else "no trims"
        yield group or "in no group", f"{lamps[0].brightness:.0%}", note


def _devices(console: Console) -> Iterator[tuple[str, str]]:
    if console.typewriter:
        yield "typewriter", _typewriter(console.typewriter)
    if console.reader:
        yield "reader", _reader(console.reader)
    if console.punch:
        rate = f"{console.punch.cards_per_minute} cards a minute"
        yield "punch", f"{_hopper(console.punch)}, {rate}, {console.punch.blank_cards} blank cards at first"


def _hopper(one: Reader | Punch) -> str:
    return f"USB port {' or '.join(one.ports)}" if one.ports else f'folder "{one.folder}"'


def _reader(one: Reader) -> str:
    keys = {"load": one.load_key, "start": one.start_key, "stop": one.stop_key, "end": one.end_key}
    named = ", ".join(f"{what} {name}" for what, name in keys.items() if name)
    said = f"{_hopper(one)}, {one.cards_per_minute} cards a minute"
    if one.stacker_cards < MOST_CARDS:
        said += f", {one.stacker_cards} cards fill the stacker"
    if one.taken_out == "finish":
        said += ", a deck that is taken out is read to its end"
    return f"{said}; keys: {named}" if named else said


def _codes(console: Console) -> Iterator[tuple[str, str]]:
    if console.reader:
        yield "reader", _code(console.reader.code)
    if console.punch:
        yield "punch", _code(console.punch.code)


def _code(code: CardCode) -> str:
    if code.like == code.name:
        return code.name
    own = ", ".join(f"{character} {holes}" for character, holes in code.holes.items())
    return f"{code.name}: like {code.like or 'nothing'}, with {own or 'nothing'} of its own"


def _typewriter(one: Typewriter) -> str:
    return (
        f"{one.device or 'no device'}, {_wires(one.rehearsed)}, {one.baud} baud "
        f"{one.data_bits}{one.parity[0].upper()}{one.stop_bits}: carries {one.line_characters_per_second:.1f} "
        f"characters a second, {one.characters_per_second:g} are typed; {one.columns} columns, "
        f"a return takes {one.return_ms} ms and {one.travel_ms:g} ms a column"
    )


def _rates(console: Console) -> Iterator[tuple[str, str]]:
    yield "lamps", f"written {console.frames.rate_hz} times a second"
    yield (
        "keys",
        f"read {console.scan.rate_hz} times a second; a change counts after {console.scan.settle_ms} ms of rest",
    )
    yield "pace", f"{console.pace.factor:g} times the real machine's"


def _bus_time(console: Console) -> Iterator[tuple[str, str, str]]:
    for bus in console.buses:
        asked = loads(bus, console.parts, console.frames, console.scan)
        for load in asked:
            yield bus.name, load.part.name, str(load)
        if asked:
            yield bus.name, "together", f"{sum(load.share for load in asked):.1%} of its time (at most {MOST:.0%})"


def _cautions(console: Console) -> Iterator[str]:
    """Say what is allowed, but may not be meant, or bites one day."""
    for bus in console.buses:
        if not any(part.bus == bus for part in console.parts):
            yield f'bus "{bus.name}" has no part on it'
        if bus.kind == "i2c" and bus.rate_hz > header.I2C_USUAL:
            yield f'bus "{bus.name}" is faster than the {header.I2C_USUAL:,} Hz the board is made for: keep it short'
    yield from _lamp_cautions(console)
    for code in console.card_codes:
        if not any(machine and machine.code == code for machine in (console.reader, console.punch)):
            yield f'card_code "{code.name}" is the code of neither reader nor punch'
    for part in console.parts:
        yield from _part_cautions(part)
        if part.facts.serves == "keys":
            yield from _key_cautions(part, [key for key in console.keys if key.part == part])
    device = console.typewriter and console.typewriter.device
    if device and device.startswith(("/dev/ttyUSB", "/dev/ttyACM")):
        yield f"{device} may be another device after a restart: take its name from /dev/serial/by-id"


def _part_cautions(part: Part) -> Iterator[str]:
    if part.facts.limits:
        yield f'part "{part.name}": {part.facts.limits}'
    lit = [gpio for gpio in part.gpios if gpio in header.PULLED_UP and part.facts.serves == "lamps"]
    if lit:
        yield f'part "{part.name}": the board holds GPIO {spans.write(lit)} high until the daemon runs: lamps may glow'
    if not part.diodes:
        yield f'part "{part.name}" has no diodes: keys that hide others are held as they were'
    for line in part.facts.lines:
        if line.optional and line.key not in part.lines:
            yield f'part "{part.name}" has no {line.key} line: while its bus fails, nothing darkens its lamps'


def _key_cautions(part: Part, keys: Iterable[Key]) -> Iterator[str]:
    if part.pull != "none":
        # A cable that has come off leaves every input to its resistor: only a channel held against that can tell.
        level, fixed = ("low", part.always_low) if part.pull == "up" else ("high", part.always_high)
        if not fixed:
            yield f'part "{part.name}" has no channel that is always {level}: a loose cable looks like open contacts'
        for key in keys:
            if key.closed_high == (part.pull == "up"):
                level = "high" if key.closed_high else "low"
                asked = f'key "{key.name}"{_where(key)} closes {level}, as its resistor pulls'
                yield f"{asked}: right for a contact that breaks"
    elif part.facts.tail:
        if not part.proves_its_cable:
            level = "high" if part.far_end == "low" else "low"
            yield (
                f'part "{part.name}": its last channel ({part.channels - 1}) is not always {level}, as its serial_in '
                f"is {part.far_end}: a wire that breaks between its chips can look like keys"
            )
    elif not (part.always_high and part.always_low):
        level = "low" if part.always_high else "high"
        yield f'part "{part.name}" has no channel that is always {level}: a loose cable can look like keys'


def _where(point: Point) -> str:
    return f" ({point.at})" if point.at else ""


def _lamp_cautions(console: Console) -> Iterator[str]:
    for kind in console.lamp_kinds:
        if not any(lamp.kind == kind for lamp in console.lamps):
            yield f'kind "{kind.name}" is that of no lamp'
    for group in console.groups:
        if not any(lamp.group == group.name for lamp in console.lamps):
            yield f'group "{group.name}" has no lamp in it'
    for lamp in console.lamps:
        if lamp.switched and (lamp.brightness < 1 or lamp.trim < 1):
            what = "a neon" if lamp.fitted == "neon" else f"on a {lamp.part.facts.name}"
            yield f'lamp "{lamp.name}"{_where(lamp)} is {what}, lit or not: neither brightness nor trim dims it'
