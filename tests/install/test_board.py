"""What a board lacks: each thing taken away from one that has everything, and the words that say how to mend it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge import console
from bridge.files import examples
from bridge.install.board import lacks
from tests.install.scene import BEFORE, CMDLINE, PORT, Scene

DEVICES = """
[typewriter]
device = "/dev/serial0"
wires = "real"
baud = 300
characters_per_second = 15
columns = 72

[reader]
port = "{PORT}"
cards_per_minute = 300
"""
GROUPS = {"spidev": "spi", "i2c-1": "i2c", "gpioch": "gpio"}
Change = Callable[["Board"], object]


class Board(Scene):
    """A Raspberry Pi that lacks nothing; `foreign` is a device that belongs to root alone."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.write(CMDLINE, BEFORE.replace("console=serial0,115200 ", "").encode())
        for node in ("spidev0.0", "i2c-1", "gpiochip4", "ttyAMA0"):
            self.write(f"/dev/{node}", b"", 0o660)
        self.at("/dev/serial0").symlink_to("ttyAMA0")
        self.foreign = ""
        self.chips = {"/dev/gpiochip0": "another", "/dev/gpiochip4": "pinctrl-rp1"}
        self.modules = {"spidev", "smbus2", "lgpio"}

    def group(self, path: str) -> str:
        """Return the group a Raspberry Pi gives a device."""
        return "root" if path == self.foreign else GROUPS[Path(path).name[:6]]

    def gpio_chips(self) -> dict[str, str]:
        """Return the labels it was given."""
        return self.chips

    def asked(self, text: str, *core: str) -> list[str]:
        """Return what is missing for a description."""
        file = self.root / "panel.toml"
        file.write_text(text)
        return lacks(self, console.load(file), core, lambda name: name in self.modules)


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path / "root")


TEXT = (examples() / "other-drivers.toml").read_text() + DEVICES.replace("{PORT}", PORT)


def test_a_board_that_has_everything_lacks_nothing(board: Board) -> None:
    assert board.asked(TEXT) == []


def _gone(*paths: str) -> Change:
    def change(board: Board) -> None:
        for path in paths:
            board.at(path).unlink()

    return change


# source: the Raspberry Pi's documentation of config.txt, cmdline.txt and overlays; Debian's package names.
LACKS: list[tuple[Change, str, list[str]]] = [
    (_gone("/dev/spidev0.0"), "/dev/spidev0.0 does not exist", ["dtparam=spi=on", "/boot/firmware/config.txt"]),
    (_gone("/dev/i2c-1"), "/dev/i2c-1 does not exist", ["dtparam=i2c_arm=on,i2c_arm_baudrate=400000"]),
    (
        lambda board: setattr(board, "foreign", "/dev/i2c-1"),
        "/dev/i2c-1 is not for the group i2c",
        ['GROUP="i2c"', "0660"],
    ),
    (lambda board: board.at("/dev/spidev0.0").chmod(0o640), "not for the group spi", ['SUBSYSTEM=="spidev"']),
    (lambda board: board.at("/dev/gpiochip4").chmod(0o600), "/dev/gpiochip4 is not for the group gpio", ["gpiochip*"]),
    (lambda board: board.chips.pop("/dev/gpiochip4"), "are not here (/dev/gpiochip0 is another)", ["pinctrl-bcm2711"]),
    (lambda board: board.chips.clear(), "there is no /dev/gpiochip*", ["install this on one"]),
    (lambda board: board.modules.remove("spidev"), "spidev is missing", ["apt-get install python3-spidev"]),
    (lambda board: board.modules.remove("smbus2"), "smbus2 is missing", ["python3-smbus2", "--system-site-packages"]),
    (lambda board: board.modules.remove("lgpio"), "lgpio is missing", ["python3-lgpio"]),
    (_gone("/dev/serial0"), "/dev/serial0, the typewriter's, does not exist", ["enable_uart=1"]),
    (
        lambda board: board.write(CMDLINE, BEFORE.encode()),
        "would be typed",
        ["take console=serial0,115200 out of /boot/firmware/cmdline.txt"],
    ),
    (lambda board: board.write(CMDLINE, b"console=ttyAMA0 quiet\n"), "would be typed", ["console=ttyAMA0"]),
    (_gone(CMDLINE), "no cmdline.txt", ["usbcore.authorized_default=0", "update-grub"]),
]


