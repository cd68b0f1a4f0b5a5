"""Bytes ⇄ frames: one table of cases, whole, byte by byte and split anywhere; and the board's own frames.

The shape of a line is the project's own; its checksum is proved in tests/published/test_crc.py.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.tester.frames import MAX_LINE, Chatter, Decoder, Event, Frame, Garbage, crc16, decode, encode

ROOT = Path(__file__).parents[2]


def firmware_frames() -> dict[str, Any]:
    """The names in firmware/tester/frames.py, run by CPython with a stand-in for `micropython`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delitem(sys.modules, "micropython", raising=False)
        patch.syspath_prepend(ROOT / "host" / "pinwright" / "virtual" / "shim_cpython")
        return runpy.run_path(str(ROOT / "firmware" / "tester" / "frames.py"))


BOARD = firmware_frames()


def reply(seq: int, words: str) -> bytes:
    """A reply as the contract has it, built here a third time; no newline."""
    body = f"<{seq:02X} {words}".encode()
    return body + b" %04X" % crc16(body)


def padded(length: int) -> bytes:
    """A reply line of so many bytes, newline not counted."""
    return reply(7, "ok " + "A" * (length - len(reply(7, "ok "))))


def events(decoder: Decoder, parts: list[bytes]) -> list[Event]:
    return [event for part in parts for event in decoder.feed(part)]


OK = Frame(7, ("ok",))
LENGTHS = (63, 64, 65, 127, 128, 129, 511, 512)

CASES: dict[str, tuple[bytes, list[Event]]] = {
    "nothing": (b"", []),
    "one word": (reply(7, "ok") + b"\n", [OK]),
    "several words": (reply(255, "ok a=1 b=2") + b"\n", [Frame(255, ("ok", "a=1", "b=2"))]),
    "sequence number 0": (
        reply(0, "error frame why=hex") + b"\n",
        [Frame(0, ("error", "frame", "why=hex"))],
    ),
    "two lines": (reply(7, "ok") + b"\n" + reply(8, "ok") + b"\n", [OK, Frame(8, ("ok",))]),
    "CR LF": (reply(7, "ok") + b"\r\n", [OK]),
    "empty lines": (b"\n\r\n\n" + reply(7, "ok") + b"\n", [OK]),
    "no end yet": (reply(7, "ok"), []),
    "a CR in the middle": (
        reply(7, "ok").replace(b" ok", b"\rok") + b"\n",
        [Garbage(reply(7, "ok").decode().replace(" ok", "\rok"), "shape")],
    ),
    "chatter": (b"MPY: soft reboot\r\n", [Chatter("MPY: soft reboot")]),
    "chatter before a frame": (b"boot\n" + reply(7, "ok") + b"\n", [Chatter("boot"), OK]),
    "a request is not for the host": (encode(7, "hello"), [Chatter(encode(7, "hello").decode()[:-1])]),
    "bytes that are no text": (b"\xff\xfe!\n", [Chatter("\\xff\\xfe!")]),
    "text that is not ASCII": ("größer\n".encode(), [Chatter("größer")]),
    "wrong checksum": (b"<07 ok 0000\n", [Garbage("<07 ok 0000", "checksum")]),
    "checksum in small letters": (b"<07 ok abcd\n", [Garbage("<07 ok abcd", "shape")]),
    "number in small letters": (b"<0a ok 0000\n", [Garbage("<0a ok 0000", "shape")]),
    "no checksum": (b"<07 ok\n", [Garbage("<07 ok", "shape")]),
    "no number": (b"<ok 1234\n", [Garbage("<ok 1234", "shape")]),
    "the marker alone": (b"<\n", [Garbage("<", "shape")]),
    "a blank after the checksum": (
        reply(7, "ok") + b" \n",
        [Garbage(reply(7, "ok").decode() + " ", "shape")],
    ),
    "a byte beyond ASCII in a frame": (
        reply(7, "ok").replace(b"ok", b"\xe9k") + b"\n",
        [Garbage(reply(7, "ok").replace(b"ok", b"\xe9k").decode("utf-8", "backslashreplace"), "shape")],
    ),
    "a control character in a frame": (
        reply(7, "ok\x03") + b"\n",
        [Garbage(reply(7, "ok\x03").decode(), "shape")],
    ),
    "a lost newline": (reply(7, "ok") + reply(8, "ok") + b"\n", [OK, Frame(8, ("ok",))]),
    "a reply cut short, the next glued to it": (
        b"<07 ok a=" + reply(7, "ok") + b"\n",
        [Garbage("<07 ok a=", "shape"), OK],
    ),
    **{f"{n} bytes": (padded(n) + b"\n", [decode(padded(n))]) for n in LENGTHS},
    "513 bytes": (padded(513) + b"\n", [Garbage(padded(513)[:80].decode(), "length")]),
}


