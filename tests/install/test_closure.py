"""What is copied of an installation, and what is left to the system."""

from pathlib import Path

import pytest

from bridge.errors import ConsoleError
from bridge.install.closure import Origin, closure, running
from tests.install.scene import distribution

CLONE = '{"url": "file:///nowhere", "dir_info": {}}'


def python(site: Path, *others: Path, system: bool = True) -> Origin:
    paths = tuple(str(path) for path in (site, *others))
    return Origin(
        Path("/usr/bin/python3"), "3.11.2", site.parent, others[0].parent if others else Path("/usr"), system, paths
    )


def test_what_is_required_is_found_by_whatever_name_and_once(tmp_path: Path) -> None:
    # source: PEP 503 (names), PEP 508 (requirements).
    site = tmp_path / "venv" / "site"
    needs = ["Gamma.Delta[fast, big] (>=1,<2)", "alpha>=1.0 ; python_version >= '3'", "gone; os_name == 'nt'"]
    distribution(site, "consolewright", {"bridge/cli.py": ""}, requires=needs)
    distribution(site, "alpha", {"alpha.py": ""}, requires=["gamma-delta", "consolewright", 'slow; extra == "slow"'])
    distribution(site, "gamma-delta", {"gamma/d.so": ""}, requires=['quick ; extra == "fast"', "slow; extra=='slow'"])
    for name in ("quick", "slow", "stranger"):
        distribution(site, name, {f"{name}.py": ""})
    found = closure(python(site))
    assert found.distributions == ("consolewright 1", "gamma-delta 1", "alpha 1", "quick 1")
    assert {path for path in found.files if ".dist-info/" not in path} == {
        "bridge/cli.py",
        "gamma/d.so",
        "alpha.py",
        "quick.py",
    }
    assert {path for path in found.files if "quick" in path} == {"quick.py", "quick-1.dist-info/METADATA"}


def test_of_extras_only_what_the_pi_needs_is_taken(tmp_path: Path) -> None:
    site = tmp_path / "venv" / "site"
    needs = [
        "spidev>=3.6; extra == 'pi'",
        "lgpio; python_version < '3.13' and extra == 'pi'",
        "pytest; extra == 'test'",
    ]
    distribution(site, "consolewright", {}, requires=needs)
    for name in ("spidev", "lgpio", "pytest"):
        distribution(site, name, {})
    assert closure(python(site)).distributions == ("consolewright 1", "spidev 1", "lgpio 1")


def test_what_the_system_has_is_left_to_it(tmp_path: Path) -> None:
    site, packages = tmp_path / "home" / "venv" / "site", tmp_path / "usr" / "dist-packages"
    distribution(site, "consolewright", {}, requires=["near", "far"])
    distribution(site, "near", {})
    distribution(packages, "near", {}, version="2")
    distribution(packages, "far", {}, requires=["near"])
    assert closure(python(site, packages)).distributions == ("consolewright 1", "near 1")
    # Without a virtual environment all but consolewright is the system's; a user's own packages are nobody else's.
    everywhere = python(packages, packages)._replace(prefix=packages.parent, path=(str(site), str(packages)))
    assert closure(everywhere).distributions == ("consolewright 1", "near 1")
    distribution(packages, "consolewright", {"bridge/cli.py": ""}, requires=["far"], version="3")
    assert closure(everywhere._replace(path=(str(packages),))).distributions == ("consolewright 3",)


def test_of_a_clone_the_files_themselves_are_copied(tmp_path: Path) -> None:
    # source: PEP 610: direct_url.json tells of an editable installation, with the folder as a quoted URL.
    site, clone = tmp_path / "venv" / "site", tmp_path / "my clone"
    distribution(site, "consolewright", {"_consolewright.pth": str(clone), "consolewright-1.dist-info/RECORD": ""})
    for path in ("bridge/cli.py", "bridge/links/c/x.h", "bridge/__pycache__/cli.cpython-311.pyc", "tests/x.py"):
        file = clone / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch()
    url = str(clone).replace(" ", "%20")
    (site / "consolewright-1.dist-info" / "direct_url.json").write_text(
        f'{{"url": "file://{url}", "dir_info": {{"editable": true}}}}'
    )
    found = closure(python(site)).files
    kept = {path for path in found if not path.startswith(("bridge/examples/", "bridge/units/"))}
    assert kept == {"bridge/cli.py", "bridge/links/c/x.h", "consolewright-1.dist-info/METADATA"}
    assert {"bridge/examples/skerry.toml", "bridge/units/consolewright.service"} <= found.keys()
    (site / "consolewright-1.dist-info" / "direct_url.json").write_text(CLONE)
    assert closure(python(site)).files.keys() == {"consolewright-1.dist-info/METADATA"}


def test_what_cannot_be_copied_is_said(tmp_path: Path) -> None:
    site = tmp_path / "venv" / "site"
    with pytest.raises(ConsoleError, match=r"not installed in .*venv.*pip install"):
        closure(python(site))
    distribution(site, "consolewright", {}, requires=["odd"])
    distribution(site, "odd", {})
    (site / "odd-1.dist-info" / "RECORD").unlink()
    with pytest.raises(ConsoleError, match="pip install --force-reinstall --no-deps odd"):
        closure(python(site))


@pytest.mark.parametrize(
    ("config", "sees"),
    [
        ("home = /usr/bin\nInclude-System-Site-Packages = True\n", True),
        ("include-system-site-packages=false\n", False),
        ("", False),
    ],
)
def test_it_is_known_whether_the_system_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, config: str, sees: bool
) -> None:
    # source: PEP 405: pyvenv.cfg, lines of "key = value", whatever the case.
    monkeypatch.setattr("sys.prefix", str(tmp_path))
    if config:
        (tmp_path / "pyvenv.cfg").write_text(config)
    assert running().system_packages is sees
    monkeypatch.setattr("sys.base_prefix", str(tmp_path))
    assert running().system_packages
