"""From sound tables to a console: names looked up, rows spread out, and any two places checked against each other."""

from collections.abc import Iterable, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, Literal

from bridge.console import cardcodes, electrical, header, shape, spans, words
from bridge.console.bustime import MOST, loads
from bridge.console.claims import Claims, Owner, quoted
from bridge.console.facts import (
    MOST_CARDS,
    Bus,
    Calm,
    CardCode,
    Console,
    Fed,
    Frames,
    Group,
    Key,
    KeyKind,
    KeyRow,
    Lamp,
    LampKind,
    LampRow,
    Pace,
    Part,
    Punch,
    Reader,
    Rotary,
    Scan,
    Supply,
    Typewriter,
)
from bridge.console.findings import Finding, suggest
from bridge.console.lampkinds import BUILT_IN
from bridge.console.locate import KeyPath
from bridge.console.sheet import Sheet

Strip = shape.LampRow | shape.Lamp | shape.KeyRow | shape.Key | shape.Rotary
"""Anything wired to a part: names, channels, and perhaps pins and wires, each list in the same order."""

Wiring = tuple[str, Part, int, str | None, str | None, str | None, str | None, int]
"""The fields of a `Point`."""

_NO_BUS = Bus("", "spi", 0, 1, rehearsed=True, place=0)
"""Stands in for a bus that is not described, so that the rest of its part can still be checked."""

MOST_ROWS = 16
"""Rows, and columns, of a matrix at most."""
PINS = 16
"""Of a chip that a matrix can be on."""

_PLAIN_LINES = {
    rehearsed: Bus("rehearsed lines" if rehearsed else "plain lines", "lines", 0, 0, rehearsed, place=0)
    for rehearsed in (False, True)
}
"""What all parts that are lines only have for a bus."""


_NEED_START = {
    "load_key": "a deck that was loaded by mistake would move at once",
    "stop_key": "nothing would make it go on",
    "stacker_cards": "a stacker that is full could not be emptied while a deck is being read",
}
"""Keys of [reader] that are of no use without its start_key, and why."""


def build(path: Path, sheet: Sheet) -> tuple[Console, list[Finding]]:
    """Return the console of the file at `path`, and everything wrong with it.

    With findings, the console is what could be made of the rest, and not to be used.
    """
    builder = _Builder(sheet)
    console = builder.console(path)
    return console, [*sheet.findings, *builder.findings()]


