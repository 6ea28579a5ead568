from pathlib import Path

import pytest

from bridge.sticks.mounts import TABLE, FoundMounts, MountError, folder
from bridge.sticks.ports import Volume, trouble
from tests.sticks.sample import stick
from tests.virtual import run_virtually

VOLUME = Volume(1, stick(2)[1])

# source: proc(5), /proc/pid/mountinfo
LINES = """\
22 1 8:2 / / rw,relatime shared:1 - ext4 /dev/mmcblk0p2 rw
90 22 8:1 /sub /srv/part rw shared:2 - vfat /dev/sda1 rw
91 22 8:17 / /media/other rw - vfat /dev/sda1 rw
92 22 8:1 / /media/pi/MY\\040DECKS rw,nosuid,nodev shared:50 master:3 - vfat /dev/sda1 rw,fmask=0022
"""


@pytest.mark.parametrize(
    ("table", "found"),
    [
        ("", None),
        ("nonsense\n\n", None),
        (LINES, Path("/media/pi/MY DECKS")),
        ("93 22 0:44 / /media/exfat rw - fuseblk /dev/sda1 rw\n", Path("/media/exfat")),
        ("93 22 0:44 / /media/exfat rw - fuseblk /dev/sdb1 rw\n", None),
    ],
)
def test_a_stick_is_found_where_it_is_mounted(table: str, found: Path | None) -> None:
    assert folder(table, VOLUME) == found


def test_the_system_s_own_table_can_be_read() -> None:
    number = Path("/").stat().st_dev
    lines = [line.split(" ") for line in TABLE.read_text().splitlines()]
    assert any(len(fields) > 8 and "-" in fields for fields in lines), number


def test_it_waits_until_something_has_mounted_the_stick() -> None:
    looks = iter(["", "", LINES])

    async def scenario() -> None:
        mount = FoundMounts(lambda: next(looks))
        assert await mount.mount(VOLUME) == Path("/media/pi/MY DECKS")
        await mount.unmount(VOLUME)
        assert mount.trouble(stick(2)[:1]) == trouble(stick(2)[:1])

    run_virtually(scenario())


def test_it_says_so_if_nothing_does() -> None:
    async def scenario() -> None:
        with pytest.raises(MountError, match="nothing has mounted /dev/sda1"):
            await FoundMounts(lambda: "").mount(VOLUME)

    run_virtually(scenario())
