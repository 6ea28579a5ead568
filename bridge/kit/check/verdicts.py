"""What was found of each rule of the core link, and how that reads."""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

RULES: dict[str, str] = {
    "hello": "rule 1: HELLO comes first and says what the core is",
    "messages": "Messages: what is sent fits the table, what is not known is skipped",
    "refusal": "rule 9: refused for now, it tries again",
    "rest": "rule 2: lamps of a machine at rest",
    "running": "rule 2: frames of a machine that runs",
    "on-time": "rule 2: on-time never above elapsed",
    "keys": "rule 3: keys are answered",
    "typing": "rule 6: typing keeps to its credit",
    "cards": "rules 4 and 5: one card a request, none lost, none twice",
    "punching": "rules 4 and 5: punch numbers, one card under way",
    "reconnects": "a lost link: connects again, as the same run",
    "restart": "a daemon that was started anew: connects again, as the same run",
    "stall": "rule 2: a console that does not read for five seconds loses no light",
    "tasks": "rule 10: power, save and restore are answered",
}
"""The rules in the order in which they are told: what each is called here, and where the page has it."""

MOST_TOLD = 3
State = Literal["passed", "FAILED", "not exercised"]


@dataclass(frozen=True)
class Verdict:
    """One rule: how it came out and, in words, what was seen or why nothing could be."""

    rule: str
    state: State
    words: str


@dataclass
class Findings:
    """Collects what is seen; the first failures of a rule are told, later ones counted."""

    _failed: dict[str, list[str]] = field(default_factory=dict)
    _seen: dict[str, str] = field(default_factory=dict)
    _why_not: dict[str, str] = field(default_factory=dict)

    def failed(self, rule: str, words: str) -> None:
        """Note that a rule was broken."""
        self._failed.setdefault(rule, []).append(words)

    def seen(self, rule: str, words: str) -> None:
        """Note that a rule was kept; the last words count."""
        self._seen[rule] = words

    def not_exercised(self, rule: str, why: str) -> None:
        """Note why nothing can be said of a rule, unless something is."""
        self._why_not[rule] = why

    def verdicts(self) -> list[Verdict]:
        """Return one verdict for each rule."""
        return [self._verdict(rule) for rule in RULES]

    def _verdict(self, rule: str) -> Verdict:
        if failures := self._failed.get(rule):
            more = [f"and {len(failures) - MOST_TOLD} times more"] if len(failures) > MOST_TOLD else []
            return Verdict(rule, "FAILED", "; ".join([*failures[:MOST_TOLD], *more]))
        if rule in self._seen:
            return Verdict(rule, "passed", self._seen[rule])
        return Verdict(rule, "not exercised", self._why_not.get(rule, "the check did not come so far"))


def report(verdicts: list[Verdict]) -> Iterator[str]:
    """Yield the report's lines."""
    for verdict in verdicts:
        yield f"{verdict.state:<14} {RULES[verdict.rule]}"
        yield from textwrap.wrap(verdict.words, 100, initial_indent=" " * 15, subsequent_indent=" " * 15)
    count = {state: sum(verdict.state == state for verdict in verdicts) for state in ("passed", "FAILED")}
    left = len(verdicts) - count["passed"] - count["FAILED"]
    yield f"{count['passed']} passed, {count['FAILED']} failed, {left} not exercised"
