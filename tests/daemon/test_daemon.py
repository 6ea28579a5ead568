"""What happens to a running console: visitors, plugs, cores. Each time a word is said and the daemon carries on."""

import asyncio
import shutil
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from bridge.daemon.bus import Bus
from bridge.daemon.daemon import FaultError
from bridge.errors import ConsoleError
from bridge.links.client import CoreClient
from bridge.links.messages import CardRead, Credit, Hello, Key, Lamps, Punched, Refused, Type, Welcome, encode
from bridge.links.observer import observe
from bridge.rehearsal.panel import RehearsedPanel
from tests.daemon.harness import LoopBus, Rig
from tests.daemon.panels import small_console
from tests.virtual import run_virtually

Main = Callable[[Rig], Coroutine[Any, Any, None]]
LAMPS = [f"A.{bit}" for bit in range(8)] + ["NOWHERE"]
HELLO = Hello(1, 1, 5, 1e4, "trial", tuple(LAMPS), ("START",))


def on_small_console(folder: Path, main: Main) -> None:
    async def wrapped() -> None:
        async with Rig(folder, small_console(folder)) as rig:
            await main(rig)

    run_virtually(wrapped())


def new_client(rig: Rig, run: int = 5) -> CoreClient:
    return CoreClient(str(rig.sockets.core), "trial", LAMPS, ["START", "DOOR"], ticks_per_second=1e4, run=run)


def lit(rig: Rig) -> list[int]:
    """Return the codes of A.0 to A.7."""
    codes = rig.lit()
    return [codes[name] for name in LAMPS[:8]]


