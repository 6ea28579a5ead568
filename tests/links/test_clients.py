"""The clients in C and in Python held to one contract by a console that plays the other end.

And the C client alone: what compilers say of it, and its count against a naive one.
"""

import ctypes
import socket
import subprocess
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.files import c_client
from bridge.links.client import CoreClient
from bridge.links.messages import (
    CAUSE_TAKEN,
    FOR_GOOD,
    TASK_POWER_OFF,
    TASK_POWER_ON,
    TASK_RESTORE,
    TASK_SAVE,
    CardRead,
    Cause,
    Credit,
    CycleEnd,
    Decoder,
    Device,
    Done,
    Have,
    Hello,
    Key,
    Keyboard,
    Knows,
    Lamps,
    LastCard,
    OwnTime,
    Punch,
    Punched,
    Read,
    Refused,
    Task,
    Type,
    Welcome,
    encode,
)
from tests.links.compiled import HERE, STRICT, build, needed
from tests.links.conftest import EXERCISE, SOURCE

MS = 1_000_000
LAMPS = [f"L.{n}" for n in range(70)]
KEYS = ["START", "STOP", "STEP"]


@pytest.mark.parametrize(
    ("compiler", "words"),
    [
        ("gcc", ("-std=c99", "-O2")),
        ("clang", ("-std=c99", "-O2")),
        ("g++", ("-x", "c++", "-std=c++17")),
        ("clang++", ("-x", "c++", "-std=c++17")),
        ("aarch64-linux-gnu-gcc", ("-std=c99", "-O2")),
    ],
)
def test_compilers_have_nothing_to_say(tmp_path: Path, compiler: str, words: tuple[str, ...]) -> None:
    build(compiler, [*words, *STRICT, "-c", SOURCE], tmp_path / "client.o")


def test_the_target_of_libfuzzer_compiles(tmp_path: Path) -> None:
    build("clang", ["-std=c99", *STRICT, "-c", str(HERE / "fuzz.c")], tmp_path / "fuzz.o")


def ran(*words: object) -> str:
    """Run a program and return what it says; it must end well."""
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("seed", range(4))
def test_on_time_equals_a_naive_count_for_any_stream(exercise: Path, seed: int) -> None:
    # source: arithmetic: the naive count adds each cycle's ticks to each lamp that is lit. Sanitizers watch.
    ran(exercise, "count", seed, 60)


def test_messages_that_are_none_do_no_harm(exercise: Path) -> None:
    # Sanitizers watch; streams that are not changed must be understood to their end.
    ran(exercise, "mutate", 1, 1000)


def test_it_counts_right_on_the_pis_processor(tmp_path: Path) -> None:
    emulator = needed("qemu-aarch64")
    words = ["-std=c99", "-O2", "-static", *STRICT, EXERCISE]
    program = build("aarch64-linux-gnu-gcc", words, tmp_path / "exercise")
    ran(emulator, program, "count", 7, 20)
    ran(emulator, program, "mutate", 7, 50)


def test_valgrind_finds_nothing(tmp_path: Path) -> None:
    valgrind = needed("valgrind")
    program = build("gcc", ["-std=c99", "-O1", "-g", *STRICT, EXERCISE], tmp_path / "exercise")
    checks = [valgrind, "-q", "--error-exitcode=9", "--leak-check=full"]
    ran(*checks, program, "count", 2, 10)
    ran(*checks, program, "mutate", 2, 60)


class Setup(ctypes.Structure):
    _fields_ = (
        ("path", ctypes.c_char_p),
        ("name", ctypes.c_char_p),
        ("lamps", ctypes.POINTER(ctypes.c_char_p)),
        ("lamp_count", ctypes.c_size_t),
        ("keys", ctypes.POINTER(ctypes.c_char_p)),
        ("key_count", ctypes.c_size_t),
        ("ticks_per_second", ctypes.c_double),
        ("run", ctypes.c_uint64),
        ("own_time", ctypes.c_int),
        ("knows", ctypes.c_int),
    )


class AskedTask(ctypes.Structure):
    _fields_ = (("what", ctypes.c_int), ("within", ctypes.c_int), ("words", ctypes.c_char * 256))


class Card(ctypes.Structure):
    _fields_ = (
        ("number", ctypes.c_uint32),
        ("picked_at", ctypes.c_uint64),
        ("read_at", ctypes.c_uint64),
        ("column", ctypes.c_uint16 * 80),
    )


