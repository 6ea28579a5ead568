"""What happens at the scripted console, in order, and what is made of it."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bridge.clock import SECOND
from bridge.errors import ConsoleError
from bridge.kit.check.console import Frame, ScriptedConsole
from bridge.kit.check.verdicts import Findings
from bridge.links.messages import (
    CAUSE_TAKEN,
    KNOWS_POWER,
    KNOWS_STATE,
    TASK_POWER_OFF,
    TASK_POWER_ON,
    TASK_RESTORE,
    TASK_SAVE,
    Hello,
)

HELLO_WITHIN = 10.0
AGAIN_WITHIN = 5.0
FIRST_LAMPS_WITHIN = 3.0
AT_REST = 1.0
SWEEP = 4.0
"""Seconds for closing and opening all keys, one after another."""
AT_WORK = 3.0
WITHHELD = 0.6
ABSENT = 0.7
STALLED = 5.0
AFTER = 1.0
MOST_FRAMES = 250
"""A second: two and a half times what the page asks for."""
SHOWN_FOR = 0.05
"""Seconds a frame's on-time is shown; with no other by then the lamps stand still."""
TASK_WITHIN = 3.0
POWER_WITHIN = 0.8
"""As a console that is being shut down gives it."""
GONE = 0.3
"""Seconds that a core may take to end after it has answered that power goes."""
SAVED, NEVER_SAVED = "check", "check-never-saved"
"""Names of states."""
LIGHT_KEPT = 0.8
"""Of the ticks that a stall should have, those that must be there: the rest is the machine's own unsteadiness."""

Ended = Callable[[], str]
"""Returns how the core has ended, in words, or "" while it runs."""


class CoreEndedError(Exception):
    """The core is no more; `str()` says how it ended."""


@dataclass(frozen=True)
class Hands:
    """What the operator does to set the machine to work: keys kept closed, and keys pressed, by name."""

    throw: Sequence[str] = ()
    press: Sequence[str] = ()


