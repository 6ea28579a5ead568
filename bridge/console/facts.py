"""A console as its description says: everything resolved, nothing left to look up.

`place` is the line of the description where a thing stands (for a lamp or key of a row, the row).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from bridge.parts.facts import Facts, Pull

KeyKind = Literal["toggle", "momentary", "push-on/push-off", "key lock", "position"]


@dataclass(frozen=True)
class Supply:
    """A supply of the console: its volts, the `amps` it gives at most, the rating of its `fuse` in amperes.

    It is on `with_board` only, or also while the board is off. None is what the description does not say.
    """

    name: str
    volts: float
    amps: float | None = None
    fuse: float | None = None
    with_board: bool | None = None
    place: int = 0


@dataclass(frozen=True)
class Fed:
    """How a part is powered and what its lamps take, as far as the description says.

    `shifted` are the directions in which its signals pass a level shifter. `blank_pull` is the supply to which its
    blank line is held up; `contacts` the one that contacts and their resistors go to. Each lamp takes `lamp_volts` and
    is to carry `lamp_amps`; `ohms` are those of the resistor in series with each lamp, or at IREF of a chip that holds
    the current. With `transistors` the lamps' current does not pass through the part.
    """

    supply: Supply | None = None
    shifted: Literal["none", "to part", "to board", "both"] = "none"
    blank_pull: Supply | None = None
    contacts: Supply | None = None
    lamp_supply: Supply | None = None
    lamp_volts: float | None = None
    lamp_amps: float | None = None
    ohms: float | None = None
    transistors: bool = False


@dataclass(frozen=True)
class Bus:
    """A bus of the board; `port` is its number there. A rehearsed one has no wires behind it.

    `pulled_to` is the supply that resistors of its own pull it up to, None if it has none or nobody says.

    Parts that are lines only share one of kind "lines", which no description names: it has a turn, and no clock.
    """

    name: str
    kind: Literal["spi", "i2c", "lines"]
    port: int
    rate_hz: int
    rehearsed: bool
    place: int
    pulled_to: Supply | None = None


@dataclass(frozen=True)
class Part:
    """A chain of `chips` of one type; `lines` gives the GPIO (BCM) number of each control line, optional ones if wired.

    `select` is its chip select on SPI, `addresses` those of its chips on I2C, `gpios` its channels if it is lines
    only; 0 and empty elsewhere. `pwm_hz` is how often a second its outputs are switched to dim a lamp, None if they are
    not. `pull` is the resistor on each input, "none" where builders fit their own. `always_high` and `always_low` are
    sentinel channels, fixed by wiring; empty for parts that serve lamps. The `rows` and `columns` of a matrix are GPIO
    numbers, or pins of its chip; without `diodes`, keys that are held together can hide others. `far_end` is the level
    that the serial input of a key chain's last chip is wired to. `cables` are the names of what leads to each chip,
    nearest the board first; empty if nobody named them.
    """

    name: str
    facts: Facts
    chips: int
    bus: Bus
    select: int
    lines: Mapping[str, int] = field(hash=False)
    always_high: tuple[int, ...]
    always_low: tuple[int, ...]
    place: int
    addresses: tuple[int, ...] = ()
    gpios: tuple[int, ...] = ()
    pwm_hz: float | None = None
    pull: Pull = "none"
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    diodes: bool = True
    fed: Fed = Fed()
    far_end: Literal["low", "high"] = "low"
    cables: tuple[str, ...] = ()

    @property
    def tail(self) -> range:
        """The bits that are read after its last channel, numbered on: all are at the level of the far end."""
        return range(self.channels, self.channels + self.facts.tail)

    @property
    def proves_its_cable(self) -> bool:
        """Whether no single wire that fails can pass for keys: its last channel is not what its far end is."""
        opposite = self.always_high if self.far_end == "low" else self.always_low
        return not self.facts.tail or self.channels - 1 in opposite

    @property
    def channels(self) -> int:
        """How many lamps or contacts it serves."""
        if self.facts.matrix:
            return len(self.rows) * len(self.columns)
        return self.facts.channels * self.chips

    @property
    def outputs_only(self) -> dict[int, str]:
        """The channels that can be no input, with what the data sheet calls their pins."""
        if self.facts.matrix:
            return {}
        each = self.facts.channels
        return {each * chip + n: pin for chip in range(self.chips) for n, pin in self.facts.outputs_only}

    @property
    def bits(self) -> int:
        """How many clocks of its bus one transfer to all its chips takes."""
        return self.facts.bits_per_chip * self.transfers

    @property
    def size(self) -> str:
        """How large it is, in a builder's words."""
        if self.facts.matrix:
            return f"{len(self.rows)} rows by {len(self.columns)} columns"
        return f"{self.chips} × {self.facts.name}"

    @property
    def transfers(self) -> int:
        """How many chips, or rows of a matrix, are served one after the other."""
        return len(self.rows) if self.facts.matrix else self.chips


