"""A start at which something is missing: what is there works, what is not says so, and comes up when it appears."""

from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.console import load
from bridge.console.facts import Console
from bridge.daemon import assembly
from bridge.daemon.opening import REOPEN
from bridge.errors import ConsoleError
from bridge.links.client import CoreClient
from bridge.links.messages import Key, Welcome
from bridge.rehearsal.panel import RehearsedPanel
from bridge.rehearsal.wires import RehearsedWires
from bridge.wires.real import WireError
from tests.daemon.harness import MS, Rig
from tests.daemon.panels import SMALL
from tests.virtual import run_virtually

SIDE = """
[[bus]]
name = "cabinet"
kind = "i2c"
port = 1
rate_hz = 400_000
wires = "real"

[[part]]
name = "side lamps"
type = "PCA9685"
chips = 1
bus = "cabinet"
address = 0x40
blank = 5

[[part]]
name = "plain lamps"
type = "GPIO"
gpios = "12-13"
wires = "real"

[[lamp]]
name = "SIDE"
part = "side lamps"
channel = 0

[[lamp]]
name = "PLAIN"
part = "plain lamps"
channel = 1
"""
LAMPS = ["A.0", "SIDE", "PLAIN"]
Main = Callable[[Rig, "Board"], Coroutine[Any, Any, None]]


class Board:
    """A board's wires with a panel at their ends; what is in `missing` cannot be opened, nor what is held."""

    def __init__(self, console: Console, missing: set[str]) -> None:
        self.panel = RehearsedPanel(console.parts, console.lamps, console.keys)
        self.missing = missing
        self.levels: dict[int, bool] = {}
        self.opened: list[str] = []
        self.tried = 0
        self._wires: RehearsedWires = self.panel.wires

    def spi(self, port: int, select: int, rate_hz: int) -> Any:
        self._look(f"/dev/spidev{port}.{select}")
        return self._wires.spi(port, select, rate_hz)

    def i2c(self, port: int, rate_hz: int) -> Any:
        self._look(f"/dev/i2c-{port}")
        return self._wires.i2c(port, rate_hz)

    def line(self, gpio: int, level: bool) -> Any:
        self._look(f"GPIO{gpio}")
        self.levels[gpio] = level
        return self._wires.line(gpio, level)

    def close(self) -> None:
        self._wires.close()

    def _look(self, name: str) -> None:
        if name in self.missing:
            self.tried += 1
            raise WireError(f"{name}: is missing.")
        self.opened.append(name)


def on_board(folder: Path, monkeypatch: pytest.MonkeyPatch, missing: set[str], main: Main) -> None:
    file = folder / "board.toml"
    file.write_text(SMALL.format(cards_per_minute=300) + SIDE)
    console = load(file)
    board = Board(console, missing)
    monkeypatch.setattr(assembly, "RealWires", lambda: board)

    async def wrapped() -> None:
        async with Rig(folder, console, rehearse=False, unattended=True) as rig:
            await main(rig, board)

    run_virtually(wrapped())


def state(rig: Rig, device: str) -> tuple[str, str]:
    said = rig.state_of(device)
    assert said is not None
    return said.state, said.words


def new_client(rig: Rig) -> CoreClient:
    return CoreClient(str(rig.sockets.core), "trial", LAMPS, ["START", "DOOR"], ticks_per_second=1e4, run=5)


@pytest.mark.parametrize(
    ("missing", "part", "lamp"),
    [
        ({"/dev/spidev0.0"}, "lamp drivers", "A.0"),
        ({"GPIO24"}, "lamp drivers", "A.0"),
        ({"/dev/i2c-1"}, "side lamps", "SIDE"),
        ({"GPIO5", "/dev/i2c-1"}, "side lamps", "SIDE"),
        ({"GPIO13"}, "plain lamps", "PLAIN"),
        # What is opened late keeps its place among the channels.
        ({"GPIO12"}, "plain lamps", "PLAIN"),
    ],
)
def test_lamps_that_are_missing_come_up_by_themselves_and_keep_no_others_dark(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: set[str], part: str, lamp: str
) -> None:
    words = " ".join(f"{name}: is missing." for name in sorted(missing, reverse=True))

    async def main(rig: Rig, board: Board) -> None:
        assert state(rig, part) == ("not-ready", words)
        client = new_client(rig)
        await rig.talk(client, 20)
        client.rest(0b111)
        await rig.talk(client, 100)
        lit = board.panel.codes()
        assert [lit[name] for name in LAMPS] == [4095 * (name != lamp) for name in LAMPS]
        board.missing.clear()
        await rig.talk(client, REOPEN / MS + 20)
        lit = board.panel.codes()
        assert [lit[name] for name in LAMPS] == [4095] * 3
        assert state(rig, part) == ("ready", "")
        assert [said.state for said in rig.states if said.device == part] == ["not-ready", "ready"]
        client.close()

    on_board(tmp_path, monkeypatch, missing, main)