class _Builder:
    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._found: list[Finding] = []
        self._supplies: dict[str, Supply] = {}
        self._buses: dict[str, Bus] = {}
        self._parts: dict[str, Part] = {}
        self._ports = {kind: Claims(f"{word} port") for kind, word in header.BUSES.items()}
        self._gpio = Claims("GPIO")
        self._selects = Claims("chip select")
        self._addresses = Claims("address", spans.write_addresses)
        self._holding_miso: dict[str, Part] = {}
        self._channels = Claims("channel")
        self._pins = Claims("pin")
        self._folders = Claims("folder", quoted)
        self._sockets = Claims("USB port", quoted)
        self._kinds = dict(BUILT_IN)
        self._groups: dict[str, Group] = {}
        self._codes = {name: CardCode(name, name) for name in cardcodes.BUILT_IN}
        sorts = ("supply", "bus", "part", "lamp", "key", "lamp_kind", "group", "card_code")
        self._names = {sort: Claims(f"{sort} name", quoted) for sort in sorts}

    def findings(self) -> list[Finding]:
        wired = (*self._ports.values(), self._gpio, self._selects, self._addresses, self._channels, self._pins)
        claims = (*wired, self._folders, self._sockets, *self._names.values())
        return [*self._found, *chain.from_iterable(one.findings() for one in claims)]

    def console(self, path: Path) -> Console:
        document, tables = self._sheet.document, self._sheet.tables
        supplies = tuple(self._supply(*one) for one in tables("supply", document.supply))
        buses = tuple(self._bus(*one) for one in tables("bus", document.bus))
        parts = tuple(self._part(*one) for one in tables("part", document.part))
        for where, kind in tables("lamp_kind", document.lamp_kind):
            self._lamp_kind(where, kind)
        for where, neon in tables("neon_kind", document.neon_kind):
            self._neon_kind(where, neon)
        for where, group in tables("group", document.group):
            self._names["group"].take(group.name, self._owner(where, "name"))
            self._groups[group.name] = Group(group.name, group.brightness)
        for where, code in tables("card_code", document.card_code):
            self._card_code(where, code)
        self._all_lamps = document.lamps
        if self._sheet.whole("lamps"):
            self._kind(("lamps",), document.lamps.kind)
        lamp_rows = tuple(self._lamp_row(*one) for one in tables("lamp_row", document.lamp_row))
        lamps = [self._lamps(*one) for one in tables("lamp", document.lamp)]
        key_rows = tuple(self._key_row(*one) for one in tables("key_row", document.key_row))
        rotaries = tuple(self._rotary(*one) for one in tables("rotary", document.rotary))
        keys = [self._keys(where, key, key.kind) for where, key in tables("key", document.key)]
        board = None if document.board is None else document.board.model
        all_lamps = tuple(chain(*(row.lamps for row in lamp_rows), *lamps))
        self._check_electrical(electrical.Judged(board, supplies, buses, parts, all_lamps))
        frames = Frames(document.frames.rate_hz)
        scan = self._scan(document.scan)
        if self._sheet.whole("frames") and self._sheet.whole("scan"):
            for where, bus in tables("bus", document.bus):
                self._check_time(where, self._buses[bus.name], parts, frames, scan)
        return Console(
            path=path,
            name=document.name,
            board=board,
            supplies=supplies,
            buses=(*buses, *dict.fromkeys(part.bus for part in parts if part.bus.kind == "lines")),
            parts=parts,
            lamps=all_lamps,
            lamp_rows=lamp_rows,
            keys=tuple(chain(*(row.keys for row in key_rows), *(rotary.keys for rotary in rotaries), *keys)),
            key_rows=key_rows,
            rotaries=rotaries,
            lamp_kinds=tuple(kind for name, kind in self._kinds.items() if name not in BUILT_IN),
            groups=tuple(self._groups.values()),
            calm=Calm(document.lamps.calm, document.lamps.calm_brightness, document.lamps.calm_fade_ms),
            frames=frames,
            scan=scan,
            pace=Pace(document.pace.factor),
            typewriter=None if document.typewriter is None else self._typewriter(document.typewriter),
            card_codes=tuple(code for name, code in self._codes.items() if name not in cardcodes.BUILT_IN),
            reader=None if document.reader is None else self._reader(document.reader),
            punch=None if document.punch is None else self._punch(document.punch),
            interlocks=tuple(self._interlock(*one) for one in tables("interlock", document.interlock)),
        )

    # Where things stand, and saying that they are wrong.

    def _title(self, where: KeyPath) -> str:
        return words.title(where, self._sheet.raw)

    def _line(self, where: KeyPath, key: str = "") -> int:
        """Return the line of a key of a table ("pins" is "pin" where one stands alone), else that of the table."""
        at = self._sheet.places.at
        return max(at((*where, key)), at((*where, key.removesuffix("s"))))

    def _owner(self, where: KeyPath, key: str) -> Owner:
        return Owner(self._title(where), self._line(where, key))

    def _wrong(self, where: KeyPath, key: str, wrong: str, todo: str) -> None:
        self._found.append(Finding(self._line(where, key), wrong, todo))

    # Buses and parts.

    def _supply(self, where: KeyPath, table: shape.Supply) -> Supply:
        self._names["supply"].take(table.name, self._owner(where, "name"))
        with_board = {"with the board": True, "by itself": False}.get(table.on)
        supply = Supply(table.name, table.volts, table.amps, table.fuse, with_board, self._line(where))
        return self._supplies.setdefault(table.name, supply)

    def _fed_from(self, where: KeyPath, table: shape.Table, key: str) -> Supply | None:
        """Return the supply that a key of a table names, None if it names none that is described."""
        name = getattr(table, key, None)
        if name is not None and name not in self._sheet.names("supply"):
            wrong = f'"{key}" of {self._title(where)} is "{name}", which is no supply that is described'
            self._wrong(where, key, wrong, suggest(name, self._supplies))
        return self._supplies.get(name) if name is not None else None

    def _fed(self, where: KeyPath, table: shape.Part) -> Fed:
        amps = getattr(table, "lamp_ma", None)
        return Fed(
            supply=self._fed_from(where, table, "supply"),
            shifted=table.shifter,
            blank_pull=self._fed_from(where, table, "blank_pulled_to"),
            contacts=self._fed_from(where, table, "contacts"),
            lamp_supply=self._fed_from(where, table, "lamp_supply"),
            lamp_volts=getattr(table, "lamp_volts", None),
            lamp_amps=None if amps is None else amps / 1000,
            ohms=getattr(table, "reference_ohms", None) or getattr(table, "resistor_ohms", None),
            transistors=getattr(table, "transistors", False),
        )

    def _check_electrical(self, judged: electrical.Judged) -> None:
        for fault in electrical.faults(judged):
            section = type(fault.about).__name__.lower()
            tables = self._sheet.tables(section, getattr(self._sheet.document, section))
            where = next(where for where, table in tables if table.name == fault.about.name)
            self._wrong(where, fault.key, fault.wrong, fault.todo)

    def _bus(self, where: KeyPath, table: shape.Bus) -> Bus:
        self._names["bus"].take(table.name, self._owner(where, "name"))
        owner = self._owner(where, "port")
        lines = header.BUS_LINES[table.kind].get(table.port, {})
        if not lines:
            wrong = f"{self._title(where)} is on I2C {table.port}, which the board keeps for itself"
            self._wrong(where, "port", wrong, "use port = 1")
        elif self._ports[table.kind].take(table.port, owner):
            for number in lines:
                self._gpio.take(number, owner)
        fastest = header.FASTEST[table.kind]
        if table.rate_hz > fastest:
            ours = header.BUSES[table.kind]
            wrong = f"{self._title(where)} runs at {table.rate_hz:,} Hz, but {ours} at most at {fastest:,} Hz"
            self._wrong(where, "rate_hz", wrong, "lower it")
        rehearsed = table.wires == "rehearsed"
        rate, pulled_to = min(table.rate_hz, fastest), self._fed_from(where, table, "pulled_to")
        bus = Bus(table.name, table.kind, table.port, rate, rehearsed, self._line(where), pulled_to)
        return self._buses.setdefault(table.name, bus)

    def _part(self, where: KeyPath, table: shape.Part) -> Part:
        self._names["part"].take(table.name, self._owner(where, "name"))
        for key, number in table.lines.items():
            self._gpio.take(number, Owner(f'"{key}" of {self._title(where)}', self._line(where, key)))
        part = Part(
            name=table.name,
            facts=table.facts,
            **self._placed(where, table),
            lines=table.lines,
            always_high=tuple(table.sentinels.get("always_high", ())),
            always_low=tuple(table.sentinels.get("always_low", ())),
            pwm_hz=table.switched_hz,
            pull=table.pulled,
            place=self._line(where),
            fed=self._fed(where, table),
            **self._chained(where, table),
        )
        if part.facts.holds_miso and part.bus is not _NO_BUS:
            self._take_miso(where, part)
        for key, channels in table.sentinels.items():
            self._take_channels(Owner(f'"{key}" of {self._title(where)}', self._line(where, key)), part, channels)
        return self._parts.setdefault(table.name, part)

    def _placed(self, where: KeyPath, table: shape.Part) -> dict[str, Any]:
        """Return the fields of a part that tell where it is wired to the board."""
        placed: dict[str, Any] = {"select": 0}
        if isinstance(table, shape.MatrixPart):
            placed |= {"rows": tuple(table.rows), "columns": tuple(table.columns), "diodes": table.diodes}
            self._check_matrix(where, table)
        if isinstance(table, shape.LineMatrix):
            for key in ("rows", "columns"):
                self._take_gpios(where, key, getattr(table, key))
            return placed | {"bus": _PLAIN_LINES[table.wires == "rehearsed"], "chips": 1}
        if isinstance(table, shape.LinePart):
            self._take_gpios(where, "gpios", table.gpios)
            self._check_pull(where, table)
            bus = _PLAIN_LINES[table.wires == "rehearsed"]
            return placed | {"bus": bus, "chips": len(table.gpios), "gpios": tuple(table.gpios)}
        assert isinstance(table, shape.BusPart)  # noqa: S101 -- there are no others
        bus = self._bus_of(where, table)
        if isinstance(table, shape.SpiPart):
            placed["select"] = table.select
            if bus is not _NO_BUS:
                self._take_select(where, table.select, bus)
        if isinstance(table, shape.I2cPart):
            placed["addresses"] = tuple(table.addresses)
            self._take_addresses(where, table, bus)
        return placed | {"bus": bus, "chips": table.chips}

    def _chained(self, where: KeyPath, table: shape.Part) -> dict[str, Any]:
        """Return the fields of a part that tell how its chips are chained."""
        if not isinstance(table, shape.KeyPart):
            return {}
        chips = table.chips if isinstance(table, shape.BusPart) else 1
        cables = tuple(table.cables)
        if len(cables) not in {0, 1, chips}:
            wrong = f'"cables" of {self._title(where)} lists {len(cables)}, but it has {chips} chips'
            self._wrong(where, "cables", wrong, "list one for each, or one for all")
        fields: dict[str, Any] = {"cables": cables * chips if len(cables) == 1 else cables}
        if isinstance(table, shape.ChainPart):
            fields["far_end"] = table.serial_in
        return fields

    def _bus_of(self, where: KeyPath, table: shape.BusPart) -> Bus:
        """Return the bus a part is on, one that stands in if it cannot be that one."""
        facts = table.facts
        bus = self._buses.get(table.bus)
        if bus is None:
            if table.bus not in self._sheet.names("bus"):
                wrong = f'{self._title(where)} is on bus "{table.bus}", which is not described'
                self._wrong(where, "bus", wrong, suggest(table.bus, self._buses))
            return _NO_BUS
        if bus.kind != facts.bus:
            ours, its = header.BUSES[bus.kind], header.BUSES[facts.bus or ""]
            wrong = f'{self._title(where)} is on bus "{bus.name}", which is {ours} (line {bus.place})'
            self._wrong(where, "bus", f"{wrong}, but a {facts.name} needs {its}", f"name a bus of kind {facts.bus}")
            return _NO_BUS
        if bus.rate_hz > facts.max_rate_hz:
            wrong = (
                f'{self._title(where)} is on bus "{bus.name}", which runs at {bus.rate_hz:,} Hz (line {bus.place}), '
                f"but a {facts.name} takes at most {facts.max_rate_hz:,} Hz ({facts.source})"
            )
            self._wrong(where, "bus", wrong, "lower the rate_hz of the bus")
        return bus

    def _take_select(self, where: KeyPath, select: int, bus: Bus) -> None:
        selects = header.selects(bus.port)
        if select < selects:
            self._selects.take(select, self._owner(where, "select"), f'bus "{bus.name}"')
        else:
            wrong = f"{self._title(where)} is on chip select {select}, but SPI {bus.port} has 0 to {selects - 1}"
            self._wrong(where, "select", wrong, "use one of those")

    def _take_addresses(self, where: KeyPath, table: shape.I2cPart, bus: Bus) -> None:
        facts = table.facts
        beyond = [address for address in table.addresses if address not in facts.addresses]
        if beyond:
            wrong = f"{self._title(where)} has a chip at {spans.write_addresses(beyond)}, where no {facts.name} answers"
            self._wrong(where, "address", wrong, f"use {spans.write_addresses(facts.addresses)}")
        if bus is not _NO_BUS:
            for address in table.addresses:
                self._addresses.take(address, self._owner(where, "address"), f'bus "{bus.name}"')

    def _take_gpios(self, where: KeyPath, key: str, gpios: Sequence[int]) -> None:
        owner = self._owner(where, key)
        for number in gpios:
            try:
                header.gpio(number)
            except ValueError as error:
                wrong, *todo = error.args
                self._wrong(where, key, f'one of the "{key}" of {owner.who} {wrong}', *todo)
            else:
                self._gpio.take(number, owner)

    def _check_matrix(self, where: KeyPath, table: shape.MatrixPart) -> None:
        if len(table.rows) > MOST_ROWS or len(table.columns) > MOST_ROWS:
            wrong = f"{self._title(where)} is {len(table.rows)} rows by {len(table.columns)} columns"
            self._wrong(where, "rows", f"{wrong}, but {MOST_ROWS} by {MOST_ROWS} are the most", "make two of it")
        if not isinstance(table, shape.ChipMatrix):
            return
        owners = {key: Owner(f'"{key}" of {self._title(where)}', self._line(where, key)) for key in ("rows", "columns")}
        taken = Claims("pin")
        known = dict(table.facts.outputs_only)
        for key, owner in owners.items():
            for pin in getattr(table, key):
                taken.take(pin, owner)
                if pin in known:
                    wrong = f"{owner.who} has pin {pin}, which is {known[pin]}: an output, and no input"
                    self._wrong(where, key, f"{wrong} ({table.facts.source})", "use pins 0-6 and 8-14")
                elif pin >= PINS:
                    self._wrong(where, key, f"{owner.who} has pin {pin}, but the chip has 0-15", "use 0-6 and 8-14")
        self._found += taken.findings()

    def _check_pull(self, where: KeyPath, table: shape.LinePart) -> None:
        held = [number for number in table.gpios if number in header.PULLED_UP_FOR_GOOD]
        if held and table.facts.pulls and table.pulled != "up":
            pins = spans.write(held)
            wrong = f"{self._title(where)} has GPIO {pins}, which the board pulls up for good (1.8 kΩ, for I2C)"
            self._wrong(where, "gpios", wrong, 'use other lines, or pull = "up"')

    def _take_miso(self, where: KeyPath, part: Part) -> None:
        """Keep two parts that drive MISO all the time from driving it against each other."""
        first = self._holding_miso.setdefault(part.bus.name, part)
        if first is not part:
            wrong = (
                f'{self._title(where)} is on bus "{part.bus.name}" with part "{first.name}" (line {first.place}), and '
                f"both drive MISO all the time: a {part.facts.name} does, selected or not"
            )
            todo = f'wire its chips into the chain of "{first.name}", or put it on another bus'
            self._wrong(where, "bus", wrong, todo)

    def _take_channels(self, owner: Owner, part: Part, channels: Sequence[int]) -> None:
        beyond = [channel for channel in channels if channel >= part.channels]
        if beyond:
            wrong = (
                f'{owner.who} goes to channel {spans.write(beyond)} of part "{part.name}" (line {part.place}), '
                f"but {part.size} is channels 0-{part.channels - 1}"
            )
            self._found.append(Finding(owner.line, wrong, "count again, or make it larger"))
        for channel in channels:
            if channel < part.channels:
                self._channels.take(channel, owner, f'part "{part.name}"')
        for channel in channels:
            if channel in part.outputs_only:
                wrong = (
                    f'{owner.who} goes to channel {channel} of part "{part.name}" (line {part.place}), which is '
                    f"{part.outputs_only[channel]}: an output, and no input ({part.facts.source})"
                )
                self._found.append(Finding(owner.line, wrong, "move it to another channel"))

    def _check_time(self, where: KeyPath, bus: Bus, parts: Iterable[Part], frames: Frames, scan: Scan) -> None:
        asked = loads(bus, parts, frames, scan)
        share = sum(load.share for load in asked)
        if share > MOST:
            each = ", ".join(f'"{load.part.name}" takes {load}' for load in asked)
            wrong = f"{self._title(where)} is too slow: {each}, together {share:.1%} of its time (at most {MOST:.0%})"
            self._wrong(
                where, "rate_hz", wrong, "raise its rate_hz, lower that of [frames] or [scan], or use two buses"
            )
        lamps = [load.seconds for load in asked if load.part.facts.serves == "lamps"]
        keys = [load.seconds for load in asked if load.part.facts.serves == "keys"]
        if lamps and keys and max(lamps) + sum(keys) > 1 / scan.rate_hz:
            wrong = (
                f"{self._title(where)} cannot keep up the scan: {max(lamps) * 1e3:.3f} ms for a lamp transfer and "
                f"{sum(keys) * 1e3:.3f} ms for the keys, in the {1e3 / scan.rate_hz:.3f} ms between two scans"
            )
            self._wrong(where, "rate_hz", wrong, "raise its rate_hz, lower that of [scan], or use two buses")

    # Lamps and keys.

    def _points(self, where: KeyPath, sort: Literal["lamp", "key"], table: Strip) -> list[Wiring]:
        """Check what lamps and keys have in common, and return each that can be made out."""
        count = len(table.names)
        for name in table.names:
            self._names[sort].take(name, self._owner(where, "name"))
        for key, listed in (("channels", table.channels), ("pins", table.pins), ("wires", table.wires)):
            if listed is not None and len(listed) != count:
                wrong = f'"{key}" of {self._title(where)} lists {len(listed)}, but it has {count} {sort}s'
                self._wrong(where, key, wrong, "list one for each")
        self._take_pins(where, table)
        part = self._serving(where, sort, table.part)
        if part is None:
            return []
        self._take_channels(self._owner(where, "channels"), part, table.channels)
        none: list[str | None] = [None] * count
        wiring = zip(table.names, table.channels, table.pins or none, table.wires or none, strict=False)
        place = self._line(where)
        about, by = table.connector, table.revision
        return [(name, part, channel, about, pin, wire, by, place) for name, channel, pin, wire in wiring]

    def _take_pins(self, where: KeyPath, table: Strip) -> None:
        if (table.connector is None) != (table.pins is None) and self._sheet.all_known(where):
            has, lacks = ("connector", "pins") if table.pins is None else ("pins", "connector")
            self._wrong(where, has, f"{self._title(where)} has {has} but no {lacks}", "give both or neither")
        for pin in table.pins or ():
            if table.connector is not None:
                self._pins.take(pin, self._owner(where, "pins"), f'connector "{table.connector}"')

    def _serving(self, where: KeyPath, sort: Literal["lamp", "key"], name: str) -> Part | None:
        """Return the part called `name`, or None if it cannot serve lamps or keys, or has findings of its own."""
        part = self._parts.get(name)
        if part and part.facts.serves == f"{sort}s":
            return part
        if part:
            wrong = f'{self._title(where)} is on part "{name}", but a {part.facts.name} serves {part.facts.serves}'
            self._wrong(where, "part", wrong, f"name a part that serves {sort}s")
        elif name not in self._sheet.names("part"):
            wrong = f'{self._title(where)} is on part "{name}", which is not described'
            self._wrong(where, "part", wrong, suggest(name, self._parts))
        return None

    def _lamps(self, where: KeyPath, table: shape.LampRow | shape.Lamp) -> tuple[Lamp, ...]:
        # A kind that [lamps] names wrongly is told there, once.
        usual = self._kinds.get(self._all_lamps.kind, BUILT_IN["instant"])
        kind = usual if table.kind is None else self._kind(where, table.kind)
        brightness = self._all_lamps.brightness
        if table.group in self._groups:
            brightness = self._groups[table.group].brightness
        elif table.group is not None and table.group not in self._sheet.names("group"):
            wrong = f'{self._title(where)} is in group "{table.group}", which is not described'
            self._wrong(where, "group", wrong, suggest(table.group, self._groups))
        count = len(table.names)
        if table.trims is not None and len(table.trims) != count:
            wrong = f'"trims" of {self._title(where)} lists {len(table.trims)}, but it has {count} lamps'
            self._wrong(where, "trims", wrong, "list one for each")
        if table.trims is not None and "trim" in table.model_fields_set:
            self._wrong(where, "trim", f"{self._title(where)} has both trim and trims", "give one of them")
        trims = dict(zip(table.names, table.trims or (), strict=False))
        return tuple(
            Lamp(*point, kind, table.fitted, table.group or "", brightness, trims.get(point[0], table.trim))
            for point in self._points(where, "lamp", table)
        )

    def _lamp_kind(self, where: KeyPath, table: shape.LampKind) -> None:
        self._name_kind(where, table.name)
        if table.rise_ms is None and table.fall_ms is None:
            wrong = f"{self._title(where)} says neither how fast its light rises nor how fast it falls"
            self._wrong(where, "name", wrong, "add rise_ms or fall_ms, measured from 10 to 90 % of its light")
        self._kinds[table.name] = LampKind(model="filament", **table.model_dump())

    def _neon_kind(self, where: KeyPath, table: shape.NeonKind) -> None:
        self._name_kind(where, table.name)
        if table.holds > table.strikes:
            wrong = f"{self._title(where)} holds at {table.holds:g}, above where it strikes, {table.strikes:g}"
            self._wrong(where, "holds", wrong, "a neon stays lit below the duty that lights it: lower holds")
        self._kinds[table.name] = LampKind(model="neon", **table.model_dump())

    def _name_kind(self, where: KeyPath, name: str) -> None:
        if name in BUILT_IN:
            wrong = f"{self._title(where)} has the name of a built-in kind"
            self._wrong(where, "name", wrong, "give it another")
        self._names["lamp_kind"].take(name, self._owner(where, "name"))

    def _kind(self, where: KeyPath, name: str) -> LampKind:
        described = {*self._kinds, *self._sheet.names("lamp_kind"), *self._sheet.names("neon_kind")}
        if name not in described:
            wrong = f'{self._title(where)} had lamps of kind "{name}", which is not described'
            self._wrong(where, "kind", wrong, suggest(name, self._kinds))
        return self._kinds.get(name, BUILT_IN["instant"])

    def _keys(self, where: KeyPath, table: shape.KeyRow | shape.Key | shape.Rotary, kind: KeyKind) -> tuple[Key, ...]:
        period_ms = 1000 / self._sheet.document.scan.rate_hz
        if table.settle_ms is not None and table.settle_ms < period_ms and self._sheet.whole("scan"):
            wrong = (
                f"{self._title(where)} is to rest for {table.settle_ms} ms, which cannot be seen by reading the keys "
                f"every {period_ms:g} ms"
            )
            self._wrong(where, "settle_ms", wrong, "raise its settle_ms or the rate_hz of [scan]")
        stuck_s = None
        if isinstance(table, shape.Pressed) and kind in {"momentary", "push-on/push-off"}:
            stuck_s = table.stuck_s
        contact = (kind, table.closed == "high", table.settle_ms, table.report == "first contact", stuck_s)
        return tuple(Key(*point, *contact) for point in self._points(where, "key", table))

    def _lamp_row(self, where: KeyPath, table: shape.LampRow) -> LampRow:
        return LampRow(table.name, table.title or table.name, self._lamps(where, table), self._line(where))

    def _key_row(self, where: KeyPath, table: shape.KeyRow) -> KeyRow:
        keys = self._keys(where, table, table.kind)
        return KeyRow(table.name, table.title or table.name, table.kind, keys, self._line(where))

    def _rotary(self, where: KeyPath, table: shape.Rotary) -> Rotary:
        keys = self._keys(where, table, "position")
        title = table.title or table.name
        return Rotary(table.name, title, tuple(table.positions), keys, self._line(where))

    def _interlock(self, where: KeyPath, table: shape.Interlock) -> tuple[str, ...]:
        known = self._key_names()
        excluded = Claims("key", quoted)
        for name in table.keys:
            excluded.take(name, self._owner(where, "keys"))
            if name not in known and self._sheet.sound("key", "key_row", "rotary"):
                wrong = f'{self._title(where)} has "{name}", which is no key'
                self._wrong(where, "keys", wrong, suggest(name, known))
        self._found += excluded.findings()
        return tuple(table.keys)

    def _key_names(self) -> list[str]:
        document = self._sheet.document
        strips: tuple[Strip, ...] = (*document.key_row, *document.rotary, *document.key)
        return [name for strip in strips for name in strip.names]

    # The rest.

    def _scan(self, table: shape.Scan) -> Scan:
        period_ms = 1000 / table.rate_hz
        if table.settle_ms < period_ms:
            wrong = f"a rest of {table.settle_ms} ms cannot be seen by reading the keys every {period_ms:g} ms"
            self._wrong(("scan",), "settle_ms", wrong, "raise settle_ms or the rate_hz of [scan]")
        return Scan(table.rate_hz, table.settle_ms)

    def _typewriter(self, table: shape.Typewriter) -> Typewriter:
        where = ("typewriter",)
        if table.wires == "real" and table.device is None:
            self._wrong(where, "wires", "the wires of [typewriter] are real, but it has no device", "add a device")
        if table.device in header.SERIAL_DEVICES:
            for number in header.SERIAL_LINES:
                self._gpio.take(number, self._owner(where, "device"))
        values = table.model_dump(exclude={"wires"})
        typewriter = Typewriter(**values, rehearsed=table.wires == "rehearsed", place=self._line(where))
        carried = typewriter.line_characters_per_second
        if carried < table.characters_per_second:
            wrong = (
                f"[typewriter] types {table.characters_per_second:g} characters a second, but at {table.baud} baud "
                f"with these bits its line carries {carried:.2f}"
            )
            self._wrong(where, "baud", wrong, "take a higher baud, or lower characters_per_second")
        return typewriter

    def _card_code(self, where: KeyPath, table: shape.CardCode) -> None:
        if table.name in cardcodes.BUILT_IN:
            wrong = f"{self._title(where)} has the name of a built-in code"
            self._wrong(where, "name", wrong, "give it another")
        self._names["card_code"].take(table.name, self._owner(where, "name"))
        taken: dict[str, str] = {}
        for character, holes in table.holes.items():
            other = taken.setdefault(holes, character)
            if other != character:
                line = self._sheet.places.at((*where, "holes", character))
                wrong = f'"{other}" and "{character}" of {self._title(where)} are both {holes}'
                self._found.append(Finding(line, wrong, "give each character holes of its own"))
        like = "" if table.like == cardcodes.NOTHING else table.like
        self._codes[table.name] = CardCode(table.name, like, table.holes)

    def _code(self, where: KeyPath, name: str) -> CardCode:
        if name not in self._codes and name not in self._sheet.names("card_code"):
            wrong = f'{self._title(where)} has cards in code "{name}", which is not described'
            self._wrong(where, "code", wrong, suggest(name, self._codes))
        return self._codes.get(name, self._codes[cardcodes.BUILT_IN[0]])

    def _hopper(self, section: Literal["reader", "punch"], table: shape.Hopper) -> Path | None:
        """Check where sticks go; return the folder that stands for them, None if they are real."""
        where = (section,)
        if table.port is not None and table.folder is not None:
            wrong = f'[{section}] has both "port" and "folder"'
            self._wrong(where, "folder", wrong, "leave the folder out if sticks go into that port, else the port")
        if table.port is None and table.folder is None and self._sheet.all_known(where):
            wrong = f'[{section}] has neither "port" nor "folder"'
            todo = f'run consolewright sticks watch for the line of the port, or write folder = "{section}" at the desk'
            self._wrong(where, "", wrong, todo)
        for port in table.port or ():
            self._sockets.take(port, self._owner(where, "port"))
        if table.folder is None:
            return None
        self._folders.take(table.folder, self._owner(where, "folder"))
        return Path(table.folder)

    def _reader(self, table: shape.Reader) -> Reader:
        where = ("reader",)
        keys = self._key_names()
        pressed = Claims("key", quoted)
        for key, name in table.keys.items():
            if name not in keys and self._sheet.sound("key", "key_row", "rotary"):
                self._wrong(where, key, f'{key} of [reader] is "{name}", which is no key', suggest(name, keys))
            pressed.take(name, Owner(f'"{key}" of [reader]', self._line(where, key)))
        self._found += pressed.findings()
        if table.start_key is None and self._sheet.all_known(where):
            for key, why in _NEED_START.items():
                if getattr(table, key) not in {None, MOST_CARDS}:
                    self._wrong(where, key, f'[reader] has "{key}" but no "start_key": {why}', "add a start_key")
        values = table.model_dump(exclude={"folder", "port", "code"})
        values |= {key: table.keys.get(key, "") for key in shape.READER_KEYS}
        place, code, ports = self._line(where), self._code(where, table.code), table.port or ()
        return Reader(self._hopper("reader", table), **values, code=code, place=place, ports=ports)

    def _punch(self, table: shape.Punch) -> Punch:
        folder, ports = self._hopper("punch", table), table.port or ()
        code = self._code(("punch",), table.code)
        place = self._line(("punch",))
        return Punch(folder, table.cards_per_minute, code, table.blank_cards, place, ports)
