"""One table of recorded dialogues, held with the firmware on real MicroPython and on CPython."""

from __future__ import annotations

import re

import pytest

from pinwright.tester.frames import crc16

ALL_ALONE = "00" * 128
A_PAIR = {"link": [{"pins": ["P.0", "P.40"]}]}
# A map whose only net is points 0 and 40.
PAIR_NETS = "01" + "00" * 39 + "01" + "00" * 87
READY = [
    ("check", "ok"),
    ("map clear", "ok"),
    (f"map nets 00 {PAIR_NETS}", "ok"),
    (f"map groups 00 {ALL_ALONE}", "ok"),
    ("map done", f"ok points=128 crc={crc16(bytes.fromhex(PAIR_NETS + ALL_ALONE)):04X}"),
]
SCANNED = "ok walk_us=T rest_us=T wide_us=T confirm_us=T walk_transfers=1280 transfers=N slips=0 doubts=0"
NOTHING = "00" * 16


def _labels(**joined: int) -> str:
    """Each point its own label, but for those given as p40=0."""
    labels = [joined.get(f"p{point}", point) for point in range(128)]
    return bytes(labels).hex().upper()


BOARD_ITSELF = {"p122": 121, "p124": 123}

# name: (bench, [(request, reply)]). A request in bytes is sent as it is; its reply is a whole line
# without checksum. T, N and ID stand for times, counts and the board's id.
DIALOGUES: dict[str, tuple[dict[str, object], list[tuple[str | bytes, str]]]] = {
    "who it is": (
        {},
        [("hello", "ok protocol=1 firmware=V id=ID points=128 fitted=8 lane=none name=virtual")],
    ),
    "who a small one is": (
        {"tester": {"fitted": 5}},
        [("hello", "ok protocol=1 firmware=V id=ID points=80 fitted=5 lane=none name=virtual")],
    ),
    "a whole scan of a pair": (
        A_PAIR,
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("rows seen 00", "ok " + "01000000000100000000000000000000" + "".join(
                f"{1 << p:02X}" + "00" * 15 for p in range(1, 8)
            )),
            ("rows joined 00", "ok " + "00" * 5 + "01" + "00" * 10 + "00" * 112),
            ("rows doubtful 00", "ok " + "00" * 128),
            ("rows joined 05", "ok " + "01" + "00" * 127),
            ("rows joined 0F", "ok " + "00" * 16 + "00" * 15 + "04" + "00" * 15 + "02"
                + "00" * 15 + "10" + "00" * 15 + "08" + "00" * 48),
            ("marks", f"ok apart=0100000000010000{'00' * 8} unexplained={NOTHING} group={ALL_ALONE}"),
            ("judge", f"ok verdict=pass missing={NOTHING} extra={NOTHING} swaps="),
            ("pieces joined", "ok " + _labels(p40=0, **BOARD_ITSELF)),
            ("pieces loose", "ok " + _labels(p40=0, **BOARD_ITSELF)),
            ("release", "ok"),
        ],
    ),
    "a cable without its one link": (
        {},
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("judge", f"ok verdict=fail missing=02{'00' * 15} extra={NOTHING} swaps="),
        ],
    ),
    "a bridge to an unused pin": (
        {"link": [{"pins": ["P.0", "P.40", "P.7"]}]},
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("judge", f"ok verdict=fail missing={NOTHING} extra=01{'00' * 15} swaps="),
        ],
    ),
    "two pairs exchanged": (
        {"link": [{"pins": ["P.0", "P.41"]}, {"pins": ["P.1", "P.40"]}]},
        [
            ("check", "ok"),
            ("map clear", "ok"),
            ("map nets 00 0102", "ok"),
            ("map nets 28 0102", "ok"),
            ("map done", "ok points=128 crc=X"),
            ("scan settle=0", SCANNED),
            ("judge", f"ok verdict=fail missing=06{'00' * 15} extra=03{'00' * 15} swaps=0102"),
        ],
    ),
    "nothing is taken out of turn": (
        A_PAIR,
        [
            ("scan settle=20", "error state"),
            ("rows seen 00", "error state"),
            ("marks", "error state"),
            ("judge", "error state"),
            ("pieces joined", "error state"),
            ("check", "ok"),
            ("scan settle=20", "error state"),  # no map yet
            *READY[1:-1],
            ("scan settle=20", "error state"),  # the map is not done
            READY[-1],
            ("release", "ok"),
            ("scan settle=20", "error state"),  # release ends what check allowed
            ("check", "ok"),
            ("scan settle=20", SCANNED),
            ("scan settle=20", "error state"),  # one check, one scan
        ],
    ),
    "a judgement needs the map and pieces need a judgement": (
        A_PAIR,
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("pieces joined", "error state"),
            ("map clear", "ok"),
            ("judge", "error state"),
            *READY[2:],
            ("judge", f"ok verdict=pass missing={NOTHING} extra={NOTHING} swaps="),
            ("pieces joined", "ok " + _labels(p40=0, **BOARD_ITSELF)),
            ("check", "ok"),
            ("pieces joined", "error state"),
        ],
    ),
    "unknown verbs": (
        {},
        [("jump", "error verb"), ("HELLO", "error verb"), ("hello2", "error verb"), ("answer", "error verb")],
    ),
    "arguments that do not fit": (
        {},
        [
            ("hello there", "error argument"),
            ("hello  x", "error argument"),
            ("check 1", "error argument"),
            ("map", "error argument"),
            ("map clear now", "error argument"),
            ("map done 1", "error argument"),
            ("map nets 00", "error argument"),
            ("map nets 00 01 02", "error argument"),
            ("map pins 00 01", "error argument"),
            ("map nets 0 01", "error argument"),
            ("map nets 0000 01", "error argument"),
            ("map nets 00 0", "error argument"),
            ("map nets 00 0a", "error argument"),
            ("map nets 00 XX", "error argument"),
            ("map nets 80 00", "error argument"),
            ("map nets 7F 0000", "error argument"),
            ("map nets 00 " + "00" * 129, "error argument"),
            ("map groups 01 " + "00" * 128, "error argument"),
            ("map nets 00 80", "error argument"),  # nets are numbered below the number of points
            ("map nets 00 FF", "error argument"),
            ("scan", "error argument"),
            ("scan 20", "error argument"),
            ("scan settle", "error argument"),
            ("scan settle=", "error argument"),
            ("scan settle=-1", "error argument"),
            ("scan settle=5001", "error argument"),
            ("scan settle=00020", "error argument"),
            ("scan settle=2.5", "error argument"),
            ("scan settle=20 x", "error argument"),
            ("rows seen", "error argument"),
            ("rows seen 00 00", "error argument"),
            ("marks 0", "error argument"),
            ("judge 0", "error argument"),
            ("pieces", "error argument"),
            ("pieces joined 0", "error argument"),
            ("release all", "error argument"),
        ],
    ),
    "arguments that do not fit, after a scan": (
        A_PAIR,
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("judge", f"ok verdict=pass missing={NOTHING} extra={NOTHING} swaps="),
            ("rows seen 10", "error argument"),
            ("rows seen FF", "error argument"),
            ("rows seen 0", "error argument"),
            ("rows seen 0f", "error argument"),
            ("rows labels 00", "error argument"),
            ("rows __class__ 00", "error argument"),
            ("pieces lost", "error argument"),
        ],
    ),
    "a smaller board has smaller numbers": (
        {"tester": {"fitted": 5}},
        [
            ("map nets 00 4F", "ok"),
            ("map nets 00 50", "error argument"),
            ("map nets 4F 00", "ok"),
            ("map nets 50 00", "error argument"),
        ],
    ),
    "lines that are no frames": (
        {},
        [
            (b">01 hello 0000", "<00 error frame why=checksum"),
            (b">01 hello 6e6c", "<00 error frame why=hex"),
            (b"hello", "<00 error frame why=shape"),
            (b"<01 hello 6E6C", "<00 error frame why=shape"),
            (b">1 hello 6E6C", "<00 error frame why=shape"),
            (b">01 hello\t6E6C", "<00 error frame why=byte"),
            (b">01 hel\x00lo 6E6C", "<00 error frame why=byte"),
            (b">01 hello\x7f 6E6C", "<00 error frame why=byte"),
            ("\u00e9".encode(), "<00 error frame why=byte"),
            (b"\xff", "<00 error frame why=byte"),
            (b"x" * 512, "<00 error frame why=shape"),
            (b"x" * 513, "<00 error frame why=length"),
            (b"x" * 514, "<00 error frame why=length"),
            (b"x" * 20_000, "<00 error frame why=length"),
            ("hello", "ok protocol=1 firmware=V id=ID points=128 fitted=8 lane=none name=virtual"),
        ],
    ),
    "an outside voltage": (
        {"tester": {"outside": {"P.9": 5.0}}},
        [("check", f"error fed points=0002{'00' * 14}"), ("scan settle=20", "error state")],
    ),
    "a point held low": (
        {"tester": {"stuck_low": [127]}},
        [("check", f"error held-low points={'00' * 15}80")],
    ),
    "a point held high": (
        {"tester": {"stuck_high": [16]}},
        [("check", f"error not-low points=000001{'00' * 13}")],
    ),
    "a chip that is not there": (
        {"tester": {"dead_chips": [7]}},
        [
            ("check", "error chip chip=7 register=0A written=0808 read=FFFF"),
            *READY[1:],
            ("scan settle=20", "error state"),
        ],
    ),
    "a reference that is cut off": (
        {"tester": {"cut": [121]}},
        [("check", f"error reference points={'00' * 15}06")],
    ),
}  # fmt: skip


