"""A system in a temporary folder, whose commands do to its files what real ones do; and a Python to install from."""

from importlib.metadata import PathDistribution
from pathlib import Path

from bridge import files
from bridge.errors import ConsoleError
from bridge.files import examples
from bridge.install.closure import Origin
from bridge.install.system import System
from bridge.install.wanted import UNITS, Content, units_to_enable

PORT = "platform-3f980000.usb-usb-0:1.2"
OTHER_PORT = "platform-3f980000.usb-usb-0:1.3"
CMDLINE = "/boot/firmware/cmdline.txt"
BEFORE = "console=serial0,115200 console=tty1 root=PARTUUID=0-02 rootwait\n"


class Scene(System):
    """A system below `root`; `ran` is what was run, `failing` the first words of commands that fail."""

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.ran: list[tuple[str, ...]] = []
        self.failing: set[str] = set()
        self.hubs_in: set[str] = set()
        self.active: set[str] = set()
        self.version = 252
        self._simulated = {
            "systemd-sysusers": self._make_users,
            "systemd-tmpfiles": self._make_folders,
            "userdel": self._delete_user,
            "enable": self._enable,
            "disable": self._disable,
            "restart": self._restart,
        }
        self.write("/etc/passwd", b"root:x:0:0:root:/root:/bin/sh\n")
        self.write(CMDLINE, BEFORE.encode())
        for device in ("usb1", "1-1", "1-1.2"):
            name = "authorized_default" if device.startswith("usb") else "authorized"
            self.write(f"/sys/bus/usb/devices/{device}/{name}", b"0\n")

    def run(self, *command: str) -> None:
        if "is-active" in command:
            if command[-1] not in self.active:
                raise ConsoleError("inactive")
            return
        self.ran.append(command)
        if " ".join(command[:2]) in self.failing:
            raise ConsoleError(f"{' '.join(command)}: it fails")
        verb, *words = [word for word in command[1:] if not word.startswith("--")]
        simulated = self._simulated.get(command[0] if command[0] != "systemctl" else verb)
        if simulated is not None:
            simulated([verb, *words] if command[0] != "systemctl" else words)

    def _make_users(self, files: list[str]) -> None:
        lines = (line.split() for line in Path(files[0]).read_text().splitlines())
        users = [words[1] for words in lines if words and words[0] == "u"]
        passwd = self.at("/etc/passwd")
        passwd.write_text(passwd.read_text() + "".join(f"{one}:x:99:99::/:/bin/false\n" for one in users))

    def _delete_user(self, names: list[str]) -> None:
        passwd = self.at("/etc/passwd")
        lines = passwd.read_text().splitlines(keepends=True)
        passwd.write_text("".join(line for line in lines if not line.startswith(f"{names[0]}:")))

    def _make_folders(self, files: list[str]) -> None:
        for words in (line.split() for line in Path(files[0]).read_text().splitlines()):
            if words and words[0] == "d":
                self.at(words[1]).mkdir(parents=True, exist_ok=True)

    def _enable(self, units: list[str]) -> None:
        for link in self._links(units):
            link.parent.mkdir(exist_ok=True)
            link.symlink_to("..")

    def _disable(self, units: list[str]) -> None:
        self.active -= set(units)
        for link in self._links(units):
            link.unlink(missing_ok=True)
            if link.parent.is_dir() and not list(link.parent.iterdir()):
                link.parent.rmdir()

    def _restart(self, units: list[str]) -> None:
        self.active |= set(units)
        if "consolewright.service" in units and self._links(["consolewright-core.service"])[0].is_symlink():
            self.active.add("consolewright-core.service")

    def systemd(self) -> int:
        """Return the version that a test has given it."""
        return self.version

    def hubs(self) -> set[str]:
        """Return what a test has put in."""
        return self.hubs_in

    def sync(self) -> None:
        """Wait for no disk."""

    def listed(self) -> dict[str, str]:
        """Return all files and links there are, with their content or target."""
        return {
            str(path.relative_to(self.root)): str(path.readlink())
            if path.is_symlink()
            else path.read_bytes().decode(errors="replace")
            for path in sorted(self.root.rglob("*"))
            if path.is_symlink() or path.is_file()
        }

    def folders(self) -> set[str]:
        """Return all folders there are."""
        return {str(path.relative_to(self.root)) for path in self.root.rglob("*") if path.is_dir()}

    def _links(self, units: list[str]) -> list[Path]:
        texts = {f"{UNITS}/{unit}": Content((files.units() / unit).read_bytes()) for unit in units}
        return [self.at(link) for _, link in units_to_enable(texts, core=True)]


def origin(folder: Path) -> Origin:
    """Return a virtual environment in which a clone in `folder` is installed, and one package that it needs."""
    site = folder / "venv" / "site"
    clone = folder / "clone"
    _file(clone / "bridge" / "cli.py", "clone's own\n")
    _file(clone / "bridge" / "install" / "stick.py", "stick's own\n")
    _file(clone / "bridge" / "install" / "usb.py", "usb's own\n")
    _file(clone / "bridge" / "install" / "__pycache__" / "usb.cpython-311.pyc", "")
    distribution(
        site, "consolewright", {}, requires=["Lamp_Oil>=1", "spidev; extra == 'pi'", "absent; extra == 'plot'"]
    )
    _file(
        site / "consolewright-1.dist-info" / "direct_url.json",
        f'{{"url": "file://{clone}", "dir_info": {{"editable": true}}}}',
    )
    distribution(site, "lamp-oil", {"oil/__init__.py": "oil = 1\n"})
    distribution(site, "spidev", {"spidev.so": "code\n"})
    return Origin(Path("/usr/bin/python3.11"), "3.11.2", folder / "venv", Path("/usr"), True, (str(site),))


def distribution(
    site: Path, name: str, modules: dict[str, str], requires: list[str] | None = None, version: str = "1"
) -> PathDistribution:
    """Make a distribution as pip leaves it."""
    folder = f"{name.replace('-', '_')}-1.dist-info"
    needs = "".join(f"Requires-Dist: {one}\n" for one in requires or [])
    _file(site / folder / "METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n{needs}")
    for path, text in modules.items():
        _file(site / path, text)
    listed = [*modules, f"{folder}/METADATA", f"{folder}/RECORD", "../../../bin/some-command"]
    _file(site / folder / "RECORD", "".join(f"{path},,\n" for path in listed))
    return PathDistribution(site / folder)


def description(folder: Path, *, sticks: bool = True) -> Path:
    """Write the demonstration's description; its hoppers are USB ports, or folders."""
    text = (examples() / "skerry.toml").read_text()
    if sticks:
        text = text.replace('folder = "reader"', f'port = "{PORT}"').replace(
            'folder = "punch"', f'port = "{OTHER_PORT}"'
        )
        assert text.count('port = "platform') == 2
    _file(folder / "panel.toml", text)
    return folder / "panel.toml"


def _file(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
