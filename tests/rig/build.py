"""Builds the guest and keeps it: a Debian whose kernel, packages and modules are looked up, not pinned.

Needs root, apt, and the host packages of `.ci/run system`. What is said here of the kernel and its modules was measured
in November 2026, with Debian 12 as host and guest.
"""

import hashlib
import inspect
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
GUEST = HERE / "guest"
CLONE = HERE.parent.parent
KERNEL = "linux-image-6.12-amd64"
"""A kernel that Debian 12 and 13 both have, which starts twice as fast under emulation as Debian 12's own."""
RELEASE = "bookworm"
PACKAGES = (
    "systemd,systemd-sysv,udev,dbus,kmod,procps,util-linux,iproute2,usbutils,i2c-tools,e2fsprogs,busybox-static,"
    # What README.md has a builder install.
    "python3,python3-venv,python3-spidev,python3-smbus2,dosfstools,exfatprogs"
)
LEFT_OUT = ("man", "doc", "locale", "info", "i18n", "lintian")
VENV = "/srv/builder/venv"
"""Where the guest's builder has a virtual environment, as README.md says, with all but consolewright itself."""
WHEEL_TAGS = ("manylinux_2_34_x86_64", "manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64", "any")
MASKED = (
    "getty.target",
    "serial-getty@.service",
    "getty@.service",
    "apt-daily.timer",
    "apt-daily-upgrade.timer",
    "dpkg-db-backup.timer",
    "e2scrub_all.timer",
    "e2scrub_reap.service",
    "fstrim.timer",
    "systemd-update-utmp.service",
    "systemd-update-utmp-runlevel.service",
    "systemd-pstore.service",
    "systemd-firstboot.service",
    "systemd-machine-id-commit.service",
    "systemd-random-seed.service",
    "systemd-hwdb-update.service",
    "ldconfig.service",
    "systemd-binfmt.service",
    "remote-fs.target",
    "proc-sys-fs-binfmt_misc.automount",
    "dev-hugepages.mount",
    "dev-mqueue.mount",
    "sys-kernel-debug.mount",
    "sys-kernel-tracing.mount",
    "sys-fs-fuse-connections.mount",
    "systemd-networkd.service",
)


@dataclass(frozen=True)
class Guest:
    """What QEMU starts: the files of one guest, none of which it changes."""

    kernel: Path
    initrd: Path
    root: Path


def cache() -> Path:
    """Return the folder where guests are kept."""
    return Path(os.environ.get("CONSOLEWRIGHT_RIG_CACHE") or CLONE / ".rig")


def guest() -> Guest:
    """Return a guest made of today's kernel and this recipe; what has not been made before is made now.

    Debian's packages are looked up anew each month. Raises BuildError.
    """
    _complete()
    version = _kernel_version()
    month = time.strftime("%Y-%m")
    debian = _made(f"debian-{month}-{_short(PACKAGES, RELEASE)}", _make_debian)
    kernel = _made(f"kernel-{version}-{_short(_held, GUEST / 'gpio-sim.kbuild')}", lambda to: _make_kernel(to, version))
    recipe = _short(
        *sorted(path for path in GUEST.iterdir() if path.is_file()),
        Path(__file__),
        CLONE / "tests" / "constraints.txt",
        _requirements(),
    )
    made = _made(f"guest-{version}-{month}-{recipe}", lambda to: _make_guest(to, version, debian, kernel))
    return Guest(kernel / "vmlinuz", made / "initrd", made / "root.squashfs")


def _made(name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder of the cache, made now if it is not there; what was there under another version's name goes."""
    folder = cache() / name
    if not folder.exists():
        cache().mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache(), prefix="making-") as work:
            to = Path(work) / "out"
            to.mkdir()
            make(to)
            for old in cache().glob(f"{name.partition('-')[0]}-*"):
                shutil.rmtree(old)
            to.rename(folder)
    return folder


def _short(*things: object) -> str:
    """Return a short name for the contents of files and for whatever else decides what is made."""
    contents = [thing.read_bytes() if isinstance(thing, Path) else _source(thing).encode() for thing in things]
    return hashlib.sha256(b"\0".join(contents)).hexdigest()[:12]