@pytest.mark.parametrize(("change", "words", "todo"), LACKS, ids=[words for _, words, _ in LACKS])
def test_what_is_missing_is_named_with_what_to_do(board: Board, change: Change, words: str, todo: list[str]) -> None:
    change(board)
    (said,) = board.asked(TEXT)
    assert [one for one in (words, *todo) if one not in said] == []


def test_all_is_said_at_once(board: Board) -> None:
    _gone("/dev/spidev0.0", "/dev/i2c-1", "/dev/serial0")(board)
    assert len(board.asked(TEXT)) == 3


def test_what_is_rehearsed_or_not_described_is_not_missed(board: Board) -> None:
    _gone("/dev/spidev0.0", "/dev/i2c-1", "/dev/serial0", "/dev/ttyAMA0", CMDLINE)(board)
    board.chips.clear()
    board.modules.clear()
    assert board.asked(TEXT.replace('"real"', '"rehearsed"').replace(f'port = "{PORT}"', 'folder = "reader"')) == []
    # A bus that nothing is on is not used.
    bus = '[[bus]]\nname = "spare"\nkind = "spi"\nport = 1\nrate_hz = 100_000\nwires = "real"\n'
    text = (examples() / "first-panel.toml").read_text().replace('"real"', '"rehearsed"') + bus
    assert board.asked(text) == []


def test_a_system_on_a_usb_disk_keeps_its_disk(board: Board) -> None:
    """With the word on the kernel's command line such a board would not find its root."""
    disk = board.at("/sys/devices/platform/scb/fd500000.pcie/usb2/2-1/2-1:1.0/host0/block/sda/sda2")
    disk.mkdir(parents=True)
    board.at("/sys/dev/block").mkdir(parents=True)
    board.at("/sys/dev/block/8:2").symlink_to(disk)
    # source: proc(5), /proc/self/mountinfo.
    board.write("/proc/self/mountinfo", b"22 1 8:2 / / rw,noatime shared:1 - ext4 /dev/root rw\n")
    (said,) = board.asked(TEXT)
    assert said.startswith("the system itself is on a USB disk")
    board.write("/proc/self/mountinfo", b"22 1 179:2 / / rw,noatime shared:1 - ext4 /dev/root rw\n")
    assert board.asked(TEXT) == []


def test_the_other_bus_and_an_adapter_are_mended_otherwise(board: Board) -> None:
    text = TEXT.replace('kind = "spi"\nport = 0', 'kind = "spi"\nport = 1').replace("/dev/serial0", "/dev/ttyUSB7")
    text = text.replace('gpios = "16"', 'gpios = "4"')  # 16 is SPI1's
    said = "\n".join(board.asked(text))
    assert "/dev/spidev1.0 does not exist: put dtoverlay=spi1-3cs into" in said
    assert "/dev/ttyUSB7, the typewriter's, does not exist: plug it in" in said


def test_a_core_that_its_user_may_not_read_is_named(board: Board) -> None:
    board.write("/home/ann/core/emulator", b"", 0o755)
    board.write("/home/ann/core/drum", b"", 0o640)
    core = ("/home/ann/core/emulator", "--drum", "/home/ann/core/drum", "/run/not-yet.sock", "-x")
    (said,) = board.asked(TEXT, *core)
    assert said.startswith("/home/ann/core/drum may not be read by the user consolewright-core: chmod o+rX")
    board.at("/home/ann").chmod(0o700)
    said, also = board.asked(TEXT, *core)
    assert said.startswith("/home/ann/core/emulator may not be read")
    assert "o+rX /home/ann," in said + also
