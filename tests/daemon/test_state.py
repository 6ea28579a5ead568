from pathlib import Path

import pytest

from bridge.daemon.state import StateFolder, socket_folder, state_folder
from bridge.errors import ConsoleError


@pytest.mark.parametrize(
    ("given", "environment", "expected"),
    [
        (Path("/given"), {"STATE_DIRECTORY": "/service"}, "/given"),
        (None, {"STATE_DIRECTORY": "/service:/other", "XDG_STATE_HOME": "/xdg"}, "/service"),
        (None, {"XDG_STATE_HOME": "/xdg"}, "/xdg/consolewright"),
        (None, {}, str(Path.home() / ".local/state/consolewright")),
    ],
)
def test_where_state_is_kept(given: Path | None, environment: dict[str, str], expected: str) -> None:
    # source: systemd.exec(5) for STATE_DIRECTORY; the XDG base directory specification for the rest.
    assert str(state_folder(given, environment)) == expected


def test_sockets_are_in_the_runtime_folder_of_a_service() -> None:
    assert socket_folder(Path("/state"), {"RUNTIME_DIRECTORY": "/run/consolewright"}) == Path("/run/consolewright")
    assert socket_folder(Path("/state"), {}) == Path("/state")


def test_the_folder_is_made_once_and_a_newer_one_is_left_alone(tmp_path: Path) -> None:
    state = tmp_path / "a" / "b"
    StateFolder(state).close()
    StateFolder(state).close()
    assert (state / "format").read_text() == "1\n"
    (state / "format").write_text("2\n")
    with pytest.raises(ConsoleError, match="format '2'"):
        StateFolder(state)
    assert (state / "format").read_text() == "2\n"


def test_the_folder_is_one_daemons_at_a_time(tmp_path: Path) -> None:
    first = StateFolder(tmp_path)
    with pytest.raises(ConsoleError, match="another consolewright is running in this state folder"):
        StateFolder(tmp_path)
    first.close()
    StateFolder(tmp_path).close()