def _with_tokens(reply: str) -> str:
    reply = re.sub(r"_us=\d+", "_us=T", reply)
    reply = re.sub(r" transfers=\d+", " transfers=N", reply)
    reply = re.sub(r"id=[0-9A-F]{16}", "id=ID", reply)
    return re.sub(r"firmware=\d+\.\d+\.\d+", "firmware=V", reply)


@pytest.mark.parametrize("name", DIALOGUES)
def test_the_firmware_answers_as_recorded_and_always_lets_go(name, engine, start):
    bench, dialogue = DIALOGUES[name]
    board = start(bench)
    for request, expected in dialogue:
        if isinstance(request, bytes):
            board.send(request + b"\n")
            actual = board.line()[:-5]
        else:
            actual = board.say(request)
        if "crc=X" in expected:
            actual = re.sub("crc=[0-9A-F]{4}", "crc=X", actual)
        assert expected == _with_tokens(actual), request
        assert [] == board.unsafe(), request
    assert [] == board.board.broken
    assert board.tester.engine.startswith(engine)


def test_lines_of_every_awkward_length_are_answered(engine, start):
    """Around whole USB packets of 64 bytes, with and without the newline counted."""
    board = start()
    for length in (16, 62, 63, 64, 65, 126, 127, 128, 129, 255, 256, 257, 511, 512):
        assert "error argument" == board.say("hello " + "x" * (length - 15)), length


def test_empty_lines_and_carriage_returns_change_nothing(engine, start):
    board = start()
    board.send(b"\n\r\n\r\r\n\n")
    body = b">2A release"
    board.send(body + b" %04X" % crc16(body) + b"\r\n")
    assert "ok" == board.reply(0x2A)


def test_bytes_that_come_one_by_one_and_lines_that_come_together_are_all_answered(engine, start):
    board = start()
    one, two = b">01 release", b">02 release"
    lines = b"".join(body + b" %04X\n" % crc16(body) for body in (one, two))
    for byte in lines:
        board.send(bytes([byte]))
    board.send(lines)
    assert ["ok"] * 4 == [board.reply(seq) for seq in (1, 2, 1, 2)]