def _source(thing: object) -> str:
    return inspect.getsource(thing) if inspect.isfunction(thing) else repr(thing)


class BuildError(Exception):
    """A guest that cannot be built; says which step, and how it ended."""


def run(*command: str | Path, cwd: Path | None = None, text: str | None = None) -> str:
    """Run a host's command and return what it printed; raises BuildError."""
    try:
        done = subprocess.run(
            [str(word) for word in command],
            cwd=cwd, input=text, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
            env={**os.environ, "LC_ALL": "C.UTF-8", "PATH": f"{os.environ['PATH']}:/usr/sbin:/sbin"},
        )  # fmt: skip
    except OSError as error:
        raise BuildError(f"{command[0]}: {error.strerror}. .ci/run system installs what the rig needs.") from None
    if done.returncode:
        raise BuildError(f"{' '.join(map(str, command))[:500]}\nended with {done.returncode}:\n{done.stdout[-3000:]}")
    return done.stdout


def _complete() -> None:
    missing = [tool for tool in ("qemu-system-x86_64", "mmdebstrap", "mksquashfs", "mcopy") if not shutil.which(tool)]
    if missing or os.geteuid() != 0:
        raise BuildError(f"The rig needs root and {', '.join(missing) or 'its tools'}: run .ci/run system as root.")


def _kernel_version() -> str:
    """Return the version of the kernel that Debian's own name for it means today, such as 6.12.1-amd64."""
    for line in run("apt-cache", "depends", KERNEL).splitlines():
        if "Depends: linux-image-" in line:
            return line.split("linux-image-", 1)[1].strip()
    raise BuildError(f"apt knows no {KERNEL}: run apt-get update.")


