"""Images of sticks: made and read on the host, by mtools where they are FAT."""

import os
from collections.abc import Mapping
from pathlib import Path

from tests.rig.build import run

MIB = 1 << 20
PARTITION = 2048
"""Sectors before the first partition."""


def fat(image: Path, files: Mapping[str, bytes] | None = None, *, size: int = 64 * MIB, bits: int = 32) -> Path:
    """Make a stick that is one FAT file system without a partition table."""
    _blank(image, size)
    run("mkfs.vfat", "-F", str(bits), *(("-s", "1") if bits == 32 else ()), "-n", "DECKS", image)
    _fill(image, files or {})
    return image


def partitioned(image: Path, files: Mapping[str, bytes] | None = None) -> Path:
    """Make a stick with one FAT partition, as shops sell them."""
    _blank(image, 65 * MIB)
    run("sfdisk", "-q", image, text=f"start={PARTITION},type=c\n")
    run("mkfs.vfat", "-F", "32", "-s", "1", "-n", "DECKS", "--offset", str(PARTITION), image, "65536")
    _fill(image, files or {}, at=f"{image}@@{PARTITION * 512}")
    return image


def exfat(image: Path, size: int = 64 * MIB) -> Path:
    """Make an empty exFAT stick."""
    _blank(image, size)
    run("mkfs.exfat", "-L", "DECKS", image)
    return image


def ext4(image: Path) -> Path:
    """Make a stick of a file system that no hopper takes."""
    _blank(image, 64 * MIB)
    run("mke2fs", "-q", "-F", "-t", "ext4", image)
    return image


def blank(image: Path) -> Path:
    """Make a stick without any file system."""
    return _blank(image, 64 * MIB)


def damaged(image: Path, files: Mapping[str, bytes]) -> Path:
    """Make a FAT stick whose root folder's chain of clusters is gone: it looks well until it is mounted."""
    fat(image, files)
    data = bytearray(image.read_bytes())
    reserved, length = int.from_bytes(data[14:16], "little"), int.from_bytes(data[36:40], "little") * 512
    for copy in range(2):
        at = reserved * 512 + copy * length + 8  # cluster 2, where the root folder begins
        data[at : at + 4] = (8).to_bytes(4, "little")
        data[at + 24 : at + 28] = bytes(4)
    image.write_bytes(data)
    return image


def full(image: Path) -> Path:
    """Make a FAT stick with room for some cards only."""
    return fat(image, {"HOLIDAY.JPG": bytes(64 * 1024)}, size=100 * 1024, bits=12)


def protected(image: Path) -> Path:
    """Make a stick that nothing can be written to."""
    fat(image)
    image.chmod(0o444)
    return image


def files(image: Path, partition: bool = False) -> dict[str, bytes]:
    """Return the files in the root of a FAT stick."""
    at = f"{image}@@{PARTITION * 512}" if partition else str(image)
    found = {}
    for line in run("mdir", "-b", "-i", at).splitlines():
        name = line.removeprefix("::/")
        out = image.with_name("read.tmp")
        run("mcopy", "-n", "-o", "-i", at, f"::{name}", out)
        found[name] = out.read_bytes()
        out.unlink()
    return found


def _blank(image: Path, size: int) -> Path:
    image.unlink(missing_ok=True)
    with image.open("wb") as file:
        os.truncate(file.fileno(), size)
    return image


def _fill(image: Path, contents: Mapping[str, bytes], at: str = "") -> None:
    for name, data in contents.items():
        held = image.with_name("write.tmp")
        held.write_bytes(data)
        run("mcopy", "-o", "-i", at or image, held, f"::{name}")
        held.unlink()