def test_keys_that_are_missing_read_as_open_and_come_as_they_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def main(rig: Rig, board: Board) -> None:
        board.panel.throw("DOOR", closed=True)
        client = new_client(rig)
        came = [message for _, message in await rig.talk(client, 4_000)]
        assert [message.closed for message in came if isinstance(message, Welcome)] == [b"\x00"]
        assert not [message for message in came if isinstance(message, Key)]
        board.missing.clear()
        came = [message for _, message in await rig.talk(client, REOPEN / MS)]
        assert [(message.key, message.closed) for message in came if isinstance(message, Key)] == [(1, True)]
        assert [said.state for said in rig.states if said.device == "key inputs"] == ["not-ready", "ready"]
        client.close()

    on_board(tmp_path, monkeypatch, {"/dev/spidev0.1"}, main)


def test_with_no_wire_at_all_the_console_still_starts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    everything = {f"GPIO{gpio}" for gpio in (5, 12, 13, 23, 24, 25)}
    everything |= {"/dev/spidev0.0", "/dev/spidev0.1", "/dev/i2c-1"}

    async def main(rig: Rig, board: Board) -> None:
        parts = ("lamp drivers", "key inputs", "side lamps", "plain lamps")
        assert {state(rig, part)[0] for part in parts} == {"not-ready"}
        await rig.wait(3 * REOPEN / MS + 100)
        # source: arithmetic: nine wires at the start, and each again three times.
        assert board.tried == 4 * len(everything)
        board.missing.clear()
        await rig.wait(REOPEN / MS)
        assert {state(rig, part)[0] for part in parts} == {"ready"}

    on_board(tmp_path, monkeypatch, everything, main)


@pytest.mark.parametrize("missing", ["/dev/spidev0.0", "GPIO24"])
def test_what_could_be_opened_stands_at_rest_and_is_not_opened_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    async def main(rig: Rig, board: Board) -> None:
        assert board.levels[25] is True  # blanked
        await rig.wait(REOPEN / MS + 100)
        board.missing.clear()
        await rig.wait(REOPEN / MS)
        assert state(rig, "lamp drivers")[0] == "ready"
        assert len(board.opened) == len(set(board.opened)) == 9

    on_board(tmp_path, monkeypatch, {missing}, main)


def test_a_bus_that_is_there_and_does_not_answer_is_tried_again_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deaf = True

    def transfer(end: Any, data: bytes) -> bytes:
        if deaf:
            raise OSError(5, "Input/output error")
        return bytes(end.twin.transfer(data))

    monkeypatch.setattr("bridge.rehearsal.wires.RehearsedSpi.transfer", transfer)

    async def main(rig: Rig, _: Board) -> None:
        nonlocal deaf
        words = "lamp drivers: its bus does not answer (Input/output error)."
        assert state(rig, "lamp drivers") == ("not-ready", words)
        deaf = False
        await rig.wait(REOPEN / MS + 20)
        assert state(rig, "lamp drivers")[0] == "ready"

    on_board(tmp_path, monkeypatch, set(), main)


def test_an_attended_start_refuses_with_everything_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "board.toml"
    file.write_text(SMALL.format(cards_per_minute=300) + SIDE)
    console = load(file)
    board = Board(console, {"GPIO24", "/dev/i2c-1"})
    monkeypatch.setattr(assembly, "RealWires", lambda: board)

    async def main() -> None:
        with pytest.raises(ConsoleError) as told:
            await Rig(tmp_path, console, rehearse=False).daemon.start()
        assert str(told.value).splitlines() == [
            "GPIO24: is missing.",
            "/dev/i2c-1: is missing.",
            "To try without the hardware, add --rehearse.",
        ]

    run_virtually(main())