@pytest.mark.parametrize("case", CASES)
def test_a_line_means_the_same_whole_and_byte_by_byte_and_split_anywhere(case: str) -> None:
    data, expected = CASES[case]
    assert expected == Decoder().feed(data)
    assert expected == events(Decoder(), [data[i : i + 1] for i in range(len(data))])
    for at in range(len(data)):
        assert expected == events(Decoder(), [data[:at], data[at:]])


@pytest.mark.parametrize("length", LENGTHS)
def test_a_line_of_a_length_that_buffers_are_made_of_comes_through(length: int) -> None:
    line = padded(length)
    assert length == len(line)
    assert isinstance(decode(line), Frame)


def test_what_has_come_of_an_unfinished_line_can_be_shown() -> None:
    decoder = Decoder()
    assert [] == decoder.feed(b"noise\n<07 o\xff")[1:]
    assert "<07 o\\xff" == decoder.unfinished


def test_a_line_without_end_is_cut_off_and_the_next_one_is_still_understood() -> None:
    decoder = Decoder()
    seen = events(decoder, [b"x" * 1000] * 100)
    assert all(isinstance(event, Chatter) for event in seen)
    assert len(decoder.unfinished) <= 8 * MAX_LINE
    assert OK == decoder.feed(b"\n" + reply(7, "ok") + b"\n")[-1]


def test_a_frame_without_end_is_garbage_of_bounded_size() -> None:
    decoder = Decoder()
    (cut,) = decoder.feed(b"<07 ok " + b"A" * 8 * MAX_LINE)
    assert isinstance(cut, Garbage)
    assert ("length", 80) == (cut.why, len(cut.text))
    assert "" == decoder.unfinished


WORDS = st.lists(
    st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="<"), min_size=1),
    min_size=1,
).map(" ".join)
SHORT_WORDS = WORDS.filter(lambda words: len(words) <= MAX_LINE - len(">00  0000"))
NUMBERS = st.integers(1, 255)


@given(NUMBERS, SHORT_WORDS, st.data())
def test_no_corrupted_byte_makes_another_frame_of_a_frame(seq: int, words: str, data: st.DataObject) -> None:
    line = reply(seq, words) + b"\n"
    at = data.draw(st.integers(0, len(line) - 1))
    byte = data.draw(st.integers(0, 255))
    corrupted = line[:at] + bytes([byte]) + line[at + 1 :]
    followed = corrupted + reply(1, "next") + b"\n"
    true = {Frame(seq, tuple(words.split(" "))), Frame(1, ("next",))}
    assert {event for event in Decoder().feed(followed) if isinstance(event, Frame)} <= true


@pytest.mark.parametrize("at", range(len(reply(7, "ok walk_us=6700"))))
def test_every_other_byte_at_every_place_of_a_frame_is_noticed(at: int) -> None:
    line = reply(7, "ok walk_us=6700")
    for byte in set(range(256)) - {line[at]}:
        corrupted = line[:at] + bytes([byte]) + line[at + 1 :] + b"\n"
        assert not [event for event in Decoder().feed(corrupted) if isinstance(event, Frame)]


@given(st.lists(st.binary(max_size=40)))
def test_no_bytes_at_all_upset_the_decoder(parts: list[bytes]) -> None:
    whole = b"".join(parts) + b"\n"
    assert Decoder().feed(whole) == events(Decoder(), [*parts, b"\n"])


