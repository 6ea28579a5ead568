"""The page of states, held to the clients: the link's arrows are walked, all of them, and no others."""

import itertools
import re
from collections.abc import Callable
from pathlib import Path

from bridge.files import pages
from bridge.links.messages import CAUSE_TAKEN, MESSAGES, Cause, Refused, name_of
from tests.links.test_clients import WELCOMED, AnyCore, Console, Make
from tests.links.test_clients import console as console  # noqa: PLC0414 -- a fixture
from tests.links.test_clients import make as make  # noqa: PLC0414 -- a fixture

PAGE = next(page for page in pages() if page.name == "core-link-states.md").read_text(encoding="utf-8")
ARROW = re.compile(r"^ +([\w\[*\]]+) --> (\w+)(?:: (.*))?$", re.MULTILINE)
DIAGRAMS = [ARROW.findall(block) for block in PAGE.split("```mermaid")]
Act = Callable[[Console], None]


def lose(console: Console) -> None:
    console.hang_up()


def welcome(console: Console) -> None:
    console.say(WELCOMED)


def refuse(console: Console) -> None:
    console.say(Cause(CAUSE_TAKEN), Refused("taken"))


WALKS: list[tuple[Act, ...]] = [(welcome, lose), (lose,), (refuse, lose), (welcome, refuse, lose)]


def test_the_links_arrows_are_those_of_the_page(make: Make, console: Console) -> None:
    walked: set[tuple[str, str]] = set()
    for acts in WALKS:
        core = make()
        path = [state(core, linked=False)]
        path.append(state(core, linked=bool(core.poll(300))))
        console.accept()
        for act in acts:
            act(console)
            path.append(state(core, linked=bool(core.poll(1))))
        core.close()
        console.hang_up()
        walked |= set(itertools.pairwise(path))
    assert walked == {(begin, end) for begin, end, _ in DIAGRAMS[1] if begin != "[*]"}


def state(core: AnyCore, *, linked: bool) -> str:
    if core.descriptor() < 0:
        return "apart"
    if core.refusal():
        return "refused"
    return "linked" if linked else "greeting"


def test_the_arrows_speak_of_messages_there_are() -> None:
    known = {word for kind in MESSAGES.values() for word in name_of(kind).split()}
    labels = [label for diagram in DIAGRAMS for *_, label in diagram]
    assert len(labels) > 15
    assert {word for label in labels for word in re.findall(r"[A-Z]{3,}", label)} <= known


def test_the_page_is_where_the_links_page_says() -> None:
    core_link = next(page for page in pages() if page.name == "core-link.md")
    named = set(re.findall(r"\]\(([\w-]+\.md)\)", core_link.read_text(encoding="utf-8")))
    assert {Path(core_link.parent / name).exists() for name in named} == {True}
