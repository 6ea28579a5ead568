"""The units around USB and sticks, judged by systemd itself."""

import re
import shutil
import subprocess

import pytest

from bridge.files import units

SYSTEMD = units()
STICK, USB, WATCH = "consolewright-stick@.service", "consolewright-usb.service", "consolewright-usb.path"

with_systemd = pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")

# source: systemd.exec(5): each of these gives a unit a mount namespace of its own, whose mounts nobody else sees
OF_ITS_OWN = re.compile(
    r"^(Protect(System|Home|Proc|KernelTunables|KernelModules|KernelLogs|ControlGroups)|ProcSubset|Private\w+|Dynamic\w+"
    r"|(ReadOnly|ReadWrite|Inaccessible|Exec|NoExec)Paths|Bind\w*Paths|TemporaryFileSystem|MountFlags|Mount\w+"
    r"|Root\w+|(Runtime|State|Cache|Logs|Configuration)Directory)=",
    re.MULTILINE,
)


def analyze(*words: str) -> str:
    done = subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@with_systemd
@pytest.mark.parametrize("unit", [STICK, USB, WATCH])
def test_the_units_are_sound(unit: str) -> None:
    assert analyze("verify", "--man=no", str(SYSTEMD / unit)) == ""


@with_systemd
@pytest.mark.parametrize(("unit", "most"), [(STICK, 3.4), (USB, 1.6)])
def test_they_can_do_no_more_than_they_must(unit: str, most: float) -> None:
    # source: measured; the helper's figure is what is left without a mount namespace (its unit says why)
    said = analyze("security", "--offline=true", "--no-pager", str(SYSTEMD / unit))
    (exposure,) = re.findall(r"Overall exposure level for \S+: ([0-9.]+)", said)
    assert float(exposure) <= most


def test_what_the_helper_mounts_can_be_seen_by_all() -> None:
    assert OF_ITS_OWN.findall((SYSTEMD / STICK).read_text()) == []
    assert OF_ITS_OWN.findall((SYSTEMD / USB).read_text()), "a pattern that matches nothing tells nothing"


def test_the_unit_of_a_stick_ends_with_its_disk() -> None:
    # source: systemd-escape(1): "-" in a device's path is "\x2d"; udev 252 makes /dev/disk/by-diskseq
    text = (SYSTEMD / STICK).read_text()
    device = r"dev-disk-by\x2ddiskseq-%i.device"
    assert f"\nBindsTo={device}\n" in text
    assert re.search(rf"^After={re.escape(device)} ", text, re.MULTILINE)