@dataclass(frozen=True)
class Point:
    """What a lamp and a key have in common: a channel of a part, and how the wire gets there.

    `connector`, `pin`, `wire`, its colour, and `revision`, that of the board the connector is on, are None where the
    description names none.
    """

    name: str
    part: Part
    channel: int
    connector: str | None
    pin: str | None
    wire: str | None
    revision: str | None
    place: int

    @property
    def at(self) -> str:
        """Where to put the meter, "J3 pin 14, white/blue"; "" where the description does not say."""
        pin = "" if self.pin is None else f"{self.connector} pin {self.pin}"
        return ", ".join(word for word in (pin, self.wire or "") if word)


@dataclass(frozen=True)
class LampKind:
    """The lamp a console had.

    A "filament" one is known by its rated volts, amps and temperature in kelvin, and by how long its light takes to
    rise or fall (10–90 %, milliseconds); `keep_warm` is the duty that keeps it just short of glowing. A "neon" is dark
    until its duty comes to `strikes`, and then as bright as its duty, until that is `holds` or less; its `colour` is
    #rrggbb in sRGB. An "instant" lamp is as bright as it is driven.
    """

    name: str
    model: Literal["filament", "instant", "neon"]
    volts: float = 0.0
    amps: float = 0.0
    kelvin: int = 0
    rise_ms: float | None = None
    fall_ms: float | None = None
    keep_warm: float = 0.0
    strikes: float = 0.0
    holds: float = 0.0
    colour: str = ""


@dataclass(frozen=True)
class Lamp(Point):
    """One lamp: the `kind` it had, what is `fitted` now, and how bright it is to be.

    `brightness` is that of its group, 0 to 1; `group` is "" for lamps in none. `trim` is the light it gives at full
    code, relative to the brightest of its kind.
    """

    kind: LampKind
    fitted: Literal["LED", "filament", "neon"]
    group: str
    brightness: float
    trim: float

    @property
    def switched(self) -> bool:
        """Whether it can only be lit or out, being a neon or on a part that does not dim."""
        return self.fitted == "neon" or not self.part.facts.dims


@dataclass(frozen=True)
class Key(Point):
    """One contact; a rotary switch is one for each position. `closed_high` tells the level of a closed contact.

    Its change counts after `settle_ms` of rest, None for what [scan] says; with `first_contact` it is reported at once.
    One that springs back is stuck when it has been held for `stuck_s` seconds; None for all others.
    """

    kind: KeyKind
    closed_high: bool
    settle_ms: int | None = None
    first_contact: bool = False
    stuck_s: int | None = None


@dataclass(frozen=True)
class LampRow:
    """Lamps that stand in a row, left to right; `title` is what people call it, `name` if they call it nothing else."""

    name: str
    title: str
    lamps: tuple[Lamp, ...]
    place: int


@dataclass(frozen=True)
class KeyRow:
    """Keys of one kind that stand in a row, left to right."""

    name: str
    title: str
    kind: KeyKind
    keys: tuple[Key, ...]
    place: int


@dataclass(frozen=True)
class Rotary:
    """A rotary switch; `keys` are its positions in turning order, named `name`.POSITION."""

    name: str
    title: str
    positions: tuple[str, ...]
    keys: tuple[Key, ...]
    place: int