def _requirements() -> list[str]:
    """Return what the project needs at run time, and lgpio, which has no package in Debian 12."""
    project = tomllib.loads((CLONE / "pyproject.toml").read_text())["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["pi"]]
    return [line for line in lines if not line.startswith(("spidev", "smbus2"))]


def _make_debian(to: Path) -> None:
    run("mmdebstrap", "--variant=minbase", f"--include={PACKAGES}", '--aptopt=Acquire::Languages "none"',
        '--aptopt=APT::Install-Recommends "false"',
        *(f"--dpkgopt=path-exclude=/usr/share/{name}/*" for name in LEFT_OUT), RELEASE, to / "root.tar")  # fmt: skip


def _make_kernel(to: Path, version: str) -> None:
    work = to.parent
    for name in ("packages", "kernel", "headers", "module"):
        (work / name).mkdir()
    _unpack_kernel(work, version)
    _build_gpio_sim(work, version)
    shutil.copy(work / "kernel" / "boot" / f"vmlinuz-{version}", to / "vmlinuz")
    (work / "kernel" / "lib").rename(to / "lib")
    run("objcopy", "--strip-debug", work / "module" / "gpio-sim.ko", to / "gpio-sim.ko")


def _make_guest(to: Path, version: str, debian: Path, kernel: Path) -> None:
    work = to.parent
    for name in ("root", "initrd", "wheels"):
        (work / name).mkdir()
    run("tar", "-C", work / "root", "-xf", debian / "root.tar")
    _make_root(work, version, kernel)
    _make_initrd(work, to, kernel / "lib" / "modules" / version)
    run("mksquashfs", work / "root", to / "root.squashfs", "-comp", "lz4", "-noappend", "-quiet", "-no-progress")


def _unpack_kernel(work: Path, version: str) -> None:
    """Unpack, not install: installing a kernel would put it into the host's /boot."""
    bare = version.removesuffix("-amd64")
    series = ".".join(version.split(".")[:2])
    names = (f"linux-image-{version}", f"linux-headers-{version}", f"linux-headers-{bare}-common")
    run("apt-get", "-q", "-o", "APT::Sandbox::User=root", "download",
        *names, f"linux-kbuild-{bare}", f"linux-source-{series}", cwd=work / "packages")  # fmt: skip
    for package in (work / "packages").glob("linux-*.deb"):
        if package.name.startswith("linux-image"):
            run("dpkg-deb", "-x", package, work / "kernel")
        elif not package.name.startswith("linux-source"):
            run("dpkg-deb", "-x", package, work / "headers")
    (source,) = (work / "packages").glob("linux-source-*.deb")
    run("sh", "-c", f"dpkg-deb --fsys-tarfile {source} | tar -xO ./usr/src/linux-source-{series}.tar.xz | tar -xJ "
        f"-C {work / 'module'} --strip-components=1 --wildcards '*/drivers/gpio/gpio-sim.c' '*/kernel/irq/irq_sim.c'",
        )  # fmt: skip


def _build_gpio_sim(work: Path, version: str) -> None:
    module, headers = work / "module", work / "headers" / "usr" / "src" / f"linux-headers-{version}"
    shutil.copy(GUEST / "gpio-sim.kbuild", module / "Kbuild")
    # irq_to_desc is not exported to modules; generic_handle_irq does the same.
    irq = (module / "kernel" / "irq" / "irq_sim.c").read_text()
    handled = "handle_simple_irq(irq_to_desc(irqnum))"
    (module / "irq_sim.c").write_text(_replaced(irq, handled, "generic_handle_irq(irqnum)"))
    (module / "gpio-sim-main.c").write_text(_held((module / "drivers" / "gpio" / "gpio-sim.c").read_text()))
    makefile = headers / "Makefile"
    makefile.write_text(makefile.read_text().replace("/usr/src/", f"{headers.parent}/"))
    # Type information for tracing needs one more tool, and nobody traces here.
    run("make", "-s", "-C", headers, f"M={module}", "CONFIG_DEBUG_INFO_BTF_MODULES=", "modules")


def _held(source: str) -> str:
    """Have a line that a test holds at a level stay there, whatever bias its user asks for.

    gpio-sim keeps one pull a line for both: a key held down before the start would be let go by the user's pull-up.
    """
    source = _replaced(
        source, "	unsigned long *pull_map;\n", "	unsigned long *pull_map;\n	unsigned long *held;\n"
    )
    allocated = "	chip->pull_map = devm_bitmap_zalloc(dev, num_lines, GFP_KERNEL);\n"
    zeroed = allocated.replace("pull_map", "held") + "	if (!chip->held)\n		return -ENOMEM;\n\n"
    source = _replaced(source, allocated, zeroed + allocated)
    asked = "	switch (pinconf_to_config_param(config)) {\n"
    source = _replaced(source, asked, "	if (test_bit(offset, chip->held))\n		return 0;\n\n" + asked)
    put = "	ret = gpio_sim_apply_pull(chip, line_attr->offset, pull);\n"
    return _replaced(source, put, "	set_bit(line_attr->offset, chip->held);\n" + put)


def _replaced(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise BuildError(f"the kernel's source has changed: {old.strip()!r} is there {text.count(old)} times")
    return text.replace(old, new)


def _make_root(work: Path, version: str, kernel: Path) -> None:
    root = work / "root"
    target = root / "usr" / "lib" / "modules" / version
    _copy_modules(kernel / "lib" / "modules" / version, target, (GUEST / "modules").read_text().split())
    (target / "extra").mkdir()
    shutil.copy(kernel / "gpio-sim.ko", target / "extra")
    run("depmod", "-b", root, version)
    _make_venv(work)
    units, programs = root / "etc" / "systemd" / "system", root / "usr" / "local" / "sbin"
    (units / "multi-user.target.wants").mkdir(exist_ok=True)
    for name, program in (("agent", "agent.py"), ("board", "board")):
        shutil.copy(GUEST / program, programs / f"rig-{name}")
        shutil.copy(GUEST / f"{name}.service", units / f"rig-{name}.service")
        link = units / "multi-user.target.wants" / f"rig-{name}.service"
        link.symlink_to(f"/etc/systemd/system/rig-{name}.service")
    # As the board's own system has them.
    for group in ("gpio", "spi"):
        run("chroot", root, "groupadd", "--system", group)
    rule = 'SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"\n'
    # What the core tells the host.
    rule += 'SUBSYSTEM=="virtio-ports", ATTR{name}=="rig.told", MODE="0666"\n'
    (root / "etc" / "udev" / "rules.d" / "60-board.rules").write_text(rule)
    for name in ("consolewright", "consolewright-core"):
        (units / f"{name}.service.d").mkdir()
        shutil.copy(GUEST / f"{name}.conf", units / f"{name}.service.d" / "rig.conf")
    for name in MASKED:
        (units / name).symlink_to("/dev/null")
    (units / "default.target").symlink_to("/usr/lib/systemd/system/multi-user.target")
    (root / "etc" / "hostname").write_text("rig\n")
    (root / "etc" / "machine-id").write_text("0123456789abcdef0123456789abcdef\n")
    (root / "etc" / "fstab").write_text("")
    (root / "rig").mkdir()


def _make_venv(work: Path) -> None:
    """Make the builder's virtual environment, as README.md says, with the wheels that the host downloads."""
    tags = [word for tag in WHEEL_TAGS for word in ("--platform", tag)]
    run(sys.executable, "-m", "pip", "download", "-q", "--only-binary=:all:", "--python-version", "3.11", *tags,
        "-d", work / "wheels", "-c", CLONE / "tests" / "constraints.txt", *_requirements())  # fmt: skip
    root = work / "root"
    shutil.copytree(work / "wheels", root / "wheels")
    run("chroot", root, "python3", "-m", "venv", "--system-site-packages", VENV)
    run("chroot", root, "env", "-i", "PATH=/usr/bin:/bin", f"{VENV}/bin/pip", "install", "-q", "--no-index",
        "--find-links", "/wheels", *_requirements())  # fmt: skip
    shutil.rmtree(root / "wheels")


def _make_initrd(work: Path, to: Path, modules: Path) -> None:
    initrd = work / "initrd"
    for name in ("bin", "dev", "proc", "lower", "upper", "new", "modules", "picked"):
        (initrd / name).mkdir()
    shutil.copy(work / "root" / "bin" / "busybox", initrd / "bin")
    shutil.copy(GUEST / "init", initrd / "init")
    (initrd / "init").chmod(0o755)
    picked = _copy_modules(modules, initrd / "picked", (GUEST / "initrd-modules").read_text().split())
    for n, path in enumerate(picked):
        path.rename(initrd / "modules" / f"{n:03}-{path.name}")
    shutil.rmtree(initrd / "picked")
    run("sh", "-c", f"find . | cpio -o -H newc --quiet >{to / 'initrd'}", cwd=initrd)


def _copy_modules(source: Path, target: Path, names: Sequence[str]) -> list[Path]:
    """Copy modules with what they depend on, uncompressed, and return them in the order in which they can be loaded."""
    if not (source / "modules.dep").exists():
        run("depmod", "-b", source.parent.parent.parent, source.name)
    paths: dict[str, str] = {}
    needs: dict[str, list[str]] = {}
    for line in (source / "modules.dep").read_text().splitlines():
        path, _, rest = line.partition(":")
        paths[_name(path)], needs[_name(path)] = path, [_name(one) for one in rest.split()]
    order: list[str] = []

    def add(name: str) -> None:
        if name in paths and name not in order:  # one that is not there is built into the kernel
            for needed in reversed(needs[name]):
                add(needed)
            order.append(name)

    for name in names:
        add(name)
    copied = []
    for name in order:
        to = target / paths[name].removesuffix(".xz")
        to.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(source / paths[name], to.with_name(Path(paths[name]).name))
        if paths[name].endswith(".xz"):
            run("xz", "-d", "-f", to.with_name(to.name + ".xz"))
        copied.append(to)
    for name in ("modules.order", "modules.builtin", "modules.builtin.modinfo"):
        shutil.copy(source / name, target / name)
    return copied


def _name(path: str) -> str:
    return Path(path).name.partition(".ko")[0].replace("-", "_")