def test_dark_until_a_core_comes_lit_as_it_says_and_dark_when_it_goes(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        await rig.wait(100)
        assert lit(rig) == [0] * 8
        client = new_client(rig)
        await rig.talk(client, 20)
        assert client.welcome is not None
        assert client.welcome.missing_lamps == ("NOWHERE",)
        client.cycle(0b01, 3)
        client.cycle(0b11, 1)
        await rig.talk(client, 20)
        full, quarter, dark = lit(rig)[:3]
        assert (full, dark) == (4095, 0)
        assert quarter in {1023, 1024}  # 1023.75, by dither
        client.rest(0b101)
        await rig.talk(client, 80)
        assert lit(rig)[:3] == [4095, 0, 4095]
        client.close()
        await rig.wait(80)
        assert lit(rig) == [0] * 8
        state = rig.state_of("core")
        assert state is not None
        assert state.state == "absent"

    on_small_console(tmp_path, main)


def test_keys_reach_the_core_that_is_there_and_levels_the_one_that_comes(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        await rig.throw("DOOR", closed=True)
        client = new_client(rig)
        came = [message for _, message in await rig.talk(client, 20)]
        assert [message.closed for message in came if isinstance(message, Welcome)] == [b"\x02"]
        thrown = rig.clock.now()
        rig.daemon.panel.throw("START", closed=True)
        keys = [(at, message) for at, message in await rig.talk(client, 50) if isinstance(message, Key)]
        assert [(message.key, message.closed) for _, message in keys] == [(0, 1)]
        assert thrown <= keys[0][1].at <= thrown + 7_000_000
        client.close()

    on_small_console(tmp_path, main)


class PanelFirst(LoopBus):
    """Steps a bus after something was done to the panel at it."""

    act: Callable[[RehearsedPanel], None]
    rig: Rig

    def __init__(self, bus: Bus, failed: Callable[[BaseException], None]) -> None:
        PanelFirst.act(PanelFirst.rig.daemon.panel)
        super().__init__(bus, failed)


@pytest.mark.parametrize(("plugged", "closed"), [(True, b"\x02"), (False, b"\x00")])
def test_a_core_that_comes_when_the_start_is_over_is_told_how_keys_stood_before_it(
    tmp_path: Path, plugged: bool, closed: bytes
) -> None:
    def act(panel: RehearsedPanel) -> None:
        panel._set(panel._keys["DOOR"], closed=True)  # long ago: it does not bounce any more
        panel.plug("key inputs", plugged=plugged)

    async def main() -> None:
        PanelFirst.act = act
        PanelFirst.rig = rig = Rig(tmp_path, small_console(tmp_path), run_bus=PanelFirst)
        async with rig:
            client = new_client(rig)
            came = [message for _, message in await rig.talk(client, 20)]
            assert [message.closed for message in came if isinstance(message, Welcome)] == [closed]
            state = rig.state_of("key inputs")
            assert state is not None
            assert state.state == ("ready" if plugged else "cable")
            client.close()

    run_virtually(main())


def test_a_cable_that_comes_off_throws_no_key(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        client = new_client(rig)
        await rig.talk(client, 20)
        rig.daemon.panel.plug("key inputs", plugged=False)
        assert not [m for _, m in await rig.talk(client, 500) if isinstance(m, Key)]
        state = rig.state_of("key inputs")
        assert state is not None
        assert state.state == "cable"
        rig.daemon.panel.plug("key inputs", plugged=True)
        assert not [m for _, m in await rig.talk(client, 500) if isinstance(m, Key)]
        state = rig.state_of("key inputs")
        assert state is not None
        assert state.state == "ready"
        client.close()

    on_small_console(tmp_path, main)


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (encode(Lamps(0, b"\x00", b"")), "1 bytes of bits for 9 lamps"),
        (encode(Lamps(5, b"\x00\x00", b"\x00" * 4)), "4 bytes of on-time for 9 lamps"),
        (encode(Lamps(5, b"\x00\x00", b"\x06\x00\x00\x00" * 9)), "lit 6 of 5 ticks"),
        (b"\xa1\x00\x00\x00\x04\x01\x00\x00\x00" + b"\xff" * 156, "PUNCH|bytes expected"),
        (b"\xa5\x00\x00\x00\x04\x01\x00\x00\x00" + b"\xff" * 160, "below row 9"),
    ],
)
def test_a_core_that_breaks_a_rule_is_let_go_and_nothing_lights(tmp_path: Path, sent: bytes, reason: str) -> None:
    async def main(rig: Rig) -> None:
        reader, writer = await asyncio.open_unix_connection(str(rig.sockets.core))
        writer.write(encode(HELLO) + sent)
        await asyncio.wait_for(reader.read(), 10)
        writer.close()
        await rig.wait(100)
        assert lit(rig) == [0] * 8
        state = rig.state_of("core")
        assert state is not None
        assert state.state == "refused"
        assert any(part in state.words for part in reason.split("|"))
        client = new_client(rig)
        await rig.talk(client, 20)
        assert client.connected
        client.close()

    on_small_console(tmp_path, main)


def test_a_name_listed_twice_is_refused(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        reader, writer = await asyncio.open_unix_connection(str(rig.sockets.core))
        hello = encode(Hello(1, 1, 5, 1e4, "trial", ("A.0", "B", "A.0"), ()))
        writer.write(hello)
        place = hello.rindex(b"\3\0A.0")
        said = f"'A.0' is listed twice (byte {place} of the message, rule 1 of the core link)"
        assert said.encode() in await asyncio.wait_for(reader.read(), 10)
        writer.close()
        reader, writer = await asyncio.open_unix_connection(str(rig.sockets.core))
        hello = encode(Hello(1, 1, 5, 1e4, "trial", ("A.0",), ("Ä", "Ä")))
        writer.write(hello)
        place = hello.rindex(b"\2\0\xc3\x84")
        assert f"key 'Ä' is listed twice (byte {place} ".encode() in await asyncio.wait_for(reader.read(), 10)
        writer.close()

    on_small_console(tmp_path, main)


def test_an_empty_folder_a_deck_and_a_deck_that_vanishes(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        def state(device: str) -> str:
            found = rig.state_of(device)
            return "" if found is None else found.state

        client = new_client(rig)
        await rig.talk(client, 600)
        assert state("reader") == "empty"
        client.read_card()
        assert not [m for _, m in await rig.talk(client, 2000) if isinstance(m, CardRead)]
        deck = tmp_path / "reader" / "two.deck"
        deck.write_text("FIRST\nSECOND\nTHIRD\n")
        first = [m for _, m in await rig.talk(client, 1500) if isinstance(m, CardRead)]
        assert [m.number for m in first] == [1]
        assert state("reader") == "ready"
        shutil.rmtree(tmp_path / "reader")
        await rig.talk(client, 1000)
        assert state("reader") == "not-ready"
        client.read_card()
        assert not [m for _, m in await rig.talk(client, 2000) if isinstance(m, CardRead)]
        (tmp_path / "reader").mkdir()
        deck.write_text("AGAIN\n")
        assert [m.number for _, m in await rig.talk(client, 1500) if isinstance(m, CardRead)] == [2]
        client.close()

    on_small_console(tmp_path, main)


def test_a_card_sent_again_after_a_lost_link_is_punched_once(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        client = new_client(rig)
        await rig.talk(client, 600)
        card = b"\x00\x09" + bytes(158)  # 12-1, an A
        number = client.punch(card)
        came = [m for _, m in await rig.talk(client, 2000)]
        assert [m.number for m in came if isinstance(m, Punched)] == [number]
        again = new_client(rig)
        client.close()
        await rig.talk(again, 600)
        assert again.punch(card) == number
        assert [m.number for _, m in await rig.talk(again, 2000) if isinstance(m, Punched)] == [number]
        (deck,) = (tmp_path / "punch").glob("*.deck")
        assert deck.read_text() == "A\n"
        again.close()

    on_small_console(tmp_path, main)


def test_a_card_sent_again_to_a_daemon_that_was_started_anew_is_punched_once(tmp_path: Path) -> None:
    card, other = b"\x00\x09" + bytes(158), b"\x80\x08" + bytes(158)  # 12-1, an A; 12-2, a B

    async def first(rig: Rig) -> None:
        client = new_client(rig)
        await rig.talk(client, 600)
        client.punch(card)
        await rig.talk(client, 2000)
        client.punch(other)
        await rig.wait(10)  # it is on its way, and the core knows nothing more of it
        client.close()

    async def second(rig: Rig) -> None:
        client = new_client(rig)
        await rig.talk(client, 600)
        assert client.punch(card) == 1
        came = [m for _, m in await rig.talk(client, 2000)]
        assert client.punch(other) == 2
        came += [m for _, m in await rig.talk(client, 2000)]
        assert [m.number for m in came if isinstance(m, Punched)] == [1, 2]
        (deck,) = (tmp_path / "punch").glob("*.deck")
        assert deck.read_text() == "A\nB\n"
        client.close()

    on_small_console(tmp_path, first)
    on_small_console(tmp_path, second)


@pytest.mark.parametrize(("number", "says"), [(2, "with other holes"), (1, "with other holes")])
def test_another_card_under_a_number_that_was_used_is_refused(tmp_path: Path, number: int, says: str) -> None:
    async def main(rig: Rig) -> None:
        client = new_client(rig)
        await rig.talk(client, 600)
        for _ in range(2):
            client.punch(bytes(160))
            await rig.talk(client, 2000)
        client._punch_number = number - 1
        client.punch(b"\x00\x09" + bytes(158))
        came = [m for _, m in await rig.talk(client, 100)]
        assert any(isinstance(m, Refused) and says in m.reason for m in came)
        client.close()

    on_small_console(tmp_path, main)


def test_typing_goes_out_in_order_and_more_than_the_credit_breaks_the_link(tmp_path: Path) -> None:
    async def main() -> None:
        async with Rig(tmp_path) as rig:
            client = new_client(rig)
            came = [m for _, m in await rig.talk(client, 50)]
            assert sum(m.characters for m in came if isinstance(m, Credit)) == client.credit > 0
            assert client.type(b"HIGH WATER\r\n") == 12
            await rig.talk(client, 3000)
            assert bytes(rig.line.sent) == b"HIGH WATER\r\n"
            client._send(Type(b"X" * (client.credit + 1)))
            came = [m for _, m in await rig.talk(client, 200)]
            assert any(isinstance(m, Refused) and "credit" in m.reason for m in came)
            client.close()

    run_virtually(main())


def test_observers_see_devices_lamps_keys_and_cards(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        lines: list[dict[str, Any]] = []

        async def watch() -> None:
            lines.extend([line async for line in observe(str(rig.sockets.observer))])

        watching = asyncio.create_task(watch())
        (tmp_path / "reader" / "one.deck").write_text("ONLY\n")
        client = new_client(rig)
        client.rest(0b1)
        await rig.talk(client, 800)
        client.read_card()
        await rig.talk(client, 800)
        await rig.press("START")
        client.close()
        await rig.wait(50)
        await rig.daemon.stop()
        await watching
        assert lines[0] == {"topic": "hello", "format": 1, "console": "Small"}
        topics = {line["topic"]: line for line in lines if line["topic"] != "lamps"}
        assert topics["panel"]["keys"] == ["START", "DOOR"]
        assert topics["deck"] == {"topic": "deck", "name": "reader", "deck": "one.deck", "read": 1, "cards": 1}
        assert topics["key"]["name"] == "START"
        assert any(line["topic"] == "lamps" and line["codes"][7] == 4095 for line in lines)
        assert topics["bus"]["name"] == "panel"

    on_small_console(tmp_path, main)


def test_stopping_leaves_the_lamps_dark(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        client = new_client(rig)
        client.rest(0xFF)
        await rig.talk(client, 100)
        assert lit(rig) == [4095] * 8
        await rig.daemon.stop()
        assert lit(rig) == [0] * 8
        client.close()

    on_small_console(tmp_path, main)


def test_a_bus_that_dies_is_a_fault_with_a_place(tmp_path: Path) -> None:
    async def main(rig: Rig) -> None:
        def breaks(_: int) -> None:
            raise ZeroDivisionError("trial")

        rig.daemon._assembly.buses[0]._jobs[0].run = breaks  # type: ignore[union-attr]
        with pytest.raises(
            FaultError, match=r"fault in consolewright itself \(ZeroDivisionError: trial at test_daemon"
        ):
            await rig.daemon.wait()

    on_small_console(tmp_path, main)


def test_wires_that_cannot_be_opened_are_all_named_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "gpiozero.pins.lgpio", None)

    async def main() -> None:
        rig = Rig(tmp_path, small_console(tmp_path))
        rig.daemon._rehearse = False
        with pytest.raises(ConsoleError) as caught:
            await rig.daemon.start()
        assert "GPIO24: the Python module lgpio is not installed" in str(caught.value)
        assert "GPIO23" in str(caught.value)

    run_virtually(main())


def test_a_flood_of_frames_and_a_rate_that_is_no_number_light_nothing_and_are_summed(tmp_path: Path) -> None:
    # source: arithmetic: of 20,000 frames, each of 4 ticks, lamp 1 is lit one tick in four: code round(4095 / 4).
    async def main(rig: Rig) -> None:
        _, writer = await asyncio.open_unix_connection(str(rig.sockets.core))
        writer.write(encode(Hello(1, 1, 5, float("nan"), "flood", tuple(LAMPS), ())))
        frame = encode(Lamps(4, b"\x02\x00", b"".join(n.to_bytes(4, "little") for n in (0, 1, *[0] * 7))))
        for _ in range(20):
            writer.write(frame * 1000)
            await writer.drain()
        await rig.wait(12)
        assert lit(rig) == [0, 1024, 0, 0, 0, 0, 0, 0]
        assert rig.daemon._core_link.core is not None
        writer.close()
        await rig.wait(100)
        assert lit(rig) == [0] * 8

    on_small_console(tmp_path, main)
