"""Installing a console and taking it away, on a system in a temporary folder."""

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.errors import ConsoleError
from bridge.install import commands
from tests.install.scene import BEFORE, CMDLINE, OTHER_PORT, Scene, description, origin

CORE = ["/bin/sh", "-c", "exec it's"]
Said = list[str]


@pytest.fixture
def system(tmp_path: Path) -> Scene:
    return Scene(tmp_path / "root")


@pytest.fixture
def put(tmp_path: Path, system: Scene) -> Callable[..., Said]:
    """Install a description, and return what was said."""
    python = origin(tmp_path)

    def install(*core: str, sticks: bool = True) -> Said:
        said: Said = []
        commands.install(description(tmp_path, sticks=sticks), core, said.append, system, python)
        return said

    return install


def test_it_says_what_it_does_and_does_it(system: Scene, put: Callable[..., Said], tmp_path: Path) -> None:
    said = "\n".join(put(*CORE))
    there = system.listed()
    written = [path for path in there if not path.startswith(("opt/", "sys/", "etc/passwd")) and ".wants/" not in path]
    assert [path for path in written if f"/{path}" not in said] == []
    assert "consolewright 1, with lamp-oil 1 and spidev 1, to /opt/consolewright" in said
    assert there["etc/consolewright/console.toml"] == (tmp_path / "panel.toml").read_text()
    # source: POSIX shell quoting.
    assert there["etc/consolewright/core"] == "#!/bin/sh\nexec /bin/sh -c 'exec it'\"'\"'s'\n"
    assert system.at("/etc/consolewright/core").stat().st_mode & 0o777 == 0o755
    assert there["boot/firmware/cmdline.txt"] == BEFORE.rstrip("\n") + " usbcore.authorized_default=0\n"
    assert there["boot/firmware/cmdline.txt.before-consolewright"] == BEFORE
    assert {"consolewright.service", "consolewright-core.service", "consolewright-usb.path"} <= system.active
    enabled = {"/".join(path.split("/")[-2:]) for path in there if ".wants/" in path}
    assert enabled == {
        "multi-user.target.wants/consolewright.service",
        "consolewright.service.wants/consolewright-core.service",
        "paths.target.wants/consolewright-usb.path",
        "sysinit.target.wants/consolewright-usb.service",
    }


def test_the_copy_is_whole(system: Scene, put: Callable[..., Said]) -> None:
    put()
    place = system.at("/opt/consolewright")
    site = place / "lib/python3.11/site-packages"
    assert (site / "oil/__init__.py").read_text() == "oil = 1\n"
    assert (site / "bridge/cli.py").read_text() == "clone's own\n"
    assert (site / "bridge/examples/skerry.toml").is_file()
    assert (site / "bridge/units/consolewright.service").is_file()
    assert (place / "libexec/usb").read_text() == "usb's own\n"
    for program in ("libexec/usb", "libexec/stick", "bin/consolewright"):
        assert (place / program).stat().st_mode & 0o777 == 0o755
    assert not system.at("/opt/consolewright.new").exists()


def test_twice_is_once(system: Scene, put: Callable[..., Said]) -> None:
    put(*CORE)
    before = system.listed()
    system.ran.clear()
    assert put(*CORE)[-1].endswith("there is nothing to do.")
    # Without a core's command, the core that is there stays.
    assert put()[-1].endswith("there is nothing to do.")
    assert system.ran == []
    assert system.listed() == before


def test_removing_it_leaves_nothing(system: Scene, put: Callable[..., Said]) -> None:
    before, folders = system.listed(), system.folders()
    put(*CORE)
    system.write("/var/lib/consolewright/spool/cards-1.spool", b"")
    said: Said = []
    commands.remove(said.append, system)
    after = system.listed()
    usb = {path for path in after if path.startswith("sys/")}
    assert {after.pop(path) for path in usb} == {"1"}
    assert after == {path: text for path, text in before.items() if path not in usb}
    assert {one for one in system.folders() - folders if "consolewright" in one} == set()
    assert "/var/lib/consolewright" in "\n".join(said)
    commands.remove(said.append, system)
    assert said[-1] == "consolewright is not installed: there is nothing to remove."


def test_nothing_is_touched_if_a_hopper_s_port_leads_to_a_hub(system: Scene, put: Callable[..., Said]) -> None:
    before = system.listed()
    system.hubs_in = {OTHER_PORT}
    with pytest.raises(ConsoleError, match="leads to a hub, and hubs are refused there"):
        put()
    assert system.listed() == before
    put(sticks=False)


def test_nothing_is_touched_if_the_description_is_wrong(system: Scene, tmp_path: Path) -> None:
    file = description(tmp_path)
    file.write_text(file.read_text() + "\nthis is no toml\n")
    before = system.listed()
    with pytest.raises(ConsoleError, match=r"panel\.toml:"):
        commands.install(file, (), print, system, origin(tmp_path))
    assert system.listed() == before
    assert system.ran == []
    assert system.at(CMDLINE).read_text() == BEFORE
