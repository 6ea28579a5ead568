"""What the demo does: jobs that an operator gets done at the console, from decks to typed and punched results."""

import json
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.demo.operator import Operator
from bridge.demo.screen import View
from bridge.errors import ConsoleError

LF = "\n"
TYPED, LAMPS = "typed.txt", "lamps.json"
PUNCHED = "punched.deck"
RESIDUALS, CONDENSED = "residuals.deck", "condensed.deck"


@dataclass(frozen=True)
class Done:
    """A job's end: what was done, in words, and what came of it, by file name."""

    words: str
    results: Mapping[str, str]


@dataclass(frozen=True)
class Job:
    """`do` works the console and returns what came of it; `files` are the names of its results, and what each is."""

    do: Callable[[Operator, View, Path], Coroutine[None, None, Done]]
    files: Mapping[str, str]


async def tides(operator: Operator, view: View, decks: Path) -> Done:
    """Compute three days' tides at Gannet Bay."""
    view.expect(12)
    await _linked(operator)
    view.say("Selector to A, the loader into the reader, LOAD pressed.")
    await operator.throw("SELECT.A")
    await _load(operator, decks / "loader.deck")
    view.say("The tide program follows.")
    await operator.put(decks / "tide.deck")
    await operator.read_through()
    view.say("The constants of Gannet Bay follow.")
    await operator.put(decks / "gannet-bay.deck")
    await operator.read_through()
    view.say("The machine computes, types and punches the heights of three days.")
    await operator.typed("ARE PUNCHED.")
    await operator.halted()
    page, lamps = await _end(operator, view)
    results = {TYPED: page, PUNCHED: _deck(await operator.take_out("punch")), LAMPS: lamps}
    return Done("Three days of tides at Gannet Bay are computed, typed and punched.", results)


async def double_pass(operator: Operator, view: View, decks: Path) -> Done:
    """Punch the residuals of a deck too long for the store; condense the program, and have it do the same again."""
    program, heights = decks / "residuals.deck", decks / "gannet-bay-heights.deck"
    cards = _cards(heights)
    await _linked(operator)
    for hopper in ("reader", "punch"):
        await operator.take_out(hopper)

    view.say("Loader and residuals program into the reader, selector to A, LOAD pressed.")
    await operator.throw("SELECT.A")
    await _load(operator, decks / "loader.deck", program)
    loose = await _two_passes(operator, view, heights, cards)

    view.say("Now the condensing program, and behind it the residuals program, which it reads.")
    view.expect(-(-(_cards(program) - 1) // 4) + 2)  # four to one, and those that begin and end it
    await operator.put_in("punch", operator.stick())
    await _load(operator, decks / "loader.deck", decks / "condense.deck", program)
    await operator.typed("FROM THE PUNCH TO THE READER.")
    await operator.halted()

    view.say("The condensed program goes from the punch into the reader; LOAD pressed.")
    await operator.take_out("reader")
    stick = await operator.take_out("punch")
    condensed = _deck(stick)
    await operator.put_in("reader", stick)
    await _start(operator)
    dense = await _two_passes(operator, view, heights, cards)

    if dense != loose:
        raise ConsoleError("The condensed program typed or punched something else than the loose one.")
    words = (
        f"A deck of {cards} cards, too long for the store, was read twice: for its mean, and for what each height is "
        f"above or below it. The program's {_cards(program)} cards were condensed into {condensed.count(LF)}, and with "
        "those the machine typed and punched the same, character for character."
    )
    page, lamps = await _end(operator, view)
    return Done(words, {TYPED: page, RESIDUALS: dense[1], CONDENSED: condensed, LAMPS: lamps})


async def _two_passes(operator: Operator, view: View, heights: Path, cards: int) -> tuple[list[str], str]:
    """Feed the heights twice; return the lines it typed and the deck it punched."""
    above = len(await operator.page())
    view.expect(cards)
    view.say(f"Heights of Gannet Bay, {cards} cards, more than the store holds: read once for the mean.")
    await operator.put(heights)
    await operator.typed("BLANK CARDS INTO THE PUNCH.")
    view.say("The machine asks for the deck again: the stick comes out, and goes back in.")
    stick = await operator.take_out("reader")
    await operator.missed("reader")
    await operator.put_in("reader", stick)
    view.say("Blanks into the punch: now each height's residual, above or below the mean, is punched.")
    await operator.put_in("punch", operator.stick())
    await operator.typed("CARDS PUNCHED")
    await operator.halted()
    return (await operator.page())[above:], _deck(await operator.take_out("punch"))


async def _linked(operator: Operator) -> None:
    await operator.until("the emulator", lambda: operator.state_of("core") == "linked")


async def _load(operator: Operator, *decks: Path) -> None:
    await operator.put(*decks)
    await _start(operator)


async def _start(operator: Operator) -> None:
    """Press LOAD and wait until the deck in the reader has been read."""
    await operator.until("the deck in the reader to be seen", lambda: operator.state_of("reader") == "ready")
    await operator.press("LOAD")
    await operator.read_through()


async def _end(operator: Operator, view: View) -> tuple[str, str]:
    """Return the whole typed page, and the lamps as they stand."""
    await operator.settled()
    lamps = (await operator.ask(do="lamps"))["lamps"]
    page = await operator.page()
    view.page(page)
    return "".join(f"{line}\n" for line in page), json.dumps(lamps, indent=1) + "\n"


def _deck(stick: Path) -> str:
    """Return the deck that the punch left on a stick."""
    decks = list(stick.glob("*.deck"))
    if not decks:
        raise ConsoleError("The machine halted without punching a card.")
    return decks[0].read_bytes().decode()


def _cards(deck: Path) -> int:
    return deck.read_bytes().count(b"\n")


TIDES = Job(
    tides,
    {TYPED: "the typed page", PUNCHED: "the punched heights", LAMPS: "the lamps at the end"},
)
DOUBLE_PASS = Job(
    double_pass,
    {
        TYPED: "the typed page",
        RESIDUALS: "the residuals, punched",
        CONDENSED: "the condensed program",
        LAMPS: "the lamps at the end",
    },
)
