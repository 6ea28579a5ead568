import subprocess
import sys
from pathlib import Path

import pytest

from bridge.console import load
from bridge.daemon.description import Description
from bridge.errors import ConsoleError
from bridge.files import examples


def test_it_is_the_console_that_the_file_describes(tmp_path: Path) -> None:
    file = examples() / "skerry.toml"
    with Description(file, tmp_path) as description:
        assert description.console() == load(file)


def test_what_is_wrong_is_said(tmp_path: Path) -> None:
    with Description(tmp_path / "none.toml", tmp_path) as description, pytest.raises(ConsoleError, match=r"none\.toml"):
        description.console()


def test_a_reader_that_dies_is_said_and_one_nobody_waits_for_is_ended(tmp_path: Path) -> None:
    with Description(examples() / "skerry.toml", tmp_path) as description:
        assert description._process is not None
        description._process.kill()
        with pytest.raises(ConsoleError, match="has ended with status -9"):
            description.console()
    with Description(examples() / "skerry.toml", tmp_path) as description:
        pass
    assert description._process is not None
    assert description._process.returncode == -9


def test_a_daemon_imports_nothing_that_reads_descriptions() -> None:
    program = (
        "import sys; from pathlib import Path\n"
        "from bridge.daemon.description import Description\n"
        "assert 'numpy' not in sys.modules\n"
        "with Description(Path(sys.argv[1]), Path(sys.argv[1])) as description:\n"
        "    import bridge.daemon.service\n"
        "    description.console()\n"
        "print(*sys.modules)\n"
    )
    command = [sys.executable, "-c", program, str(examples() / "skerry.toml")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert {"bridge.console.shape", "bridge.console.reading", "pydantic"} & set(said) == set()


def test_a_process_that_makes_calls_on_sticks_imports_no_event_loop() -> None:
    program = "import sys, bridge.sticks.child, bridge.cards.hopper, bridge.cards.stacker; print(*sys.modules)"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert {"asyncio", "pydantic", "gpiozero"} & set(said) == set()
