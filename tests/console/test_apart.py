import subprocess
import sys
from pathlib import Path

import pytest

from bridge.console import apart, load
from bridge.console.apart import pack, unpack
from bridge.errors import ConsoleError
from bridge.files import examples


@pytest.mark.parametrize("file", sorted(examples().glob("*.toml")), ids=lambda file: file.stem)
def test_a_console_that_crosses_is_the_same_console(file: Path) -> None:
    console = load(file)
    there = unpack(pack(console))
    assert there == console
    # Functions are not equal to their copies: the facts must be the catalogue's own.
    assert all(one.facts is other.facts for one, other in zip(there.parts, console.parts, strict=True))


def test_what_is_wrong_crosses_as_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    file = tmp_path / "bad.toml"
    file.write_text("format = 1\nname = 1\nboard = 2\n")
    with pytest.raises(ConsoleError) as there:
        load(file)
    monkeypatch.setattr(sys, "argv", ["apart", str(file)])
    apart.main()
    sys.stdout.flush()
    with pytest.raises(ConsoleError) as here:
        unpack(capfdbinary.readouterr().out)
    assert str(here.value) == str(there.value)
    assert len(str(here.value).splitlines()) >= 2


def test_a_good_one_is_written_to_the_output(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    file = examples() / "first-panel.toml"
    packed = subprocess.run(
        [sys.executable, "-m", "bridge.console.apart", str(file)], stdout=subprocess.PIPE, check=True
    ).stdout
    assert unpack(packed) == load(file)
