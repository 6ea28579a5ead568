"""The judge: cores that keep the rules pass, and each that breaks one is caught by that rule."""

import asyncio
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.cards.deck import parse
from bridge.clock import LoopClock
from bridge.demo.first_core import FirstCore
from bridge.demo.skerry.core import SkerryCore
from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.kit.check.command import judge
from bridge.kit.check.script import Hands
from bridge.kit.check.verdicts import RULES, Findings, Verdict, report
from tests.daemon.harness import Rig
from tests.kit import toys
from tests.kit.toys import Toy
from tests.virtual import run_virtually

CHECK = [sys.executable, "-m", "bridge", "core", "check"]


def judged(
    folder: Path, core: Callable[[str], Any], *, deck: tuple[bytes, ...] = (), names: Any = None, **hands: Any
) -> dict[str, Verdict]:
    """Judge a core that runs on the same virtual time."""

    async def main() -> list[Verdict]:
        path = folder / "core.sock"
        running = asyncio.create_task(core(str(path)))
        try:
            ended = lambda: "a fault" if running.done() else ""  # noqa: E731
            return await judge(path, deck, names, Hands(**hands), ended)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

    return {verdict.rule: verdict for verdict in run_virtually(main())}


async def run_first_core(path: str) -> None:
    core = FirstCore(path)
    loop = asyncio.get_running_loop()
    try:
        while True:
            core.look(round(loop.time() * 1e9))
            await asyncio.sleep(0.005)
    finally:
        core.client.close()


def run_toy(kind: type[Toy]) -> Callable[[str], Any]:
    return lambda path: kind(path).run()


def states(verdicts: dict[str, Verdict]) -> dict[str, set[str]]:
    return {state: {v.rule for v in verdicts.values() if v.state == state} for state in ("FAILED", "not exercised")}


def test_a_core_that_does_everything_right_passes_every_rule(tmp_path: Path) -> None:
    verdicts = judged(tmp_path, run_toy(Toy))
    assert states(verdicts) == {"FAILED": set(), "not exercised": set()}, verdicts
    assert "asked again for a card and a punched card" in verdicts["reconnects"].words
    assert verdicts["tasks"].words.startswith("save check: done after 0.0")
    assert verdicts["tasks"].words.count(": done after") == 4
    assert "100% of its ticks_per_second" in verdicts["running"].words


def test_the_first_core_passes_and_what_it_does_not_do_is_said(tmp_path: Path) -> None:
    verdicts = judged(tmp_path, run_first_core)
    left = {"running", "on-time", "typing", "cards", "punching", "stall"}
    assert states(verdicts) == {"FAILED": set(), "not exercised": left}
    assert verdicts["keys"].words == "lamps, cards or typing changed with " + ", ".join(
        f"W.{n}" for n in range(7, -1, -1)
    )
    assert "--press" in verdicts["running"].words


def test_the_demos_machine_passes_every_rule_at_its_own_job(tmp_path: Path) -> None:
    files = ("loader", "tide", "gannet-bay")
    deck = [card for name in files for card in parse((examples() / f"decks/{name}.deck").read_bytes(), name)]

    async def run(path: str) -> None:
        rig: Any = Rig.__new__(Rig)
        rig.clock = LoopClock()
        await rig._core(SkerryCore(path, run=1))

    verdicts = judged(tmp_path, run, deck=tuple(deck), throw=["SELECT.A"], press=["LOAD"])
    assert states(verdicts)["FAILED"] == set(), verdicts
    assert {"running", "on-time", "cards"} & states(verdicts)["not exercised"] == set()


FAULTS: list[tuple[Any, str, str]] = [
    (toys.says_read_first, "hello", "READ came before HELLO"),
    (toys.lists_a_lamp_twice, "hello", "lamp 'RUN' is listed twice"),
    (toys.ends_at_an_unknown_message, "messages", "the link was lost after WELCOME"),
    (toys.takes_each_piece_for_a_message, "messages", "the link was lost after WELCOME"),
    (toys.gives_up_when_refused, "refusal", "it did not come again"),
    (toys.tells_nothing_at_rest, "rest", "no LAMPS came within 3 s"),
    (toys.repeats_itself_at_rest, "rest", "send one when lamps change"),
    (toys.sends_all_the_time, "running", "LAMPS a second; about 100"),
    (toys.has_forgotten_its_card, "cards", "HAVE number 0 picked_at 0 (byte 5)"),
    (toys.does_not_ask_again, "cards", "READ that was not answered was not sent again"),
    (toys.does_not_ask_again, "punching", "not acknowledged, was not sent again"),
    (toys.numbers_cards_anew, "punching", "while another one was under way"),
    (toys.another_card_under_the_same_number, "punching", "another card under number"),
    (toys.punches_two_at_once, "punching", "while another one was under way"),
    (toys.is_another_run_each_time, "reconnects", "run changed from"),
    (toys.is_another_run_each_time, "restart", "(byte 9)"),
    (toys.never_comes_again, "reconnects", "it has not come again within 5 s"),
    (toys.forgets_while_the_socket_is_full, "stall", "never wait for it"),
]


