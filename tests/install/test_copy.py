"""The copy under /opt/consolewright: whole or as it was, and a Python that runs."""

import os
import re
import subprocess
import sys
from importlib.metadata import Distribution
from pathlib import Path

import pytest

from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.install import copy
from bridge.install.closure import Origin, closure, running
from bridge.install.copy import PLACE, File, Link, Tree, is_there, put, tree
from bridge.install.system import System
from tests.install.scene import Scene, distribution, origin

TREE: Tree = {"lib/a.py": File(b"a = 1\n"), "bin/program": File(b"#!/bin/sh\n", 0o755), "bin/link": Link("program")}


@pytest.fixture
def system(tmp_path: Path) -> Scene:
    return Scene(tmp_path / "root")


@pytest.mark.parametrize(
    "python", ["/home/ann/.pyenv/versions/3.11.7/bin/python3.11", "/root/bin/python3", "/usrs/python3"]
)
def test_a_python_that_no_service_can_start_is_refused(tmp_path: Path, python: str) -> None:
    with pytest.raises(ConsoleError, match=rf"^{re.escape(python)}: .*/usr/bin/python3 -m venv"):
        tree(origin(tmp_path)._replace(interpreter=Path(python)), closure(origin(tmp_path)))


def test_it_is_known_by_every_file(system: Scene) -> None:
    put(system, TREE)
    place = system.at(PLACE)
    assert is_there(system, TREE)
    for path, spoil in (
        ("lib/a.py", lambda file: file.write_text("a = 2\n")),
        ("lib/a.py", lambda file: file.unlink()),
        ("bin/program", lambda file: file.chmod(0o644)),
        ("bin/link", lambda file: (file.unlink(), file.symlink_to("elsewhere"))),
        ("bin/link", lambda file: (file.unlink(), file.write_text("#!/bin/sh\n"))),
        ("lib/older.py", lambda file: file.touch()),
        ("lib/older", lambda file: file.symlink_to("..")),
    ):
        spoil(place / path)
        assert not is_there(system, TREE), path
        put(system, TREE)
        assert is_there(system, TREE), path


def test_it_is_compiled_and_what_was_compiled_is_not_compiled_again(tmp_path: Path, system: Scene) -> None:
    source = tmp_path / "pip" / "b.py"
    source.parent.mkdir()
    source.write_text("b = 1\n")
    subprocess.run([sys.executable, "-m", "compileall", "-q", str(source.parent)], check=True)
    (compiled,) = source.parent.rglob("*.pyc")
    put(system, {**TREE, "lib/b.py": File(source)})
    made = {path.name.split(".")[0]: path.read_bytes() for path in system.at(PLACE).rglob("*.pyc")}
    assert made.keys() == {"a", "b"}
    assert made["b"] == compiled.read_bytes()
    # A source that changed since is compiled.
    source.write_text("b = 23\n")
    os.utime(source, (2e9, 2e9))
    put(system, {"lib/b.py": File(source)})
    (again,) = system.at(PLACE).rglob("*.pyc")
    assert again.read_bytes() != compiled.read_bytes()


@pytest.mark.parametrize("at", ["copying", "trying", "syncing", "swapping"])
def test_an_interruption_leaves_the_old_one(system: Scene, monkeypatch: pytest.MonkeyPatch, at: str) -> None:
    put(system, TREE)
    newer = {**TREE, "lib/a.py": File(b"a = 2\n")}

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        if at == "copying":
            patch.setattr("compileall.compile_dir", interrupted)
        else:
            patch.setattr(system, {"trying": "run", "syncing": "sync", "swapping": "exchange"}[at], interrupted)
        with pytest.raises(KeyboardInterrupt):
            put(system, newer)
    assert is_there(system, TREE)
    put(system, newer)
    assert is_there(system, newer)
    assert list(system.at("/opt").iterdir()) == [system.at(PLACE)]


def test_it_is_on_the_disk_before_it_takes_the_old_ones_place(system: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    put(system, TREE)
    order: list[str] = []
    exchange = system.exchange

    def exchanging(one: str, other: str) -> None:
        order.append("exchange")
        exchange(one, other)

    monkeypatch.setattr(system, "sync", lambda: order.append("sync"))
    monkeypatch.setattr(system, "exchange", exchanging)
    put(system, {"lib/a.py": File(b"")})
    assert order == ["sync", "exchange"]


def test_folders_change_places_on_any_file_system(system: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    # The second time as where renameat2(2) does not know RENAME_EXCHANGE.
    for name in ("a", "b"):
        system.write(f"/{name}/{name}", b"")
    system.exchange("/a", "/b")
    assert system.at("/a/b").exists()
    assert system.at("/b/a").exists()
    monkeypatch.setattr("bridge.install.system._EXCHANGE", 1 << 9)
    system.exchange("/a", "/b")
    assert system.at("/a/a").exists()
    assert system.at("/b/b").exists()
    assert {path.name for path in system.root.iterdir() if len(path.name) < 3 or "old" in path.name} == {"a", "b"}


class Trying(System):
    """A system in a folder whose commands in there are really run."""

    def sync(self) -> None:
        """Wait for no disk."""


def test_the_copy_runs_by_itself(tmp_path: Path) -> None:
    # A whole one, of this very Python, with all that its requirements bring; the clone or wheel is this one.
    code = Path(copy.__file__).parents[2]
    site = tmp_path / "site"
    if next(iter(Distribution.discover(name="consolewright")), None) is None:
        needs = ["gpiozero", "numpy", "pydantic", "pyserial", "pyudev", "rich"]
        distribution(site, "consolewright", {}, requires=needs)
        link = f'{{"url": "file://{code}", "dir_info": {{"editable": true}}}}'
        (site / "consolewright-1.dist-info" / "direct_url.json").write_text(link)
    here = running()
    python = here._replace(path=(*here.path, str(site)))
    # It need not be one that a service could start.
    made = dict(tree(python._replace(interpreter=Path("/usr/bin/python3")), closure(python)))
    made |= {"bin/python3": Link(str(here.interpreter))}
    config = made["pyvenv.cfg"]
    assert isinstance(config, File)
    assert isinstance(config.content, bytes)
    made["pyvenv.cfg"] = File(config.content.replace(b"/usr/bin", bytes(here.interpreter.parent)))
    system = Trying(tmp_path / "root")
    put(system, made)
    program = system.at(f"{PLACE}/bin/python3")
    command = [str(program), "-I", "-m", "bridge", "check", str(examples() / "first-panel.toml")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "8 lamps, 8 keys" in done.stdout


def test_origin_is_the_python_that_runs() -> None:
    here = running()
    assert here.interpreter.is_absolute()
    assert isinstance(here, Origin)
    assert here.version.startswith(f"{sys.version_info[0]}.{sys.version_info[1]}.")