class Core:
    """The C client's calls by their names without cw_, on one link."""

    def __init__(self, library: ctypes.CDLL, path: str, **more: Any) -> None:
        self._library = library
        names = [(ctypes.c_char_p * len(one))(*[name.encode() for name in one]) for one in (LAMPS, KEYS)]
        setup = Setup(path.encode(), b"toy", names[0], len(LAMPS), names[1], len(KEYS), 1e5, 0xC0FFEE)
        for key, value in more.items():
            setattr(setup, key, value)
        self.link = library.cw_open(ctypes.byref(setup))
        self.now = 0

    def __getattr__(self, name: str) -> Callable[..., Any]:
        function = getattr(self._library, f"cw_{name}")
        return lambda *words: function(ctypes.c_void_p(self.link), *words)

    def poll(self, milliseconds: int = 10) -> bool:
        self.now += milliseconds * MS
        return bool(self._library.cw_poll_at(ctypes.c_void_p(self.link), ctypes.c_uint64(self.now)))

    def shine(self, lit: int, ticks: int = 1) -> None:
        self.cycle((ctypes.c_uint64 * 2)(lit & (1 << 64) - 1, lit >> 64), ctypes.c_uint32(ticks))

    def stand(self, lit: int) -> None:
        self.rest((ctypes.c_uint64 * 2)(lit & (1 << 64) - 1, lit >> 64))


class PythonCore:
    """The Python client under the names and with the values of the C one."""

    def __init__(self, path: str, **more: Any) -> None:
        self.client = CoreClient(
            *(path, "toy", LAMPS, KEYS),
            ticks_per_second=1e5,
            run=0xC0FFEE,
            own_time=bool(more.get("own_time")),
            knows=more.get("knows", 0),
        )
        self.now = 0

    def poll(self, milliseconds: int = 10) -> bool:
        self.now += milliseconds * MS
        self.client.poll(self.now)
        return self.client.connected

    def shine(self, lit: int, ticks: int = 1) -> None:
        self.client.cycle(lit & (1 << len(LAMPS)) - 1, ticks)

    def stand(self, lit: int) -> None:
        self.client.rest(lit)

    def close(self) -> None:
        self.client.close()

    def descriptor(self) -> int:
        return self.client.fileno()

    def pace(self) -> float:
        return self.client.pace

    def refusal(self) -> bytes:
        return self.client.refusal.encode()

    def refusal_cause(self) -> int:
        return self.client.cause

    def key(self, n: int) -> int:
        return int(n < len(KEYS) and self.client.key(n))

    def presses(self, n: int) -> int:
        return self.client.presses(n) if n < len(KEYS) else 0

    def lamp_missing(self, n: int) -> bool:
        return n < len(LAMPS) and self.client.lamp_missing(n)

    def key_missing(self, n: int) -> bool:
        return n < len(KEYS) and self.client.key_missing(n)

    def read(self) -> None:
        self.client.read_card()
        self.client._flush()

    def card_came(self, card: Any) -> bool:
        return self._took(self.client.card_came(), card)

    def read_wait(self, card: Any, milliseconds: int) -> bool:
        return self._took(self.client.read_wait(_seconds(milliseconds)), card)

    def _took(self, came: CardRead | None, card: Any) -> bool:
        if came is None:
            return False
        into = card._obj
        into.number, into.picked_at, into.read_at = came.number, came.picked_at, came.read_at
        into.column[:] = np.frombuffer(came.card, "<u2").tolist()
        return True

    def cycle_over(self) -> bool:
        return self.client.cycle_over

    def last_card(self) -> int:
        return self.client.last_card

    def punch(self, columns: Any) -> int:
        number = self.client.punch(_card(columns))
        self.client._flush()
        return number

    def punched(self) -> bool:
        return self.client.punched

    def punch_wait(self, columns: Any, milliseconds: int) -> bool:
        return self.client.punch_wait(_card(columns), _seconds(milliseconds))

    def type(self, codes: bytes, count: int) -> int:
        done = self.client.type(codes[:count])
        self.client._flush()
        return done

    def type_wait(self, codes: bytes, count: int, milliseconds: int) -> int:
        return self.client.type_wait(codes[:count], _seconds(milliseconds))

    def keyboard(self) -> int:
        code = self.client.keyboard()
        return -1 if code is None else code

    def keyboard_wait(self, milliseconds: int) -> int:
        code = self.client.keyboard_wait(_seconds(milliseconds))
        return -1 if code is None else code

    def task_came(self, task: Any) -> bool:
        return self._asked(self.client.task_came(), task)

    def task_wait(self, task: Any, milliseconds: int) -> bool:
        return self._asked(self.client.task_wait(_seconds(milliseconds)), task)

    def _asked(self, came: Task | None, task: Any) -> bool:
        if came is None:
            return False
        into = task._obj
        into.what, into.within, into.words = came.task, came.within, came.words.encode()
        return True

    def done(self, failed: int, words: bytes | None) -> None:
        self.client.done((words or b"").decode(), failed=bool(failed))
        self.client._flush()

    def done_wait(self, failed: int, words: bytes | None, milliseconds: int) -> bool:
        return self.client.done_wait((words or b"").decode(), failed=bool(failed), seconds=_seconds(milliseconds))

    def power(self) -> bool:
        return self.client.power

    def device_state(self, name: bytes) -> bytes:
        return self.client.device(name.decode()).state.encode()

    def device_words(self, name: bytes) -> bytes:
        # C has room for 511 bytes of words.
        return self.client.device(name.decode()).words.encode()[:510]


