"""The shape of a description: which tables and keys there are, their kinds and bounds, one at a time.

What two places of the file must agree on is checked in `build`. Validators raise ValueError(what is wrong) or
ValueError(what is wrong, what to do), worded to follow the key's name.
"""

import re
import unicodedata
from collections.abc import Callable
from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, create_model
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import PydanticKnownError, core_schema

from bridge.console import cardcodes, header, spans
from bridge.console.facts import MOST_CARDS
from bridge.parts.catalogue import CATALOGUE
from bridge.parts.facts import Facts, Pull

T = TypeVar("T")


def _text(read: Callable[[str], T]) -> Callable[[object], T]:
    def check(value: object) -> T:
        if not isinstance(value, str):
            raise PydanticKnownError("string_type")
        return read(value)

    return check


def _pin(value: object) -> str:
    if not isinstance(value, (int, str)) or isinstance(value, bool):
        raise PydanticKnownError("string_type")
    pins = spans.read_pins(str(value))
    if len(pins) != 1:
        raise ValueError(f"names {len(pins)} pins", "name one")
    return pins[0]


def _whole(value: object) -> object:
    """Keep true and 1.0 from passing for the 1 of a Literal."""
    if type(value) is not int:
        raise PydanticKnownError("int_type")
    return value


def _folder(value: str) -> str:
    if not re.match(_FOLDER, value):
        raise ValueError(f'is "{value}", but must be a folder inside the state directory', "write a plain name")
    return value


def _device(value: str) -> str:
    if not re.match(_DEVICE, value):
        raise ValueError(f'is "{value}", which is no device', "name one below /dev/; ls /dev/serial/by-id shows them")
    return value


def _baud(value: int) -> int:
    if value not in BAUDS:
        raise ValueError(f"is {value}, which no serial line is set to", f"use one of {', '.join(map(str, BAUDS))}")
    return value


def _character(value: str) -> str:
    # One that takes a place of its own, and one unit of UTF-16, in which decks are looked up.
    single = len(value) == 1 and ord(value) <= 0xFFFF and value.isprintable() and unicodedata.category(value)[0] != "M"
    if not single:
        raise ValueError("is no single printing character", 'write for example "£" = "12-8-4"')
    if value == " ":
        raise ValueError("is a blank column in every code", "leave the space out")
    return value


def _holes(value: str) -> str:
    rows = value.split("-")
    unknown = [row for row in rows if row not in _ROWS]
    if unknown:
        raise ValueError(f'has "{unknown[0]}", which is no row of a card', "use 12, 11 and 0 to 9, joined by -: 12-8-4")
    if len(set(rows)) < len(rows):
        raise ValueError(f'is "{value}", which has a row twice', "name each row once")
    return "-".join(sorted(rows, key=_ROWS.index))


def _ports(value: str) -> tuple[str, ...]:
    ports = tuple(port.strip() for port in value.split(","))
    for port in ports:
        if not re.fullmatch(_PORT, port):
            raise ValueError(
                f'names "{port}", which is no USB port', "run consolewright sticks watch and plug a stick in: it says"
            )
    return ports