@dataclass(frozen=True)
class Group:
    """Lamps whose brightness is set together, 0 to 1."""

    name: str
    brightness: float


@dataclass(frozen=True)
class Calm:
    """A calm mode for a sensory-friendly hour: the share of brightness left, and from dark to full at the fastest."""

    on: bool
    brightness: float
    fade_ms: int


@dataclass(frozen=True)
class Frames:
    """How often the lamps are written."""

    rate_hz: int


@dataclass(frozen=True)
class Scan:
    """How often the keys are read, and how long a contact must rest before its change counts."""

    rate_hz: int
    settle_ms: int


@dataclass(frozen=True)
class Pace:
    """How many times faster than the real machine the devices run; infinity is without waiting."""

    factor: float


@dataclass(frozen=True)
class Typewriter:
    """A typewriter on a serial line. A rehearsed one needs no `device`.

    A carriage return takes `return_ms` and `travel_ms` for each column the carriage moves back.
    """

    device: str | None
    rehearsed: bool
    baud: int
    data_bits: Literal[7, 8]
    parity: Literal["none", "even", "odd"]
    stop_bits: Literal[1, 2]
    characters_per_second: float
    return_ms: int
    travel_ms: float
    columns: int
    place: int

    @property
    def line_characters_per_second(self) -> float:
        """The most the serial line carries: baud / (start + data + parity + stop bits); 134 baud are 134.5."""
        return (134.5 if self.baud == 134 else self.baud) / (
            1 + self.data_bits + (self.parity != "none") + self.stop_bits
        )


MOST_CARDS = 100_000
"""What a stacker holds that is never full: the longest deck a hopper takes."""


@dataclass(frozen=True)
class CardCode:
    """Which holes stand for which character: the built-in code it is `like`, "" for none, but for its own `holes`.

    Those are rows joined by hyphens, "12-8-4", by character. A built-in code is like itself, with none of its own.
    """

    name: str
    like: str
    holes: Mapping[str, str] = field(default_factory=dict, hash=False)


@dataclass(frozen=True)
class Reader:
    """A card reader; its hopper is one of the USB `ports`, or `folder`, relative to the state directory.

    A deck that is taken out while it is being read is given up or finished. `stacker_cards` fill its stacker. The keys
    are names of keys, "" where it has none.
    """

    folder: Path | None
    cards_per_minute: int
    code: CardCode
    taken_out: Literal["stop", "finish"]
    stacker_cards: int
    load_key: str
    start_key: str
    stop_key: str
    end_key: str
    place: int
    ports: tuple[str, ...] = ()


@dataclass(frozen=True)
class Punch:
    """A card punch; its stacker is one of the USB `ports`, or `folder`, relative to the state directory.

    `blank_cards` is what its hopper holds.
    """

    folder: Path | None
    cards_per_minute: int
    code: CardCode
    blank_cards: int
    place: int
    ports: tuple[str, ...] = ()


@dataclass(frozen=True)
class Console:
    """A whole console.

    Everything stands in the order of the description; among all `lamps` and `keys` those in rows come first, then those
    of rotary switches, then single ones. `lamp_kinds` and `card_codes` are those it describes itself,
    used or not. `board` is the
    board's model, None if not given. `interlocks` are sets of keys, by name, of which at most one can be closed.
    """

    path: Path
    name: str
    board: str | None
    supplies: tuple[Supply, ...]
    buses: tuple[Bus, ...]
    parts: tuple[Part, ...]
    lamps: tuple[Lamp, ...]
    lamp_rows: tuple[LampRow, ...]
    keys: tuple[Key, ...]
    key_rows: tuple[KeyRow, ...]
    rotaries: tuple[Rotary, ...]
    lamp_kinds: tuple[LampKind, ...]
    groups: tuple[Group, ...]
    calm: Calm
    frames: Frames
    scan: Scan
    pace: Pace
    typewriter: Typewriter | None
    card_codes: tuple[CardCode, ...]
    reader: Reader | None
    punch: Punch | None
    interlocks: tuple[tuple[str, ...], ...] = ()