class Script:
    """Works one core at one scripted console from hello to stall, some twenty seconds."""

    def __init__(self, console: ScriptedConsole, findings: Findings, hands: Hands, ended: Ended) -> None:
        self._console, self._findings, self._hands, self._ended = console, findings, hands, ended
        self._starter: int | None = None
        """The key that sets the machine going while it is closed, if one does."""
        self._answered: list[str] = []
        self._steady = True

    async def run(self) -> None:
        """Go through all of it; raises CoreEndedError when the core ends on the way, ConsoleError for keys it lacks."""
        steps = (self._hello, self._rest, self._keys, self._work, self._cut, self._restart, self._stall, self._tasks)
        for step in steps:
            if not await step():
                break
            # With its power gone it may end.
            if (ended := self._ended()) and step != self._tasks:
                raise CoreEndedError(ended)
        if self._console.hello is not None:
            self._sum_up()

    # The steps; each returns whether there is any use in going on.

    async def _hello(self) -> bool:
        console = self._console
        console.refuse_next(CAUSE_TAKEN, "this is a trial: try again")
        await console.until(lambda: console.linked or bool(self._ended()), HELLO_WITHIN)
        if ended := self._ended():
            raise CoreEndedError(ended)
        if not console.linked:
            if console.refused_at is None:
                self._findings.failed("hello", f"no HELLO came within {HELLO_WITHIN:g} seconds")
            else:
                self._findings.failed(
                    "refusal", f"refused with cause {CAUSE_TAKEN}, it did not come again in {HELLO_WITHIN:g} s"
                )
            return False
        hello = self._core
        lists = f"{len(hello.lamps)} lamps, {len(hello.keys)} keys, {hello.ticks_per_second:,.0f} ticks a second"
        self._findings.seen("hello", f"{hello.name}: {lists}")
        if console.refused_at is not None and console.linked_at is not None:
            waited = (console.linked_at - console.refused_at) / SECOND
            self._findings.seen("refusal", f"it came again {waited:.2f} s after it was refused")
        return True

    async def _rest(self) -> bool:
        console, findings = self._console, self._findings
        console.give_credit(5)
        # A busy machine takes its time over WELCOME, which is sent in small pieces.
        await console.until(lambda: bool(console.frames) or not console.linked, FIRST_LAMPS_WITHIN)
        await console.wait(AT_REST)
        if not console.linked or console.links > 1:
            findings.failed("messages", "the link was lost after WELCOME, which came in pieces, and an unknown message")
            return bool(await console.until(lambda: console.linked, AGAIN_WITHIN))
        findings.seen("messages", "WELCOME in single bytes was understood, an unknown message skipped")
        frames = list(console.frames)
        if not frames:
            words = f"no LAMPS came within {FIRST_LAMPS_WITHIN:g} s of WELCOME: nobody knows how the lamps stand"
            findings.failed("rest", words)
        elif all(frame.elapsed == 0 for frame in frames):
            if len(frames) > MOST_FRAMES:
                findings.failed(
                    "rest", f"{len(frames)} LAMPS in a second from a machine at rest: send one when lamps change"
                )
            else:
                findings.seen("rest", f"{len(frames)} LAMPS with elapsed 0 in the first second")
        else:
            findings.not_exercised("rest", "the machine ran from the start")
        return True

    async def _keys(self) -> bool:
        console, hands = self._console, self._hands
        console.serve_all()
        names = self._core.keys
        for name in (*hands.throw, *hands.press):
            if name not in names:
                raise ConsoleError(f'This core knows no key "{name}". Its keys: {", ".join(names) or "none"}.')
        if hands.throw or hands.press:
            for name in hands.throw:
                console.key(names.index(name), closed=True)
                await console.wait(0.1)
            for name in hands.press:
                await self._press(names.index(name))
            return True
        each = min(0.15, SWEEP / max(1, len(names)) / 2)
        for key in range(len(names)):
            await self._press(key, each)
        return True

    async def _press(self, key: int, each: float = 0.15) -> None:
        console = self._console
        before, frames = console.activity, len(console.frames)
        await console.wait(each)
        idle = console.activity - before
        self._steady = self._steady and idle == 0
        before = console.activity
        console.key(key, closed=True)
        await console.wait(each)
        if any(frame.elapsed for frame in console.frames[frames:]) and self._starter is None:
            self._starter = key
        console.key(key, closed=False)
        await console.wait(each)
        if console.activity - before > idle:
            self._answered.append(self._core.keys[key])

    async def _work(self) -> bool:
        console = self._console
        if self._starter is not None:
            console.key(self._starter, closed=True)
        start = console.now()
        await console.wait(AT_WORK)
        self._judge_running(self._since(start), AT_WORK)
        return True

    async def _cut(self) -> bool:
        """Leave what is asked for unanswered, cut the link, and see what is asked for again."""
        console = self._console
        console.serves.clear()
        await console.wait(WITHHELD)
        return await self._meet_again("reconnects", console.hang_up)

    async def _restart(self) -> bool:
        console = self._console
        console.serves.clear()
        await console.wait(WITHHELD)
        console.go()
        await console.wait(ABSENT)
        await console.listen()
        return await self._meet_again("restart", lambda: None)

    async def _meet_again(self, rule: str, act: Callable[[], None]) -> bool:
        console, before, owed = self._console, self._core, self._console.owed()
        act()
        start = console.now()
        await console.until(lambda: not console.linked, 1.0)
        if not await console.until(lambda: console.linked or bool(self._ended()), AGAIN_WITHIN) or self._ended():
            self._findings.failed(rule, f"it has not come again within {AGAIN_WITHIN:g} s")
            return False
        took = (console.now() - start) / SECOND
        await console.wait(0.4)
        console.judge_what_was_owed()
        after = self._core
        if after.run != before.run:
            self._findings.failed(rule, f"HELLO: run changed from {before.run:#x} to {after.run:#x} (byte 9)")
        if (after.lamps, after.keys) != (before.lamps, before.keys):
            self._findings.failed(rule, "HELLO: it lists other lamps or keys than before")
        told = f", and asked again for {owed}" if owed else ""
        self._findings.seen(rule, f"it came again after {took:.2f} s as the same run{told}")
        console.give_credit(3)
        console.serve_all()
        await console.wait(0.5)
        return True

    async def _stall(self) -> bool:
        console, findings = self._console, self._findings
        if self._starter is None and self._hands.press:
            for name in self._hands.press:
                await self._press(self._core.keys.index(name))
        start = console.now()
        await console.wait(AFTER)
        rate = sum(frame.elapsed for frame in self._since(start)) / AFTER
        start = console.now()
        console.stall(stalled=True)
        await console.wait(STALLED)
        console.stall(stalled=False)
        await console.wait(AFTER)
        if not console.linked:
            findings.failed("stall", f"the link was lost when nothing was read for {STALLED:g} s")
            return False
        frames = self._since(start)
        got, expected = sum(frame.elapsed for frame in frames), rate * (STALLED + AFTER)
        if not rate:
            why = "the machine stood still: it lived through the stall, but there was no light to lose"
            findings.not_exercised("stall", why)
            return True
        words = f"{got:,} ticks came for a time of about {expected:,.0f}"
        if got < LIGHT_KEPT * expected:
            findings.failed("stall", f"{words}: count on while the socket is full, and never wait for it")
        else:
            longest = max(frame.elapsed for frame in frames)
            findings.seen("stall", f"{words}, the longest LAMPS of {longest:,}")
        return True

    async def _tasks(self) -> bool:
        console, findings = self._console, self._findings
        told = []
        if console.knows & KNOWS_STATE:
            for task, name, called in ((TASK_SAVE, SAVED, "save"), (TASK_RESTORE, SAVED, "restore")):
                told.append(await self._ask(task, name, f"{called} {name}", TASK_WITHIN))
            if await self._ask(TASK_RESTORE, NEVER_SAVED, f"restore {NEVER_SAVED}", TASK_WITHIN) == "done":
                findings.failed("tasks", f"a state that was never saved, {NEVER_SAVED}, is said to be restored")
        if console.knows & KNOWS_POWER:
            told.append(await self._ask(TASK_POWER_OFF, "the check is over", "power off", POWER_WITHIN))
            await console.wait(GONE)
            if console.linked and not self._ended():
                told.append(await self._ask(TASK_POWER_ON, "it was a trial", "power on", POWER_WITHIN))
        if told:
            findings.seen("tasks", "; ".join(told))
        else:
            findings.not_exercised("tasks", "it has not said KNOWS: nobody tells it that power goes")
        return True

    async def _ask(self, task: int, words: str, called: str, within: float) -> str:
        """Have the core do something and return what came of it in words; it is a failure if nothing does."""
        start = self._console.now()
        answer = await self._console.ask(task, words, within)
        if answer is None:
            self._findings.failed("tasks", f"{called} was not answered within {within:g} s")
            return "no answer"
        if called.endswith(NEVER_SAVED):
            return "failed" if answer.failed else "done"
        took = (self._console.now() - start) / SECOND
        outcome = f"failed, {answer.words!r}" if answer.failed else "done"
        return f"{called}: {outcome} after {took:.2f} s"

    # What is made of it

    @property
    def _core(self) -> Hello:
        assert self._console.hello is not None  # noqa: S101 -- the first step has seen to it
        return self._console.hello

    def _since(self, start: int) -> list[Frame]:
        return [frame for frame in self._console.frames if frame.at >= start]

    def _judge_running(self, frames: Sequence[Frame], seconds: float) -> None:
        running = [frame for frame in frames if frame.elapsed]
        if not running:
            why = "the machine never ran: say with --throw and --press which keys set it going"
            for rule in ("running", "on-time"):
                self._findings.not_exercised(rule, why)
            return
        gaps = sorted(later.at - frame.at for frame, later in itertools.pairwise(running))
        middle = gaps[len(gaps) // 2] / SECOND if gaps else seconds
        ran = sum(frame.elapsed for frame in running)
        rate = len(running) / seconds
        if rate > MOST_FRAMES:
            self._findings.failed("running", f"{rate:.0f} LAMPS a second; about 100 are asked for")
        elif middle > SHOWN_FOR:
            self._findings.failed("running", f"LAMPS come {middle * 1000:.0f} ms apart; after 50 ms lamps stand still")
        else:
            share = ran / (self._core.ticks_per_second * seconds)
            words = f"{ran:,} ticks in {seconds:g} s are {share:.0%} of its ticks_per_second"
            self._findings.seen("running", f"{rate:.0f} LAMPS a second; {words}")
        self._findings.seen("on-time", f"{len(running)} LAMPS looked at, every lamp of each")

    def _sum_up(self) -> None:
        console, findings = self._console, self._findings
        work = "say with --throw and --press how to set it to work, and with --deck what it reads"
        keys = len(self._core.keys)
        if not keys:
            findings.not_exercised("keys", "it lists no keys")
        elif self._answered:
            findings.seen("keys", f"lamps, cards or typing changed with {', '.join(self._answered[:8])}")
        elif not self._steady:
            findings.not_exercised("keys", "its lamps change all the time, so no change can be put down to a key")
        else:
            findings.failed("keys", "nothing changed with any key that was closed and opened")
        if console.typed:
            findings.seen("typing", f"{console.typed} characters, never more than there was credit for")
        else:
            findings.not_exercised("typing", f"it typed nothing: {work}")
        if console.reads:
            findings.seen("cards", f"{console.reads} asked for, {console.cards} given, each once")
        else:
            findings.not_exercised("cards", f"it asked for no card: {work}")
        if console.punches:
            findings.seen("punching", f"{console.punches} punched, numbered one after another")
        else:
            findings.not_exercised("punching", f"it punched nothing: {work}")
        if console.frames and any(frame.elapsed for frame in console.frames):
            findings.seen("on-time", f"{len(console.frames)} LAMPS looked at, every lamp of each")