def _seconds(milliseconds: int) -> float | None:
    return None if milliseconds < 0 else milliseconds / 1000


def _card(columns: Any) -> bytes:
    return (np.array(list(columns), "<u2") & 0xFFF).astype("<u2").tobytes()


class Console:
    """The other end, in the same thread: it takes what has been sent and says what it is told to say."""

    def __init__(self, path: str) -> None:
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(path)
        self._listener.listen()
        self._peer: socket.socket | None = None
        self._decoder = Decoder()

    def accept(self) -> None:
        self._listener.setblocking(False)
        self._peer = self._listener.accept()[0]
        self._peer.setblocking(False)
        self._decoder = Decoder()

    def say(self, *messages: Any) -> None:
        assert self._peer is not None
        self._peer.sendall(b"".join(encode(message) for message in messages))

    def send(self, data: bytes) -> None:
        assert self._peer is not None
        self._peer.sendall(data)

    def heard(self) -> list[Any]:
        assert self._peer is not None
        try:
            return list(self._decoder.feed(self._peer.recv(1 << 20)))
        except BlockingIOError:
            return []

    def raw(self) -> bytes:
        """Return the bytes that have come since the last look; whoever knocks meanwhile is let in."""
        if self._peer is None or self._peer.fileno() < 0:
            try:
                self.accept()
            except BlockingIOError:
                return b""
        assert self._peer is not None
        try:
            return self._peer.recv(1 << 20)
        except BlockingIOError:
            return b""

    def hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()

    def close(self) -> None:
        self.hang_up()
        self._listener.close()


WELCOMED = Welcome(1, 2.5, b"\x02", ("L.3",), ("STEP",))


@pytest.fixture
def console(tmp_path: Path) -> Iterator[Console]:
    made = Console(str(tmp_path / "core.sock"))
    yield made
    made.close()


AnyCore = Core | PythonCore
Make = Callable[..., AnyCore]


@pytest.fixture(params=["C", "Python"])
def make(request: pytest.FixtureRequest, tmp_path: Path, console: Console) -> Make:
    path = str(tmp_path / "core.sock")
    if request.param == "Python":
        return partial(PythonCore, path)
    return partial(Core, request.getfixturevalue("library"), path)


@pytest.fixture
def core(make: Make) -> Iterator[AnyCore]:
    made = make()
    yield made
    made.close()


def joined(core: AnyCore, console: Console, *more: Any) -> list[Any]:
    """Let the two meet; return what the core said first, after its hello."""
    core.poll(300)
    console.accept()
    assert isinstance(console.heard()[0], Hello)
    console.say(WELCOMED, *more)
    assert core.poll()
    return console.heard()


def test_hello_and_welcome(core: AnyCore, console: Console) -> None:
    assert not core.poll()
    console.accept()
    assert console.heard() == [Hello(1, 1, 0xC0FFEE, 1e5, "toy", tuple(LAMPS), tuple(KEYS))]
    assert not core.poll()
    console.say(WELCOMED)
    assert core.poll()
    assert core.pace() == 2.5
    assert [core.key(n) for n in range(4)] == [0, 1, 0, 0]
    assert [core.presses(n) for n in range(3)] == [0, 1, 0]
    assert [n for n in range(75) if core.lamp_missing(n)] == [3]
    assert [n for n in range(5) if core.key_missing(n)] == [2]
    assert console.heard() == [Have(0, 0), Lamps(0, bytes(9), b"")]