BAUDS = (50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""Rates a POSIX terminal line has names for; 134 stands for 134.5."""

# Printing characters, no blank at either end.
_LABEL = r"^[^\x00-\x20\x7f]([^\x00-\x1f\x7f]*[^\x00-\x20\x7f])?$"
# No step from the root, upwards or into a hidden folder.
_FOLDER = r"^[^./\x00-\x1f][^/\x00-\x1f]*(/[^./\x00-\x1f][^/\x00-\x1f]*)*$"
_DEVICE = r"^/dev/."
# As the trade says them, zones first.
_ROWS = ("12", "11", "0", "9", "8", "1", "2", "3", "4", "5", "6", "7")
_ONE_HOLE = "(12|11|[0-9])"
# As udev names the path to a USB port: the controller, the bus, and the port on each hub.
_PORT = r"[A-Za-z0-9_.:-]+-usb(v[0-9])?-[0-9]+:[0-9]+(\.[0-9]+)*"

Label = Annotated[str, Field(min_length=1, max_length=40, pattern=_LABEL)]
Numbers = Annotated[
    list[int], BeforeValidator(_text(spans.read)), WithJsonSchema({"type": "string", "pattern": spans.PATTERN})
]
Pins = Annotated[
    list[str],
    BeforeValidator(_text(spans.read_pins)),
    WithJsonSchema({"type": "string", "pattern": spans.PINS_PATTERN}),
]
Pin = Annotated[
    str,
    BeforeValidator(_pin),
    WithJsonSchema(
        {
            "oneOf": [
                {"type": "integer", "minimum": 0, "maximum": 9999},
                {"type": "string", "pattern": r"^\s*[A-Za-z]{0,3}[0-9]{1,4}\s*$"},
            ]
        }
    ),
]
Channel = Annotated[int, Field(ge=0)]
Gpio = Annotated[int, AfterValidator(header.gpio), WithJsonSchema({"enum": list(header.PIN_OF)})]
Folder = Annotated[str, AfterValidator(_folder), WithJsonSchema({"type": "string", "pattern": _FOLDER})]
Device = Annotated[str, AfterValidator(_device), WithJsonSchema({"type": "string", "pattern": _DEVICE})]
Holes = Annotated[
    dict[Annotated[str, AfterValidator(_character)], Annotated[str, AfterValidator(_holes)]],
    WithJsonSchema(
        {
            "type": "object",
            "propertyNames": {"minLength": 1, "maxLength": 1, "pattern": "^[^\\x00-\\x20\\x7f]$"},
            "additionalProperties": {"type": "string", "pattern": f"^{_ONE_HOLE}(-{_ONE_HOLE})*$"},
        }
    ),
]
Ports = Annotated[
    tuple[str, ...],
    BeforeValidator(_text(_ports)),
    WithJsonSchema({"type": "string", "pattern": rf"^\s*{_PORT}\s*(,\s*{_PORT}\s*)*$"}),
]
Whole = BeforeValidator(_whole)
Level = Literal["low", "high"]


class Table(BaseModel):
    """What all tables share: no key but those named, no value of another kind taken for the right one."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Board(Table):
    """The computer behind the panel."""

    model: header.Model = Field(examples=["Raspberry Pi 3B+"])


class Wired(Table):
    """What has wires that can be rehearsed."""

    wires: Literal["real", "rehearsed"] = Field(
        examples=["real"], description='"rehearsed": no wire is touched, a simulation stands in'
    )


class Supply(Table):
    """A supply of the console; extra-low voltage only."""

    name: Label = Field(examples=["lamps"])
    volts: float = Field(gt=0, le=50, examples=[5.0])
    amps: float | None = Field(default=None, gt=0, le=200, examples=[4.0], description="what it gives at most")
    fuse: float | None = Field(default=None, gt=0, le=200, examples=[3.0], description="rating in amperes")
    on: Literal["with the board", "by itself", "not known"] = Field(
        default="not known",
        examples=["with the board"],
        description='"by itself": it can be on while the board is off',
    )


class Bus(Wired):
    """A bus of the board, with one or more parts on it."""

    name: Label = Field(examples=["panel"])
    kind: Literal["spi", "i2c"] = Field(examples=["spi"])
    port: Annotated[Literal[0, 1], Whole] = Field(
        examples=[0], description="SPI 0 takes GPIO 7 to 11, SPI 1 takes GPIO 16 to 21, I2C 1 takes GPIO 2 and 3"
    )
    rate_hz: int = Field(
        ge=10_000,
        le=32_000_000,
        examples=[2_000_000],
        description="clock; SPI: 2 MHz is safe on a cable; I2C: what the board is set to, as a rule 100 or 400 kHz",
    )
    pulled_to: Label | None = Field(
        default=None, examples=["logic"], description="I2C: the supply to which resistors of your own pull it up"
    )


class Part(Table):
    """A part of one type of the catalogue."""

    name: Label = Field(examples=["lamp drivers"])
    type: str = Field(examples=["TLC5947"], description="the chips, by their name in the catalogue")
    supply: Label | None = Field(default=None, examples=["logic"], description="name of the supply its chips are on")
    shifter: Literal["to part", "to board", "both", "none"] = Field(
        default="none", examples=["both"], description="which way its signals pass a level shifter"
    )

    @property
    def facts(self) -> Facts:
        """What the catalogue says of its type."""
        return CATALOGUE[self.type]

    @property
    def lines(self) -> dict[str, int]:
        """The GPIO number of each control line that is wired."""
        wired = {line.key: getattr(self, line.key) for line in self.facts.lines}
        return {key: number for key, number in wired.items() if number is not None}

    @property
    def switched_hz(self) -> float | None:
        """How often a second its outputs are really switched to dim a lamp, None if they are not."""
        pwm = self.facts.pwm
        return self.facts.pwm_hz if pwm is None else pwm.settle(getattr(self, "pwm_hz", pwm.usual))

    @property
    def pulled(self) -> Pull:
        """The resistor on each of its inputs."""
        fixed: Pull = self.facts.pulls[0] if self.facts.pulls else "none"
        asked: Pull = getattr(self, "pull", fixed)
        return asked

    @property
    def sentinels(self) -> dict[str, list[int]]:
        """The channels fixed by wiring, by the key that lists them."""
        return {}


class PlainPart(Part, Wired):
    """What is wired to the board itself, by no bus."""


class LinePart(PlainPart):
    """Lines of the board itself, one a channel."""

    gpios: Numbers = Field(examples=["12-13, 26"], description="GPIO numbers, channel 0 first")


class BusPart(Part):
    """Chips of one type on a bus."""

    chips: int = Field(ge=1, le=64, examples=[1], description="how many there are")
    bus: Label = Field(examples=["panel"], description="name of the bus they are on")


class SpiPart(BusPart):
    """A chain of chips on a chip select."""

    select: int = Field(ge=0, examples=[0], description="chip select of that bus: 0 is CE0")


class I2cPart(BusPart):
    """Chips at addresses that follow each other."""

    address: int

    @property
    def addresses(self) -> list[int]:
        """The addresses of all chips, in the order of their channels."""
        return list(range(self.address, self.address + self.chips))


class KeyPart(Part):
    """What parts that read contacts have beyond how they are wired to the board."""

    always_high: list[Channel] = Field(
        default=[], examples=[[0]], description="sentinels: channels wired high, which prove that the cable is there"
    )
    always_low: list[Channel] = Field(
        default=[], examples=[[15]], description="sentinels: channels wired low, which prove that the cable is there"
    )
    contacts: Label | None = Field(
        default=None, examples=["logic"], description="name of the supply that contacts and their resistors go to"
    )
    cables: list[Label] = Field(
        default=[],
        examples=[["J11", "J12"]],
        description="names of what leads to each chip, nearest the board first; or one for all",
    )

    @property
    def sentinels(self) -> dict[str, list[int]]:
        """The channels fixed by wiring, by the key that lists them."""
        return {"always_high": self.always_high, "always_low": self.always_low}


class LampPart(Part):
    """What parts that drive lamps have beyond how they are wired to the board."""

    lamp_supply: Label | None = Field(default=None, examples=["lamps"], description="name of the supply of its lamps")
    lamp_volts: float | None = Field(
        default=None, gt=0, le=50, examples=[2.0], description="across a lit lamp; of several in series their sum"
    )
    lamp_ma: float | None = Field(default=None, gt=0, le=5000, examples=[10], description="that each lamp is to carry")
    transistors: bool = Field(
        default=False, examples=[True], description="whether the lamps' current passes through transistors instead"
    )


class ChainPart(SpiPart, KeyPart):
    """A chain whose far end is read too."""

    serial_in: Level = Field(
        default="low", examples=["low"], description="what the serial input of the last chip is wired to"
    )


class MatrixPart(KeyPart):
    """Contacts in rows and columns, numbered row by row."""

    rows: Numbers = Field(
        examples=["5-6"], description="GPIO numbers, or pins of the chip, which are pulled low in turn"
    )
    columns: Numbers = Field(examples=["16, 20-21"], description="those that are read meanwhile")
    diodes: bool = Field(
        examples=[True],
        description="whether each contact has one, cathode to its row; else keys that hide each other are held",
    )


class ChipMatrix(I2cPart, MatrixPart):
    """A matrix on the pins of one chip."""

    chips: Annotated[Literal[1], Whole] = Field(default=1, examples=[1], description="each matrix is on one chip")


class LineMatrix(PlainPart, MatrixPart):
    """A matrix on lines of the board itself."""


def _part(facts: Facts) -> type[Part]:
    """Return the shape of one type of part: what the catalogue says of it become keys and bounds."""
    own: dict[str, Any] = {
        line.key: (Gpio | None, Field(default=None, examples=[25], description=line.purpose))
        if line.optional
        else (Gpio, Field(examples=[25], description=line.purpose))
        for line in facts.lines
    }
    own["type"] = (Literal[facts.name], Field(examples=[facts.name]))
    if facts.pwm is not None:
        own["pwm_hz"] = (
            int,
            Field(
                default=facts.pwm.usual,
                ge=facts.pwm.lowest,
                le=facts.pwm.highest,
                examples=[facts.pwm.usual],
                description="how often a second its outputs are switched; the faster, the less flicker",
            ),
        )
    if any(line.key == "blank" for line in facts.lines):
        own["blank_pulled_to"] = (
            Label | None,
            Field(default=None, examples=["logic"], description="name of the supply its blank line is held up to"),
        )
    if facts.serves == "lamps":
        own |= _resistor(facts)
    if len(facts.pulls) > 1:
        own["pull"] = (
            Literal[facts.pulls],
            Field(default=facts.pulls[0], examples=[facts.pulls[0]], description="the resistor the board puts on each"),
        )
    if facts.bus == "i2c":
        own["address"] = _address(facts)
    base, words = _WIRED[facts.bus]
    bases: Any = (base, KeyPart if facts.serves == "keys" else LampPart)
    if facts.tail:
        bases = ChainPart
    if facts.matrix:
        bases = ChipMatrix if facts.bus == "i2c" else LineMatrix
        words = bases.__doc__
    part: type[Part] = create_model(facts.name, __base__=bases, __doc__=words.format(facts.name), **own)
    return part


def _resistor(facts: Facts) -> dict[str, Any]:
    """Return the key of the resistor that sets the current of a lamp."""
    if facts.electrical.lamps == "constant":
        words = "of the resistor from IREF to ground, which sets the current of every lamp"
        return {
            "reference_ohms": (
                float | None,
                Field(default=None, gt=0, le=1e6, examples=[5100], description=words),
            )
        }
    words = "of the resistor in series with each lamp"
    return {"resistor_ohms": (float | None, Field(default=None, gt=0, le=1e6, examples=[330], description=words))}


_WIRED: dict[str | None, tuple[type[Part], str]] = {
    "spi": (SpiPart, "A chain of {} chips."),
    "i2c": (I2cPart, "{} chips on an I2C bus."),
    None: (LinePart, "Lines of the board itself, one a channel."),
}
"""The shape of what is wired to a bus of each kind, and to none."""


def _address(facts: Facts) -> tuple[Any, Any]:
    """Return the kind of a 7-bit address, and what there is to say of it."""

    def check(value: int) -> int:
        if value not in facts.addresses:
            raise ValueError(f"is 0x{value:02X}, where no {facts.name} answers", f"use {known}")
        return value

    known = spans.write_addresses(facts.addresses)
    kind = Annotated[int, AfterValidator(check), WithJsonSchema({"type": "integer", "enum": list(facts.addresses)})]
    return kind, Field(examples=[facts.addresses[0]], description="of the first chip, 7 bits; the others follow it")


PARTS = {facts.name: _part(facts) for facts in CATALOGUE.values()}

if TYPE_CHECKING:
    AnyPart = Part
else:
    AnyPart = Annotated[reduce(or_, PARTS.values()), Field(discriminator="type")]


class Row(Table):
    """Lamps or keys that stand in a row: one name, and a number for each."""

    name: Label = Field(examples=["A"], description='the lamps or keys are named "A.23" to "A.0"')
    title: Label | None = Field(default=None, examples=["accumulator"], description="what people call the row")
    numbers: Numbers = Field(examples=["23-0"], description="left to right")
    part: Label = Field(examples=["lamp drivers"], description="name of the part that serves them")
    channels: Numbers = Field(examples=["0-23"], description="its channels, left to right")
    connector: Label | None = Field(default=None, examples=["J3"])
    revision: Label | None = Field(default=None, examples=["B"], description="of the board that connector is on")
    pins: Pins | None = Field(default=None, examples=["1-24"], description="pins of the connector, left to right")
    wires: list[Label] | None = Field(default=None, examples=[["white", "blue"]], description="colours, left to right")

    @property
    def names(self) -> list[str]:
        """The name of each, left to right."""
        return [f"{self.name}.{number}" for number in self.numbers]


class Single(Table):
    """A lamp or key by itself."""

    name: Label = Field(examples=["RUN"])
    part: Label = Field(examples=["lamp drivers"], description="name of the part that serves it")
    channel: Channel = Field(examples=[0])
    connector: Label | None = Field(default=None, examples=["J3"])
    revision: Label | None = Field(default=None, examples=["B"], description="of the board that connector is on")
    pin: Pin | None = Field(default=None, examples=[1])
    wire: Label | None = Field(default=None, examples=["white"], description="its colour")

    @property
    def names(self) -> list[str]:
        """The one name, in a list as rows have them."""
        return [self.name]

    @property
    def channels(self) -> list[int]:
        """The one channel, in a list."""
        return [self.channel]

    @property
    def pins(self) -> list[str] | None:
        """The one pin, in a list."""
        return None if self.pin is None else [self.pin]

    @property
    def wires(self) -> list[str] | None:
        """The one colour, in a list."""
        return None if self.wire is None else [self.wire]


class Contact(Table):
    """How a closed contact reads."""

    closed: Level = Field(default="low", examples=["low"], description="level of the input while the contact is closed")
    settle_ms: int | None = Field(
        default=None, ge=1, le=500, examples=[25], description="rest after which a change counts, if not that of [scan]"
    )
    report: Literal["settled", "first contact"] = Field(
        default="settled",
        examples=["settled"],
        description='"first contact": a change is told at its second sample, and what bounces after that is not',
    )


class Shown(Table):
    """What a lamp is to look like, and what is fitted to make it so."""

    kind: Label | None = Field(
        default=None,
        examples=["pilot"],
        description="the lamp it had: a built-in kind, a [[lamp_kind]] or a [[neon_kind]]",
    )
    fitted: Literal["LED", "filament", "neon"] = Field(
        default="LED", examples=["LED"], description="the lamp that is there now; a filament gets the duty itself"
    )
    group: Label | None = Field(default=None, examples=["registers"], description="name of a [[group]]")
    trim: float = Field(
        default=1.0, ge=0.05, le=1, examples=[0.93], description="light at full code, relative to the brightest"
    )


class LampRow(Row, Shown):
    """Lamps in a row."""

    trims: list[Annotated[float, Field(ge=0.05, le=1)]] | None = Field(
        default=None, examples=[[1.0, 0.93]], description="trim of each, left to right"
    )


class Lamp(Single, Shown):
    """A lamp by itself."""

    @property
    def trims(self) -> None:
        """Only a row lists several."""


class Pressed(Contact):
    """What kind of key moves the contact."""

    kind: Literal["toggle", "momentary", "push-on/push-off", "key lock"] = Field(
        examples=["toggle"],
        description="toggle and key lock stay as they are put; push-on/push-off springs back, and turns at each press",
    )
    stuck_s: int = Field(
        default=60,
        ge=1,
        le=86_400,
        examples=[60],
        description="seconds held after which one that springs back is stuck",
    )


class KeyRow(Row, Pressed):
    """Keys in a row."""


class Key(Single, Pressed):
    """A key by itself."""


class Interlock(Table):
    """Keys that exclude each other, as their mechanism does."""

    keys: list[Label] = Field(min_length=2, examples=[["START", "STOP"]], description="of these one at most is closed")


class Rotary(Contact):
    """A rotary switch with a contact for each position."""

    name: Label = Field(examples=["SELECT"], description='its keys are named "SELECT.A" and so on')
    title: Label | None = Field(default=None, examples=["selector"], description="what people call it")
    positions: list[Label] = Field(min_length=2, examples=[["A", "B"]], description="in turning order")
    part: Label = Field(examples=["key inputs"], description="name of the part that serves it")
    channels: Numbers = Field(examples=["1-8"], description="its channels, one a position")
    connector: Label | None = Field(default=None, examples=["J3"])
    revision: Label | None = Field(default=None, examples=["B"], description="of the board that connector is on")
    pins: Pins | None = Field(default=None, examples=["1-8"], description="pins of the connector, one a position")
    wires: list[Label] | None = Field(default=None, examples=[["white", "blue"]], description="colours, one a position")

    @property
    def names(self) -> list[str]:
        """The name of each position's key."""
        return [f"{self.name}.{position}" for position in self.positions]


class LampKind(Table):
    """A kind of filament lamp, by what can be read on it or measured."""

    name: Label = Field(examples=["panel lamp"])
    volts: float = Field(gt=0, le=250, examples=[12])
    amps: float = Field(gt=0, le=10, examples=[0.08])
    kelvin: int = Field(ge=1800, le=3000, examples=[2300], description="its temperature at those volts; 2100 is yellow")
    rise_ms: float | None = Field(
        default=None, ge=5, le=2000, examples=[60], description="light from 10 to 90 % after switching on cold"
    )
    fall_ms: float | None = Field(
        default=None, ge=5, le=2000, examples=[40], description="light from 90 to 10 % after switching off"
    )
    keep_warm: float = Field(
        default=0.0, ge=0, le=0.1, examples=[0.02], description="duty that keeps it just short of glowing"
    )


class NeonKind(Table):
    """A kind of neon lamp: dark until it strikes, then as bright as it is driven, until it goes out."""

    name: Label = Field(examples=["old neon"])
    strikes: float = Field(ge=0, le=1, examples=[0.3], description="the duty from which it is lit")
    holds: float = Field(ge=0, le=1, examples=[0.2], description="the duty down to which it then stays lit")
    colour: str = Field(
        default="#ff6a2e", pattern="^#[0-9a-fA-F]{6}$", examples=["#ff6a2e"], description="of its glow, sRGB"
    )


class Group(Table):
    """Lamps whose brightness is set together."""

    name: Label = Field(examples=["registers"])
    brightness: float = Field(ge=0, le=1, examples=[0.8], description="of what the lamps can give")


class Lamps(Table):
    """What holds for all lamps that do not say otherwise."""

    kind: Label = Field(
        default="instant", examples=["pilot"], description="the lamp they had; instant is as bright as it is driven"
    )
    brightness: float = Field(default=1.0, ge=0, le=1, examples=[0.8], description="of lamps in no group")
    calm: bool = Field(default=False, examples=[True], description="dim and slow, as for a sensory-friendly hour")
    calm_brightness: float = Field(default=0.5, gt=0, le=1, examples=[0.5], description="what calm leaves of it")
    calm_fade_ms: int = Field(default=800, ge=100, le=5000, examples=[800], description="from dark to full when calm")


class Frames(Table):
    """How often the lamps are written."""

    rate_hz: int = Field(default=200, ge=100, le=400, examples=[200])


class Scan(Table):
    """How the keys are read."""

    rate_hz: int = Field(default=250, ge=50, le=2000, examples=[250])
    settle_ms: int = Field(default=10, ge=1, le=500, examples=[10], description="rest after which a change counts")


class Pace(Table):
    """How fast the devices run."""

    factor: float = Field(default=1.0, gt=0, examples=[1.0], description="times the real machine's; inf: at once")


class Typewriter(Table):
    """The console typewriter, on a serial line."""

    wires: Literal["real", "rehearsed"] = Field(examples=["real"])
    device: Device | None = Field(
        default=None, examples=["/dev/serial/by-id/usb-typewriter"], description="needed if its wires are real"
    )
    baud: Annotated[int, AfterValidator(_baud), WithJsonSchema({"enum": list(BAUDS)})] = Field(examples=[300])
    data_bits: Annotated[Literal[7, 8], Whole] = Field(default=8, examples=[8])
    parity: Literal["none", "even", "odd"] = Field(default="none", examples=["none"])
    stop_bits: Annotated[Literal[1, 2], Whole] = Field(default=1, examples=[1])
    characters_per_second: float = Field(gt=0, le=1000, examples=[15])
    return_ms: int = Field(default=200, ge=0, le=5000, examples=[200], description="a carriage return at its shortest")
    travel_ms: float = Field(default=5.0, ge=0, le=100, examples=[5], description="and for each column moved back")
    columns: int = Field(default=80, ge=1, le=256, examples=[80])


class CardCode(Table):
    """A card code: which holes stand for which character."""

    name: Label = Field(examples=["harbour"])
    like: cardcodes.Like = Field(
        default="nothing",
        examples=["commercial"],
        description="the built-in code that it is, but for the characters and the holes below",
    )
    holes: Holes = Field(
        default={}, examples=[{"£": "12-8-4"}], description="of each character: rows, joined by hyphens"
    )


class Hopper(Table):
    """What reader and punch share."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["port"]}, {"required": ["folder"]}]})

    port: Ports | None = Field(
        default=None,
        examples=["platform-3f980000.usb-usb-0:1.2"],
        description="the USB port for its sticks, as consolewright sticks watch prints it; several if one socket has "
        "several names; exactly one of port and folder must be there",
    )
    folder: Folder | None = Field(
        default=None,
        examples=["reader"],
        description="a folder inside the state directory that stands for a stick, at the desk; exactly one of port "
        "and folder must be there",
    )
    cards_per_minute: int = Field(ge=1, le=2000, examples=[300])
    code: Label = Field(
        default=cardcodes.BUILT_IN[0],
        examples=["commercial"],
        description=f"card code of its decks: {', '.join(cardcodes.BUILT_IN)}, or a [[card_code]]",
    )


READER_KEYS = ("load_key", "start_key", "stop_key", "end_key")


class Reader(Hopper):
    """The card reader."""

    taken_out: Literal["stop", "finish"] = Field(
        default="stop",
        examples=["stop"],
        description='a deck whose stick is taken out stops at the next card; "finish": it is read to its end',
    )
    stacker_cards: int = Field(
        default=MOST_CARDS,
        ge=1,
        le=MOST_CARDS,
        examples=[1000],
        description="what its stacker holds; the default holds the longest deck",
    )
    load_key: Label | None = Field(
        default=None, examples=["LOAD"], description="key that takes the deck in; without it a deck loads by itself"
    )
    start_key: Label | None = Field(
        default=None, examples=["START"], description="key that lets cards move; without it they do by themselves"
    )
    stop_key: Label | None = Field(default=None, examples=["STOP"], description="key that stops at the next card")
    end_key: Label | None = Field(
        default=None, examples=["END"], description="key that tells the computer that no more cards follow"
    )

    @property
    def keys(self) -> dict[str, str]:
        """The name of each key of its panel that there is."""
        named = {key: getattr(self, key) for key in READER_KEYS}
        return {key: name for key, name in named.items() if name is not None}


class Punch(Hopper):
    """The card punch."""

    blank_cards: int = Field(default=500, ge=0, le=100_000, examples=[500], description="in its hopper at first")


class Document(Table):
    """A whole console."""

    format: Annotated[Literal[1], Whole] = Field(examples=[1], description="which rules this file is written by")
    name: Label = Field(examples=["Skerry Mk 2"], description="what people call the console")
    board: Board | None = None
    supply: list[Supply] = []
    bus: list[Bus] = []
    part: list[AnyPart] = []
    lamp_kind: list[LampKind] = []
    neon_kind: list[NeonKind] = []
    group: list[Group] = []
    lamps: Lamps = Lamps()
    lamp_row: list[LampRow] = []
    lamp: list[Lamp] = []
    key_row: list[KeyRow] = []
    key: list[Key] = []
    rotary: list[Rotary] = []
    interlock: list[Interlock] = []
    frames: Frames = Frames()
    scan: Scan = Scan()
    pace: Pace = Pace()
    typewriter: Typewriter | None = None
    card_code: list[CardCode] = []
    reader: Reader | None = None
    punch: Punch | None = None


SEVERAL = frozenset(name for name, field in Document.model_fields.items() if get_origin(field.annotation) is list)
"""The tables of which there may be several, written in two brackets."""

TABLES: dict[str, type[Table]] = {
    name: next(kind for kind in (*get_args(field.annotation), field.annotation))
    for name, field in Document.model_fields.items()
    if name not in {"format", "name"}
} | {"part": Part}
"""The shape of each table; that of a part is in `PARTS`, by its type, once the type is known."""


class _Schema(GenerateJsonSchema):
    """Without null, which TOML does not have."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default", ...) is None:
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a description, for editors that complete and check as one types.

    It tells kinds, bounds and keys; what two places of the file must agree on is beyond it.
    """
    described = Document.model_json_schema(schema_generator=_Schema)
    return {"$schema": _Schema.schema_dialect, **described, "title": "Console description, format 1"}