@pytest.mark.parametrize(
    ("fault", "rule", "words"), FAULTS, ids=[f"{fault.__name__}-{rule}" for fault, rule, _ in FAULTS]
)
def test_a_broken_core_is_caught_by_its_rule(tmp_path: Path, fault: Any, rule: str, words: str) -> None:
    verdict = judged(tmp_path, run_toy(toys.faulty(fault)))[rule]
    assert verdict.state == "FAILED", verdict
    assert words in verdict.words


@pytest.mark.parametrize(
    ("fault", "rule", "words"),
    [
        (toys.lights_longer_than_time, "on-time", "LAMPS: A.1 lit 101 of 100 ticks (byte 16)"),
        (toys.a_byte_too_many, "messages", "LAMPS: 2 bytes of bits for 3 lamps, not 1 (byte 9)"),
    ],
)
def test_the_byte_is_named(tmp_path: Path, fault: Any, rule: str, words: str) -> None:
    # source: core-link.md: length u32, type u8, elapsed u32, bits u16 and bytes, then a u32 a lamp.
    verdict = judged(tmp_path, run_toy(toys.faulty(fault)))[rule]
    assert verdict.state == "FAILED"
    assert words in verdict.words


def test_a_deaf_core_and_a_talkative_one_are_caught(tmp_path: Path) -> None:
    assert judged(tmp_path, run_toy(toys.Deaf))["keys"].state == "FAILED"
    typing = judged(tmp_path, run_toy(toys.Talkative))["typing"]
    assert typing.state == "FAILED"
    assert "characters for a credit of" in typing.words


def test_a_core_that_leaves_tasks_undone_is_caught(tmp_path: Path) -> None:
    verdict = judged(tmp_path, run_toy(toys.Busy))["tasks"]
    assert verdict.state == "FAILED"
    assert verdict.words.startswith("save check was not answered within 3 s; restore check was not")
    assert verdict.words.endswith("and 2 times more")


def test_a_core_that_says_it_did_what_nobody_can_is_caught(tmp_path: Path) -> None:
    verdict = judged(tmp_path, run_toy(toys.Eager))["tasks"]
    assert verdict.state == "FAILED"
    assert "DONE 1 answers nothing that was asked, or not for the first time (byte 5)" in verdict.words
    assert "more than 255 bytes of words" in verdict.words
    asked = judged(tmp_path, run_toy(type("Once", (toys.Eager,), {"tend": says_yes})))["tasks"]
    assert asked.words == "a state that was never saved, check-never-saved, is said to be restored"


def says_yes(toy: Toy) -> None:
    if toy.client.task_came() is not None:
        toy.client.done("yes")


def test_a_core_may_end_when_its_power_goes(tmp_path: Path) -> None:
    verdicts = judged(tmp_path, run_toy(toys.Quits))
    assert states(verdicts)["FAILED"] == set(), verdicts
    assert "power off: done" in verdicts["tasks"].words


def test_a_core_that_ends_is_told(tmp_path: Path) -> None:
    async def ends(path: str) -> None:
        return

    verdict = judged(tmp_path, ends)["hello"]
    assert (verdict.state, verdict.words) == ("FAILED", "the core ended on its own: a fault")


def test_a_key_that_the_core_does_not_know_is_said(tmp_path: Path) -> None:
    with pytest.raises(ConsoleError, match=r'knows no key "BEGIN"\. Its keys: GO, STOP'):
        judged(tmp_path, run_toy(Toy), press=["BEGIN"])


def test_names_the_panel_lacks_are_told_to_the_core(tmp_path: Path) -> None:
    told: list[tuple[str, ...]] = []

    class Curious(Toy):
        def step(self, now: int) -> None:
            super().step(now)
            if self.client.welcome is not None and not told:
                told.append(self.client.welcome.missing_lamps + self.client.welcome.missing_keys)

    judged(tmp_path, run_toy(Curious), names=["RUN", "GO"])
    assert told == [("A.1", "A.0", "STOP")]


def test_the_report_can_be_read() -> None:
    findings = Findings()
    for n in range(5):
        findings.failed("typing", f"fault {n}")
    findings.seen("hello", "a core")
    lines = list(report(findings.verdicts()))
    assert lines[:2] == [f"passed         {RULES['hello']}", "               a core"]
    at = lines.index(f"FAILED         {RULES['typing']}")
    assert lines[at + 1] == "               fault 0; fault 1; fault 2; and 2 times more"
    assert lines[-1] == f"1 passed, 1 failed, {len(RULES) - 2} not exercised"


def test_a_command_that_is_none_is_said() -> None:
    done = subprocess.run([*CHECK, "--", "/no/such/core"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (2, "/no/such/core: cannot be started (No such file or directory).\n")