def test_a_core_that_keeps_its_own_time_says_so(make: Make, console: Console) -> None:
    core = make(own_time=1)
    assert joined(core, console)[:2] == [OwnTime(), Have(0, 0)]
    core.close()


def test_frames_are_sent_a_hundred_a_second_and_count_every_cycle(core: AnyCore, console: Console) -> None:
    joined(core, console)
    core.shine(0b101, 3)
    core.shine(0b1 | 1 << 69, 4)
    core.poll(9)
    assert console.heard() == []
    core.poll(1)
    (frame,) = console.heard()
    on_time = np.frombuffer(frame.on_time, "<u4")
    assert (frame.elapsed, frame.bits) == (7, bytes([1, 0, 0, 0, 0, 0, 0, 0, 1 << 5]))
    assert {n: int(on) for n, on in enumerate(on_time) if on} == {0: 7, 2: 3, 69: 4}
    core.stand(0b10)
    core.poll(10)
    core.poll(10)
    assert console.heard() == [Lamps(0, bytes([2, *bytes(8)]), b"")]


def test_a_console_that_does_not_listen_is_counted_for_and_loses_no_light(core: AnyCore, console: Console) -> None:
    # source: arithmetic: on-time and elapsed add up exactly whatever the socket did.
    joined(core, console)
    cycles = 0
    frames: list[Lamps] = []
    for n in range(20_000):
        core.shine(n, 1 + n % 3)
        cycles += 1 + n % 3
        if n % 10 == 0:
            core.poll()
    for _ in range(40):
        frames += console.heard()
        core.poll()
    assert 50 < len(frames) < 2000
    assert sum(frame.elapsed for frame in frames) == cycles
    on = np.array([np.frombuffer(frame.on_time, "<u4") for frame in frames if frame.elapsed], np.uint64).sum(axis=0)
    assert on.tolist()[:15] == [sum(1 + n % 3 for n in range(20_000) if n >> lamp & 1) for lamp in range(15)]


def test_presses_are_counted_however_short(core: AnyCore, console: Console) -> None:
    joined(core, console)
    core.presses(1)
    console.say(*[Key(n, 0, n % 2) for n in range(1, 8)], Key(9, 1, 0), Key(9, 7, 1))
    core.poll()
    assert (core.key(0), core.presses(0), core.presses(0)) == (1, 4, 0)
    assert (core.key(1), core.presses(1), core.key(7), core.presses(7)) == (0, 0, 0, 0)


def card_of(*columns: int) -> bytes:
    return np.array([*columns, *[0] * (80 - len(columns))], "<u2").tobytes()


def test_a_card_is_asked_for_once_and_taken_once(core: AnyCore, console: Console) -> None:
    joined(core, console)
    card = Card()
    core.read()
    core.read()
    assert console.heard() == [Read()]
    assert not core.card_came(ctypes.byref(card))
    console.say(CardRead(7, 10, 11, card_of(0xFFF, 0, 0x123)))
    core.poll()
    assert core.card_came(ctypes.byref(card))
    assert (card.number, card.picked_at, card.read_at) == (7, 10, 11)
    assert list(card.column)[:4] == [0xFFF, 0, 0x123, 0]
    assert not core.card_came(ctypes.byref(card))
    assert not core.cycle_over()
    console.say(CycleEnd(7, 12), LastCard(7, 13))
    core.poll()
    assert core.cycle_over()
    assert core.last_card() == 7


def test_what_was_owed_is_asked_for_again_after_a_lost_link(core: AnyCore, console: Console) -> None:
    joined(core, console, CardRead(3, 30, 31, card_of()))
    core.read()
    punched = (ctypes.c_uint16 * 80)(0xF801, 5)
    assert core.punch(punched) == 1
    assert core.punch(punched) == 0
    assert console.heard()[-2:] == [Read(), Punch(1, card_of(0x801, 5))]
    console.hang_up()
    assert not core.poll()
    core.shine(1)
    assert joined(core, console)[:3] == [Have(3, 30), Read(), Punch(1, card_of(0x801, 5))]
    assert not core.punched()
    console.say(Punched(1, 40))
    core.poll()
    assert core.punched()
    assert core.punch(punched) == 2


