"""Hands and eyes at a rehearsed console: what someone at the panel does and sees, one line of words at a time."""

import asyncio
import contextlib
import shlex
import shutil
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.clock import SECOND, LoopClock
from bridge.console.facts import Console, Lamp
from bridge.daemon.daemon import Daemon
from bridge.daemon.tasks import Outcome

FULL = 4095
SHADES = "·░▒▓█"
"""A lamp from dark to full."""
SEEN_WITHIN = 2.0
"""Seconds in which the console sees a key that was thrown, unless its cable is off."""
LINKED_WITHIN = 20.0
"""Seconds a core has that was started beside the console."""
TASK_WITHIN = 5.0
"""Seconds the core has for what it is asked to do."""
LONGEST_WAIT = 3600.0
"""Seconds."""

HELP = """\
throw KEY [on|off]    put a key the other way, or the way you say
press KEY             press a key and let it go
turn KNOB POSITION    turn a rotary switch
look                  draw the lamps, and tell which keys are closed
lamps [ROW]           the lamps in numbers, 0 dark to 4095 full
devices               how reader, punch, typewriter and the core are
deck in FILE          a stick with this deck into the reader; without FILE the one that was taken out
deck out              take the stick out of the reader
blanks in | out       the same with the stick in the punch
type TEXT             type on the typewriter's own keyboard; \\r ends a line
power off | on        tell the core that its power goes, or is back
save NAME             have the core save its machine's state under a name
restore NAME          have the core take it back
page                  what the typewriter has printed
wait SECONDS          do nothing for so long, for commands that come from a file
quit"""


class NotDoneError(Exception):
    """What was asked for cannot be done, in words."""


