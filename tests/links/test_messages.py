import contextlib
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.links import messages
from bridge.links.messages import Decoder, Hello, Key, Lamps, LinkError, Message, Read, decode, encode

KINDS = {
    "u8": st.integers(0, 2**8 - 1),
    "u16": st.integers(0, 2**16 - 1),
    "u32": st.integers(0, 2**32 - 1),
    "u64": st.integers(0, 2**64 - 1),
    "f64": st.floats(allow_nan=False),
    "text": st.text(st.characters(codec="utf-8"), max_size=20),
    "blob": st.binary(max_size=40),
    "rest": st.binary(max_size=40),
    "card": st.integers(0, 255).map(lambda n: bytes([n]) * 160),
}
KINDS["texts"] = st.lists(KINDS["text"], max_size=4).map(tuple)


@st.composite
def any_message(draw: st.DrawFn) -> Message:
    kind: Any = draw(st.sampled_from(sorted(messages.MESSAGES.values(), key=lambda k: k.CODE)))
    message: Message = kind(*(draw(KINDS[field]) for field in kind.KINDS))
    return message


def test_bytes_of_a_message_written_out_by_hand() -> None:
    # source: core-link.md, worked out by hand: length 12 = type + u64 + u16 + u8.
    assert encode(Key(0x0102030405060708, 3, 1)) == bytes.fromhex("0c000000 82 0807060504030201 0300 01")


@given(st.lists(any_message(), max_size=6), st.integers(1, 50))
def test_any_messages_in_any_pieces_come_back(sent: list[Message], piece: int) -> None:
    stream = b"".join(encode(message) for message in sent)
    decoder = Decoder()
    got = [m for at in range(0, len(stream), piece) for m in decoder.feed(stream[at : at + piece])]
    assert got == sent


def test_unknown_messages_are_skipped() -> None:
    stream = struct.pack("<IB", 4, 0x70) + b"new" + encode(Read())
    assert list(Decoder().feed(stream)) == [Read()]


@pytest.mark.parametrize("length", [0, messages.LONGEST + 1, 0x20544547])
def test_an_impossible_length_is_refused(length: int) -> None:
    with pytest.raises(LinkError, match="not the core link"):
        list(Decoder().feed(struct.pack("<IB", length, 1) + bytes(16)))


@given(any_message(), st.data())
def test_a_message_cut_short_or_too_long_names_the_byte(message: Message, data: st.DataObject) -> None:
    if message.KINDS and message.KINDS[-1] == "rest":
        return
    body = encode(message)[5:]
    with pytest.raises(LinkError, match="byte"):
        decode(message.CODE, body + b"\0")
    if body:
        with pytest.raises(LinkError, match="byte"):
            decode(message.CODE, body[: data.draw(st.integers(0, len(body) - 1))])


def test_text_that_is_not_utf_8_is_refused() -> None:
    body = encode(Hello(1, 1, 7, 1.0, "core", (), ()))[5:].replace(b"core", b"c\xff\xffe")
    with pytest.raises(LinkError, match="UTF-8"):
        decode(Hello.CODE, body)


@given(st.binary(max_size=400))
def test_any_bytes_decode_or_are_refused(data: bytes) -> None:
    decoder = Decoder()
    with contextlib.suppress(LinkError):
        for message in decoder.feed(data):
            assert isinstance(message, tuple(messages.MESSAGES.values()))


def test_lamps_at_rest_carry_bits_alone() -> None:
    assert encode(Lamps(0, b"\x05", b"")) == bytes.fromhex("08000000 02 00000000 0100 05")