def test_typing_keeps_to_its_credit(core: AnyCore, console: Console) -> None:
    joined(core, console)
    assert core.type(b"TIDE", 4) == 0
    console.say(Credit(6))
    core.poll()
    console.heard()
    assert core.type(b"TIDE", 4) == 4
    assert core.type(b"TABLE", 5) == 2
    assert console.heard() == [Type(b"TIDE"), Type(b"TA")]
    assert core.type_wait(b"BLE", 3, 0) == 0


def test_the_keyboards_codes_wait_until_they_are_taken(core: AnyCore, console: Console) -> None:
    joined(core, console, Keyboard(b"\x00Z"), Keyboard(b"9" * 5000))
    assert [core.keyboard() for _ in range(3)] == [0, ord("Z"), ord("9")]
    assert [core.keyboard() for _ in range(4094)][-3:] == [ord("9"), ord("9"), -1]


def test_a_task_is_taken_once_and_answered_once(make: Make, console: Console) -> None:
    core, task = make(knows=3), AskedTask()
    assert joined(core, console)[:2] == [Knows(3), Have(0, 0)]
    assert not core.task_came(ctypes.byref(task))
    console.say(Task(7, TASK_SAVE, 5000, "evening"))
    core.poll()
    assert core.task_came(ctypes.byref(task))
    assert (task.what, task.within, task.words) == (TASK_SAVE, 5000, b"evening")
    assert not core.task_came(ctypes.byref(task))
    console.heard()
    core.done(0, b"saved")
    core.done(1, b"again")
    assert console.heard() == [Done(7, 0, "saved")]
    console.say(Task(8, TASK_RESTORE, 1, "e" * 32))
    assert core.task_wait(ctypes.byref(task), -1)
    core.done(-1, "ö".encode() * 200)
    assert console.heard()[-1] == Done(8, 1, "ö" * 127)  # source: the page: 255 bytes at most; whole characters
    core.close()


def test_power_is_told_and_comes_back_with_the_console(make: Make, console: Console) -> None:
    core, task = make(knows=1), AskedTask()
    joined(core, console, Task(1, TASK_POWER_OFF, 800, "closing time"))
    assert not core.power()
    assert core.task_came(ctypes.byref(task))
    assert core.done_wait(0, None, -1)
    assert console.heard()[-1] == Done(1, 0, "")
    console.say(Task(2, TASK_POWER_ON, 800, "opening"))
    core.poll()
    assert core.power()
    console.say(Task(3, TASK_POWER_OFF, 800, "a cut"))
    core.poll()
    console.hang_up()
    core.poll()
    assert not core.power()
    joined(core, console)
    assert core.power()
    core.close()


def test_a_task_that_takes_anothers_place_and_one_of_a_lost_link(make: Make, console: Console) -> None:
    core, task = make(knows=3), AskedTask()
    joined(core, console, Task(1, TASK_SAVE, 5, "a"), Task(2, TASK_SAVE, 5, "b"))
    console.heard()
    assert core.task_came(ctypes.byref(task))
    assert task.words == b"b"
    console.say(Task(3, TASK_SAVE, 5, "c"))
    core.poll()
    core.done(0, b"b is saved")
    assert [m for m in console.heard() if isinstance(m, Done)] == [Done(2, 0, "b is saved")]
    assert core.task_came(ctypes.byref(task))
    console.hang_up()
    core.poll()
    said = joined(core, console, Task(1, TASK_SAVE, 5, "d"))
    core.done(0, b"c is saved")
    assert not [m for m in said + console.heard() if isinstance(m, Done)]
    assert core.task_came(ctypes.byref(task))
    assert task.words == b"d"
    core.close()


def test_what_it_does_not_know_a_core_answers_by_itself(make: Make, console: Console) -> None:
    core, task = make(knows=2), AskedTask()
    asked = [(TASK_POWER_OFF, "x"), (9, "x"), (TASK_SAVE, "../x"), (TASK_SAVE, ""), (TASK_RESTORE, "e" * 33)]
    said = joined(core, console, *[Task(n, what, 5, words) for n, (what, words) in enumerate(asked, 1)])
    unknown, no_name = "this core knows no such task", "no state can have this name"
    words = [unknown, unknown, no_name, no_name, no_name]
    assert [m for m in said if isinstance(m, Done)] == [Done(n, 1, word) for n, word in enumerate(words, 1)]
    assert not core.task_came(ctypes.byref(task))
    assert core.power()
    core.close()