class Hands:
    """Works one running, rehearsed daemon whose state folder is `state`.

    `told` takes each line of its observer link, or keys that are thrown are never seen.
    """

    def __init__(self, console: Console, daemon: Daemon, state: Path) -> None:
        self._console, self._daemon, self._state = console, daemon, state
        self._closed = {key.name: False for key in console.keys}
        self._devices: dict[str, str] = {}
        self._changed = asyncio.Event()
        self._verbs: dict[str, Callable[[list[str]], Awaitable[Iterable[str]]]] = {
            "throw": self._throw,
            "press": self._press,
            "turn": self._turn,
            "look": self._look,
            "lamps": self._lamps,
            "devices": self._tell_devices,
            "deck": self._deck,
            "blanks": self._blanks,
            "type": self._type,
            "page": self._page,
            "power": self._power,
            "save": self._save,
            "restore": self._restore,
            "wait": self._wait,
            "help": self._help,
        }

    def told(self, line: Mapping[str, Any]) -> None:
        """Take one line of the observer link."""
        if line["topic"] == "key":
            self._closed[line["name"]] = line["closed"]
        elif line["topic"] == "device":
            self._devices[line["name"]] = line["state"] + (f" - {line['words']}" if line["words"] else "")
        self._changed.set()

    async def linked(self) -> bool:
        """Return once a core is linked, or False when none is in time."""
        return await self._within(LINKED_WITHIN, lambda: self._devices.get("core", "").startswith("linked"))

    async def do(self, line: str) -> Sequence[str]:
        """Do what one line says and return what there is to tell; raises NotDoneError when it can't be done."""
        try:
            verb, *words = _words(line) or [""]
        except ValueError as error:
            raise NotDoneError(f"{line.strip()}: {error}") from None
        if not verb:
            return []
        if verb not in self._verbs:
            raise NotDoneError(f'there is no command "{verb}"; "help" lists them')
        return list(await self._verbs[verb](words))

    # Keys

    async def _throw(self, words: list[str]) -> Iterable[str]:
        if not (len(words) == 1 or (len(words) == 2 and words[1] in {"on", "off"})):
            raise NotDoneError("throw KEY, throw KEY on, or throw KEY off")
        name = self._key(words[0])
        closed = not self._closed[name] if len(words) == 1 else words[1] == "on"
        await self._put(name, closed=closed)
        return [f"{name} is {'on' if closed else 'off'}"]

    async def _press(self, words: list[str]) -> Iterable[str]:
        if len(words) != 1:
            raise NotDoneError("press KEY")
        name = self._key(words[0])
        for closed in (True, False):
            await self._put(name, closed=closed)
        return []

    async def _turn(self, words: list[str]) -> Iterable[str]:
        knobs = {knob.name: knob for knob in self._console.rotaries}
        if len(words) != 2 or words[0] not in knobs:
            raise NotDoneError(f"turn KNOB POSITION; the knobs are {', '.join(knobs) or 'none'}")
        knob = knobs[words[0]]
        if words[1] not in knob.positions:
            raise NotDoneError(f"{knob.name} can be turned to {', '.join(knob.positions)}")
        to = knob.keys[knob.positions.index(words[1])]
        for key in knob.keys:
            if key is not to:
                await self._put(key.name, closed=False)
        await self._put(to.name, closed=True)
        return []

    def _key(self, name: str) -> str:
        if name not in self._closed:
            raise NotDoneError(f'no key is called "{name}"; "look" lists them')
        return name

    async def _put(self, name: str, *, closed: bool) -> None:
        """Move a key's contact and wait until the console has seen it, as a hand does without knowing."""
        if self._closed[name] is closed:
            return
        try:
            self._daemon.panel.throw(name, closed=closed)
        except KeyError:
            raise NotDoneError(f"{name} is on wires that are not rehearsed") from None
        if not await self._within(SEEN_WITHIN, lambda: self._closed[name] is closed):
            raise NotDoneError(f"the console has not seen {name} move: is its cable off?")

    async def _within(self, seconds: float, true: Callable[[], bool]) -> bool:
        """Wait until `true()`, at most so long; return whether it is."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not true():
                    self._changed.clear()
                    await self._changed.wait()
        return true()

    # Lamps

    async def _look(self, words: list[str]) -> Iterable[str]:
        _no_more("look", words)
        codes = self._daemon.panel.codes()
        rows = self._rows()
        wide = max((len(name) for name, *_ in rows), default=0)
        told = [
            f"{name:<{wide}}  {''.join(self._shade(codes[lamp.name]) for lamp in lamps)}  {title}".rstrip()
            for name, title, lamps in rows
        ]
        on = [key.name for key in self._console.keys if self._closed[key.name]]
        return [*told, f"keys: {', '.join(key.name for key in self._console.keys)}", f"on: {', '.join(on) or 'none'}"]

    async def _lamps(self, words: list[str]) -> Iterable[str]:
        codes = self._daemon.panel.codes()
        rows = [(name, lamps) for name, _, lamps in self._rows() if not words or name == words[0]]
        if not rows or len(words) > 1:
            raise NotDoneError(f"lamps ROW; the rows are {', '.join(name for name, *_ in self._rows())}")
        return [" ".join(f"{lamp.name}={codes[lamp.name]}" for lamp in lamps) for _, lamps in rows]

    def _rows(self) -> list[tuple[str, str, tuple[Lamp, ...]]]:
        """Return the rehearsed lamps in rows, single ones each a row of its own, with what the rows are called."""
        here = self._daemon.panel.codes().keys()
        rows = [(row.name, row.title, row.lamps) for row in self._console.lamp_rows]
        stand = {lamp.name for *_, lamps in rows for lamp in lamps}
        rows += [(lamp.name, "", (lamp,)) for lamp in self._console.lamps if lamp.name not in stand]
        return [row for row in rows if all(lamp.name in here for lamp in row[2])]

    @staticmethod
    def _shade(code: int) -> str:
        """Draw a lamp; whatever is not quite dark is shown."""
        return SHADES[-(-code * (len(SHADES) - 1) // FULL)]

    # Devices

    async def _tell_devices(self, words: list[str]) -> Iterable[str]:
        _no_more("devices", words)
        return [f"{name}: {state}" for name, state in self._devices.items()]

    async def _deck(self, words: list[str]) -> Iterable[str]:
        match words:
            case ["in"]:
                self._in("reader", self._drawer("reader"))
            case ["in", file]:
                deck = Path(file).expanduser()
                if not deck.is_file():
                    raise NotDoneError(f"{deck}: there is no such file")
                if self._hopper("reader").exists():
                    self._out("reader")
                stick = self._drawer("new")
                stick.mkdir(parents=True)
                shutil.copy(deck, stick)
                self._in("reader", stick)
            case ["out"]:
                self._out("reader")
            case _:
                raise NotDoneError("deck in FILE, deck in, or deck out")
        return []

    async def _blanks(self, words: list[str]) -> Iterable[str]:
        match words:
            case ["in"]:
                stick = self._drawer("punch")
                stick.mkdir(parents=True, exist_ok=True)
                self._in("punch", stick)
                return []
            case ["out"]:
                stick = self._out("punch")
                return [str(deck) for deck in sorted(stick.glob("*.deck"))] or ["nothing was punched"]
        raise NotDoneError("blanks in, or blanks out")

    def _hopper(self, name: str) -> Path:
        facts = self._console.reader if name == "reader" else self._console.punch
        if facts is None:
            raise NotDoneError(f"this console has no {name}")
        return self._state / (facts.folder or name)

    def _drawer(self, name: str) -> Path:
        """Return where a stick lies that is in no hopper: nothing a hand does here loses a deck."""
        return self._state / "drawer" / name

    def _out(self, hopper: str) -> Path:
        here = self._hopper(hopper)
        if not here.exists():
            raise NotDoneError(f"no stick is in the {hopper}")
        stick = self._drawer(hopper)
        stick.parent.mkdir(exist_ok=True)
        if stick.exists():
            number = next(n for n in range(1, 1 << 20) if not self._drawer(f"{hopper}-{n}").exists())
            stick.rename(self._drawer(f"{hopper}-{number}"))
        return here.rename(stick)

    def _in(self, hopper: str, stick: Path) -> None:
        here = self._hopper(hopper)
        if here.exists():
            raise NotDoneError(f"a stick is in the {hopper}: take it out first")
        if not stick.exists():
            raise NotDoneError(f"no stick has been taken out of the {hopper}")
        stick.rename(here)

    async def _type(self, words: list[str]) -> Iterable[str]:
        text = " ".join(words).replace("\\r", "\r")
        if not text.isascii():
            raise NotDoneError("the keyboard has ISO 646 characters only")
        self._writer().press(text.encode("ascii"))
        return []

    async def _page(self, words: list[str]) -> Iterable[str]:
        _no_more("page", words)
        lines: list[str] = self._writer().page()
        return lines

    def _writer(self) -> Any:
        if self._daemon.typewriter_twin is None:
            raise NotDoneError("this console has no rehearsed typewriter")
        return self._daemon.typewriter_twin

    async def _power(self, words: list[str]) -> Iterable[str]:
        if words not in (["off"], ["on"]):
            raise NotDoneError("power off, or power on")
        off = words == ["off"]
        return _well(await self._daemon.power(off=off, why=f"power {words[0]} at the rehearsal", within=TASK_WITHIN))

    async def _save(self, words: list[str]) -> Iterable[str]:
        return _well(await self._daemon.save(_one_name("save", words), TASK_WITHIN))

    async def _restore(self, words: list[str]) -> Iterable[str]:
        return _well(await self._daemon.restore(_one_name("restore", words), TASK_WITHIN))

    async def _wait(self, words: list[str]) -> Iterable[str]:
        try:
            (seconds,) = map(float, words)
        except ValueError:
            seconds = -1.0
        if not 0 <= seconds <= LONGEST_WAIT:
            raise NotDoneError("wait SECONDS, such as wait 0.5")
        clock = LoopClock()
        await clock.until(clock.now() + round(seconds * SECOND))
        return []

    async def _help(self, _: list[str]) -> Iterable[str]:
        return HELP.splitlines()


def _words(line: str) -> list[str]:
    """Split a line as a shell does, but for the backslash, which "type" wants for itself."""
    lexer = shlex.shlex(line, posix=True)
    lexer.whitespace_split = True
    lexer.escape = ""
    return list(lexer)


def _one_name(verb: str, words: list[str]) -> str:
    if len(words) != 1:
        raise NotDoneError(f"{verb} NAME")
    return words[0]


def _well(outcome: Outcome) -> Iterable[str]:
    """Return what there is to tell of a task that is done; raises NotDoneError for any other."""
    if outcome.state != "done":
        raise NotDoneError(outcome.words or "the emulator says that it could not")
    return [outcome.words] if outcome.words else []


def _no_more(verb: str, words: list[str]) -> None:
    if words:
        raise NotDoneError(f'"{verb}" stands alone')
