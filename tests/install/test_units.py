"""The files in systemd/, as systemd itself judges them."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from bridge.daemon import bus
from bridge.files import units
from bridge.install.closure import Closure, Origin
from bridge.install.copy import PLACE, PROGRAM_FOLDERS, tree
from bridge.install.plan import ACCOUNTS, MOUNT_POINTS, SOCKETS, STATE, STICKS
from bridge.install.wanted import CORE, DAEMON_UNIT, DESCRIPTION
from tests.links.compiled import needed

NAMES = sorted(path.name for path in units().iterdir())
SYSTEMS_UNITS = Path("/usr/lib/systemd/system")


def settings(unit: str, name: str) -> list[str]:
    return re.findall(rf"^{name}=(.*)$", (units() / unit).read_text(), re.MULTILINE)


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    # source: systemd-analyze(1), verify: it says what it does not know or find, and may still end with status 0.
    tool = needed("systemd-analyze")
    shutil.copytree(SYSTEMS_UNITS, tmp_path / SYSTEMS_UNITS.relative_to("/"), symlinks=True)
    there = [path for name in NAMES if name.endswith((".service", ".path")) for path in [units() / name]]
    for path in there:
        target = tmp_path / "etc/systemd/system" / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, target)
    for program in ("/bin/sh", "/usr/bin/python3", f"{PLACE}/bin/consolewright", CORE):
        file = tmp_path / program.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch(mode=0o755)
    checked = [path.name.replace("@.", "@1.") for path in there]
    done = subprocess.run([tool, "verify", f"--root={tmp_path}", *checked], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.parametrize(("unit", "most"), [(DAEMON_UNIT, 1.2), ("consolewright-core.service", 1.5)])
def test_what_is_exposed_is_little(unit: str, most: float) -> None:
    # source: systemd-analyze(1), security: 0 is nothing, 10 is everything.
    done = subprocess.run(
        [needed("systemd-analyze"), "security", "--offline=true", "--no-pager", str(units() / unit)],
        capture_output=True,
        text=True,
        check=True,
    )
    level = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert level is not None, done.stdout
    assert float(level[1]) <= most


def test_users_and_groups_are_made_as_the_units_name_them(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    subprocess.run(
        [needed("systemd-sysusers"), f"--root={tmp_path}", str(units() / "consolewright.sysusers")],
        capture_output=True,
        check=True,
    )
    users, groups = (
        {line.split(":")[0] for line in (tmp_path / "etc" / file).read_text().splitlines()}
        for file in ("passwd", "group")
    )
    assert users == set(ACCOUNTS)
    for unit in (DAEMON_UNIT, "consolewright-core.service"):
        assert set(settings(unit, "User")) <= users
        assert {name for line in settings(unit, "SupplementaryGroups") for name in line.split()} <= groups


def test_units_and_installer_mean_the_same_places() -> None:
    folders = re.findall(
        r"^d (\S+) 0750 root consolewright$", (units() / "consolewright.tmpfiles").read_text(), re.MULTILINE
    )
    assert set(folders) == {STICKS, f"{STICKS}/status", *MOUNT_POINTS}
    assert f"/var/lib/{settings(DAEMON_UNIT, 'StateDirectory')[0]}" == STATE
    assert f"/run/{settings(DAEMON_UNIT, 'RuntimeDirectory')[0]}" == SOCKETS
    assert settings(DAEMON_UNIT, "ReadWritePaths") == [f"-{STICKS}"]
    assert settings(DAEMON_UNIT, "ExecPaths") == [" ".join(PROGRAM_FOLDERS)]
    assert settings("consolewright-core.service", "ExecStart") == [CORE]
    assert settings("consolewright-core.service", "Environment") == [f"CONSOLEWRIGHT_SOCKET={SOCKETS}/core.sock"]
    assert settings(DAEMON_UNIT, "ExecStart") == [f"{PLACE}/bin/consolewright run --unattended {DESCRIPTION}"]
    assert int(settings(DAEMON_UNIT, "LimitRTPRIO")[0]) >= bus.PRIORITY
    scripts = {f"bridge/install/{name}.py": Path(name) for name in ("stick", "usb")}
    python = Origin(Path("/usr/bin/python3"), "3.11.2", Path("/venv"), Path("/usr"), False, ())
    made = {f"{PLACE}/{path}" for path in tree(python, Closure(scripts, ()))}
    for name in NAMES:
        programs = [word for line in settings(name, "Exec[A-Za-z]*") for word in line.split() if word.startswith(PLACE)]
        assert set(programs) <= made
