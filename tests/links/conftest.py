"""The C client, compiled once for all tests that need it."""

import ctypes
from pathlib import Path

import pytest

from bridge.files import c_client
from tests.links.compiled import HERE, STRICT, build

SOURCE = str(c_client() / "consolewright.c")
EXERCISE = str(HERE / "exercise.c")


@pytest.fixture(scope="session")
def exercise(tmp_path_factory: pytest.TempPathFactory) -> Path:
    words = ["-std=c99", "-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", *STRICT, EXERCISE]
    return build("gcc", words, tmp_path_factory.mktemp("c") / "exercise")


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    out = tmp_path_factory.mktemp("c") / "client.so"
    made = ctypes.CDLL(str(build("gcc", ["-std=c99", "-O2", "-shared", "-fPIC", *STRICT, SOURCE], out)))
    made.cw_open.restype = ctypes.c_void_p
    for name in ("refusal", "device_state", "device_words"):
        getattr(made, f"cw_{name}").restype = ctypes.c_char_p
    made.cw_pace.restype = ctypes.c_double
    made.cw_type.restype = made.cw_type_wait.restype = ctypes.c_size_t
    made.cw_last_card.restype = made.cw_punch.restype = made.cw_presses.restype = ctypes.c_uint
    return made
