import asyncio
import tomllib
from collections.abc import Callable

from bridge.sticks.ports import Ports
from bridge.sticks.show import Watch, watch
from tests.sticks.sample import FAT, added, changed, made, port, removed, stick
from tests.virtual import run_virtually


def test_what_is_put_in_is_a_line_to_copy() -> None:
    ports = Ports()
    said: list[str] = []
    shown = Watch(ports, said.append)

    def new(*what: Callable[[], None]) -> list[str]:
        for one in what:
            one()
        said.clear()
        shown.look()
        return list(said)

    assert new(lambda: ports.all([])) == []
    assert new(lambda: ports.events(added(*stick(2)))) == [
        'port = "platform-3f980000.usb-usb-0:1.2"',
        '# has /dev/sda1 in it, formatted FAT, called "DECKS"',
    ]
    assert new(lambda: ports.events(changed(*stick(2)))) == []
    assert new(lambda: ports.events(added(made(3, disk="sdb")))) == [f'port = "{port(3)}"']
    late = made(3, {**FAT, "ID_FS_LABEL": "A\x1b[2J"}, "sdb")
    assert new(lambda: ports.events(changed(late))) == ['# has /dev/sdb in it, formatted FAT, called "A\\x1b[2J"']
    assert new(lambda: ports.events(removed(*stick(2)))) == [f'# pulled out of "{port(2)}"']


def test_everything_said_can_be_pasted() -> None:
    said: list[str] = []

    class Once:
        def __init__(self, ports: Ports, told: Callable[[], None]) -> None:
            ports.trouble = "udev is not there"
            told()
            told()
            ports.all(stick(2))
            told()

        async def close(self) -> None:
            said.append("# closed")

    async def scenario() -> None:
        task = asyncio.ensure_future(watch(said.append, Once))
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    run_virtually(scenario())
    assert tomllib.loads("\n".join(said)) == {"port": port(2)}
    assert said.count("# udev is not there") == 1
    assert said[-1] == "# closed"