@given(NUMBERS, SHORT_WORDS)
def test_a_request_is_one_printable_line_without_the_interrupt_character(seq: int, words: str) -> None:
    line = encode(seq, words)
    assert b"\n" == line[-1:]
    assert all(0x20 <= byte < 0x7F for byte in line[:-1])
    assert 0x03 not in line


@pytest.mark.parametrize(
    ("seq", "words"),
    [
        (0, "hello"),
        (256, "hello"),
        (-1, "hello"),
        (1, ""),
        (1, " "),
        (1, " hello"),
        (1, "hello "),
        (1, "hel\nlo"),
        (1, "hel\x03lo"),
        (1, "hel\x7flo"),
        (1, "größer"),
        (1, "A" * (MAX_LINE - 8)),
    ],
)
def test_what_would_not_frame_is_not_sent(seq: int, words: str) -> None:
    with pytest.raises(ValueError, match=r"not a request|ascii"):
        encode(seq, words)


@pytest.mark.parametrize("length", [*LENGTHS, 513])
def test_board_and_host_agree_on_the_longest_line(length: int) -> None:
    words = "A" * (length - 9)
    assert 512 == BOARD["MAX_LINE"] == MAX_LINE
    if length > MAX_LINE:
        with pytest.raises(ValueError, match="not a request"):
            encode(1, words)
        line = b">01 " + words.encode()
        with pytest.raises(BOARD["BadFrame"], match="length"):
            BOARD["parse"](line + b" %04X" % crc16(line))
    else:
        assert (1, [words]) == BOARD["parse"](encode(1, words)[:-1])
        assert [Frame(1, (words,))] == Decoder().feed(BOARD["build"](1, words).encode())


@given(NUMBERS, SHORT_WORDS)
def test_host_to_board_and_back_is_the_same(seq: int, words: str) -> None:
    heard_seq, heard = BOARD["parse"](encode(seq, words)[:-1])
    assert (seq, words.split(" ")) == (heard_seq, heard)
    line = BOARD["build"](heard_seq, " ".join(heard)).encode()
    assert reply(seq, words) + b"\n" == line
    assert [Frame(seq, tuple(words.split(" ")))] == Decoder().feed(line)


@given(NUMBERS, SHORT_WORDS, st.data())
def test_the_board_takes_no_request_with_a_corrupted_byte(seq: int, words: str, data: st.DataObject) -> None:
    line = encode(seq, words)[:-1]
    at = data.draw(st.integers(0, len(line) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda byte: byte != line[at]))
    with pytest.raises(BOARD["BadFrame"]):
        BOARD["parse"](line[:at] + bytes([byte]) + line[at + 1 :])


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"", "shape"),
        (b">07  FFFF", "shape"),
        (reply(7, "hello"), "shape"),
        (b">07 hello 0000", "checksum"),
        (encode(7, "hello")[:-1].lower(), "hex"),
        (b">07 h\xe9llo 0000", "byte"),
        (b">07 hel\x03o 0000", "byte"),
        (b">07 hello 00000", "shape"),
    ],
)
def test_the_board_says_in_a_word_why_a_line_is_no_request(line: bytes, why: str) -> None:
    with pytest.raises(BOARD["BadFrame"]) as refused:
        BOARD["parse"](line)
    assert (why,) == refused.value.args
    (seen,) = Decoder().feed(BOARD["build"](0, f"error frame why={why}").encode())
    assert Frame(0, ("error", "frame", f"why={why}")) == seen


@given(st.binary(max_size=300))
def test_no_bytes_at_all_upset_the_board(line: bytes) -> None:
    with pytest.raises(BOARD["BadFrame"]):
        BOARD["parse"](line)


@given(st.binary())
def test_hexadecimal_of_the_board_is_what_the_host_reads_and_writes(data: bytes) -> None:
    assert data.hex().upper() == BOARD["to_hex"](data)
    assert data == BOARD["from_hex"](data.hex().upper())