def test_a_console_that_asks_on_and_on_unheard_is_let_go(make: Make, console: Console) -> None:
    # source: arithmetic: what it never reads does not fit into a socket and a client's buffer.
    core, task = make(knows=3), AskedTask()
    joined(core, console)
    for n in range(1, 20_000):
        if core.descriptor() < 0 or n * 262 > 4 << 20:
            break
        console.say(Task(n, TASK_SAVE, 5, "a"))
        core.poll(1)
        if core.task_came(ctypes.byref(task)):
            core.done(0, b"x" * 255)
    assert core.descriptor() < 0
    core.close()


def test_devices_tell_how_they_stand(core: AnyCore, console: Console) -> None:
    joined(core, console, Device("reader", "empty", "no deck"), Device("reader", "ready", "ö" * 400))
    assert core.device_state(b"reader") == b"ready"
    assert core.device_words(b"reader").decode() == "ö" * 255
    assert core.device_state(b"punch") == core.device_words(b"punch") == b""


def test_a_refusal_and_a_message_too_short_are_told(core: AnyCore, console: Console) -> None:
    joined(core, console, Cause(CAUSE_TAKEN), Refused("HELLO: lamp 'A' is listed twice"))
    assert core.refusal() == b"HELLO: lamp 'A' is listed twice"
    assert core.refusal_cause() == CAUSE_TAKEN
    console.send(b"\x03\x00\x00\x00\x86\x01\x00" + b"\x02\x00\x00\x00\x86\x01")
    assert not core.poll()
    assert b"(byte 5" in core.refusal()
    assert b'"Messages" of the core link' in core.refusal()


def test_a_length_that_no_message_has_is_told(core: AnyCore, console: Console) -> None:
    joined(core, console)
    console.send(bytes(5))
    assert not core.poll()
    assert b"a length of 0" in core.refusal()
    assert b"(byte 0" in core.refusal()


@pytest.mark.parametrize(("cause", "after"), [(CAUSE_TAKEN, 240), (99, 240), *((cause, 10_000) for cause in FOR_GOOD)])
def test_a_refusal_for_good_is_not_answered_by_knocking(
    core: AnyCore, console: Console, cause: int, after: int
) -> None:
    joined(core, console, Cause(cause), Refused("trial"))
    console.hang_up()
    core.poll(0)
    core.poll(after - 1)
    assert core.descriptor() == -1
    core.poll(1)
    assert core.descriptor() >= 0
    assert core.refusal() == b"trial"
    console.accept()
    console.say(WELCOMED)
    core.poll()
    assert (core.refusal(), core.refusal_cause()) == (b"", 0)


def test_unknown_and_huge_messages_are_skipped(core: AnyCore, console: Console) -> None:
    joined(core, console)
    huge = (1 << 19).to_bytes(4, "little") + b"\x70" + bytes((1 << 19) - 1)
    for at in range(0, len(huge), 50_000):
        console.send(huge[at : at + 50_000])
        core.poll()
    console.say(Credit(5))
    assert core.poll()
    assert core.type(b"TIDE", 4) == 4


def test_waiting_forms_come_back_with_what_is_there(core: AnyCore, console: Console) -> None:
    joined(core, console, CardRead(1, 1, 1, card_of(9)), Credit(3))
    card = Card()
    assert core.read_wait(ctypes.byref(card), -1)
    assert not core.read_wait(ctypes.byref(card), 0)
    assert core.type_wait(b"OK.", 3, -1) == 3
    assert not core.punch_wait((ctypes.c_uint16 * 80)(), 0)
    assert core.keyboard_wait(0) == -1
    said = [type(message) for message in console.heard()]
    assert [kind for kind in said if kind is not Lamps] == [Read, Type, Punch]


@pytest.mark.parametrize(
    "more", [{"path": "/" + "x" * 200}, {"name": None}, {"name": b"x" * 70_000}, {"lamp_count": 70_000}]
)
def test_a_setup_that_no_console_could_take_is_refused(library: ctypes.CDLL, more: dict[str, Any]) -> None:
    assert Core(library, **{"path": "/nowhere"} | more).link is None


def test_the_source_is_where_the_installed_command_finds_it() -> None:
    assert {path.name for path in c_client().iterdir()} >= {"consolewright.c", "consolewright.h", "first_core.c"}
