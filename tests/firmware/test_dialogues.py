"""Recorded dialogues, held with the firmware on real MicroPython and on CPython, each through a real port.

One table is for both kinds of tester, whatever points they have; another for the one with expanders.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
import serial

from pinwright.errors import LinkLost
from pinwright.tester.frames import crc16
from pinwright.virtual import process
from pinwright.virtual.bench import Bench
from pinwright.virtual.port import Port, Tcp

from .conftest import FIRMWARE, POINT_OF, Talk, Watched

# A request in bytes is sent as it is; its reply is a whole line without checksum. T, N, V, P, ID and R
# stand for times, counts, the versions, the platform, the board's id and any reading but 0000.
Dialogue = list[tuple[str | bytes, str]]
SCANNED = "ok walk_us=T rest_us=T wide_us=T confirm_us=T walk_transfers=N transfers=N slips=0 doubts=0"


@dataclass(frozen=True)
class Kind:
    """A kind of tester. own: point → the lower one it is joined to on the board itself. lane: as in hello."""

    name: str
    fixture: str
    points: int
    fitted: int
    own: dict[int, int]
    lane: str

    @property
    def hello(self) -> str:
        return (
            f"ok protocol=3 firmware=V id=ID fixture={self.fixture} points={self.points} "
            f"fitted={self.fitted} lane={self.lane} platform=P bus=portable name=virtual"
        )

    def bench(self, *links: tuple[int, ...], **faults: object) -> dict[str, object]:
        joined = [{"pins": [f"P.{p}" for p in link]} for link in links]
        return {"link": joined, "tester": {"kind": self.name, **faults}}

    def row(self, *points: int) -> str:
        """A bit a point."""
        return sum(1 << p for p in points).to_bytes(self.points // 8, "little").hex().upper()

    def rows(self, port: int, joined: dict[int, int]) -> str:
        """The rows of eight points, each of which sees one other at most."""
        points = range(8 * port, 8 * port + 8)
        return "".join(self.row(*([joined[p]] if p in joined else [])) for p in points)

    def map(self, **nets: int) -> str:
        """A byte a point: `p20=1` puts point 20 into net 1."""
        return bytes(nets.get(f"p{p}", 0) for p in range(self.points)).hex().upper()

    def labels(self, joined: dict[int, int]) -> str:
        """Each point its own label, but for those that are joined to a lower one."""
        told = {**self.own, **joined}
        return bytes(told.get(p, p) for p in range(self.points)).hex().upper()

    def verdict(self, passed: bool, missing: tuple[int, ...] = (), extra: tuple[int, ...] = ()) -> str:
        return (
            f"ok verdict={'pass' if passed else 'fail'} missing={self.row(*missing)} "
            f"extra={self.row(*extra)} swaps="
        )

    def ready(self) -> Dialogue:
        """Up to a scan for a net of points 0 and 20."""
        nets, groups = self.map(p0=1, p20=1), self.map()
        return [
            ("check", "ok"),
            ("map clear", "ok"),
            (f"map nets 00 {nets}", "ok"),
            (f"map groups 00 {groups}", "ok"),
            ("map done", f"ok points={self.points} crc={crc16(bytes.fromhex(nets + groups)):04X}"),
        ]


NO_FRAMES: Dialogue = [
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
]

TESTER = Kind("tester", "tester-128", 128, 8, {122: 121, 124: 123}, "calibrated")
SMALL = Kind("tester", "tester-128", 80, 5, {}, "calibrated")
POCKET = Kind("pocket", "pocket-24", 24, 0, {}, "none")
READY = TESTER.ready()
A_PAIR = TESTER.bench((0, 20))


def for_each(kind: Kind) -> dict[str, tuple[dict[str, object], Dialogue]]:
    """What is asked of either kind, and answered alike but for its number of points."""
    ready, last = kind.ready(), kind.points - 1
    # Seen by a point is itself too; joined, only the other.
    pair = {0: 20, 20: 0}
    both_ways = {**kind.own, **{low: high for high, low in kind.own.items()}}
    first_seen = kind.row(0, 20) + "".join(kind.row(p) for p in range(1, 8))
    return {
        "who it is": (kind.bench(), [("hello", kind.hello)]),
        "a whole scan of a pair": (
            kind.bench((0, 20)),
            [
                *ready,
                ("scan settle=20", SCANNED),
                ("rows seen 00", "ok " + first_seen),
                ("rows joined 00", "ok " + kind.rows(0, pair)),
                ("rows joined 02", "ok " + kind.rows(2, pair)),
                (f"rows joined {last // 8:02X}", "ok " + kind.rows(last // 8, {**pair, **both_ways})),
                ("rows doubtful 00", "ok " + kind.rows(0, {})),
                ("marks", f"ok apart={kind.row(0, 20)} unexplained={kind.row()} group={kind.map()}"),
                ("judge", kind.verdict(True)),
                ("pieces joined", "ok " + kind.labels({20: 0})),
                ("pieces loose", "ok " + kind.labels({20: 0})),
                ("release", "ok"),
            ],
        ),
        "a cable without its one link": (
            kind.bench(),
            [*ready, ("scan settle=20", SCANNED), ("judge", kind.verdict(False, missing=(1,)))],
        ),
        "a bridge to an unused pin": (
            kind.bench((0, 20, 7)),
            [*ready, ("scan settle=20", SCANNED), ("judge", kind.verdict(False, extra=(0,)))],
        ),
        "a bridge between points of the tester": (
            kind.bench((0, 20), bridged=[[3, 19]]),
            [*ready, ("scan settle=20", SCANNED), ("judge", kind.verdict(False, extra=(3,)))],
        ),
        "two pairs exchanged": (
            kind.bench((0, 21), (1, 20)),
            [
                ("check", "ok"),
                ("map clear", "ok"),
                ("map nets 00 0102", "ok"),
                ("map nets 14 0102", "ok"),
                ("map done", f"ok points={kind.points} crc=X"),
                ("scan settle=0", SCANNED),
                ("judge", kind.verdict(False, missing=(1, 2), extra=(0, 1)) + "0102"),
            ],
        ),
        "nothing is taken out of turn": (
            kind.bench((0, 20)),
            [
                ("scan settle=20", "error state"),
                ("rows seen 00", "error state"),
                ("marks", "error state"),
                ("judge", "error state"),
                ("pieces joined", "error state"),
                ("check", "ok"),
                ("scan settle=20", "error state"),  # no map yet
                *ready[1:-1],
                ("scan settle=20", "error state"),  # the map is not done
                ready[-1],
                ("release", "ok"),
                ("scan settle=20", "error state"),  # release ends what check allowed
                ("check", "ok"),
                ("scan settle=20", SCANNED),
                ("scan settle=20", "error state"),  # one check, one scan
            ],
        ),
        "a judgement needs the map and pieces need a judgement": (
            kind.bench((0, 20)),
            [
                *ready,
                ("scan settle=20", SCANNED),
                ("pieces joined", "error state"),
                ("map clear", "ok"),
                ("judge", "error state"),
                *ready[2:],
                ("judge", kind.verdict(True)),
                ("show pass", "ok"),
                ("map done", ready[-1][1]),
                ("show pass", "error state"),  # that judgement was by another map, for all it knows
                ("pieces joined", "ok " + kind.labels({20: 0})),
                ("check", "ok"),
                ("pieces joined", "error state"),
            ],
        ),
        "a pass is shown where the board's own verdict on the last scan is one": (
            kind.bench((0, 20)),
            [
                ("show pass", "error state"),
                ("show fail", "ok"),
                *ready,
                ("scan settle=20", SCANNED),
                ("show pass", "error state"),
                ("judge", kind.verdict(True)),
                ("show pass", "ok"),
                ("show fail", "ok"),
                ("show pass", "ok"),
                ("show", "error argument"),
                ("show green", "error argument"),
                ("show pass pass", "error argument"),
                ("check", "ok"),
                ("show pass", "error state"),
            ],
        ),
        "looks for a probe lead": (
            kind.bench((0, 20)),
            [
                ("touch 00", "error state"),
                ("check", "ok"),
                ("touch", "error argument"),
                (f"touch {kind.points:02X}", "error argument"),
                ("touch 00", f"ok low={kind.row(0, 20)} held={kind.row()} transfers=N slips=0"),
                ("touch 14", f"ok low={kind.row(0, 20)} held={kind.row()} transfers=N slips=0"),
                ("touch 01", f"ok low={kind.row(1)} held={kind.row()} transfers=N slips=0"),
                *ready[1:],
                ("scan settle=20", "error state"),  # a look uses the check up
                ("release", "ok"),
                ("touch 00", "error state"),
            ],
        ),
        "no pass is shown where the board's own verdict is a fail": (
            kind.bench(),
            [
                *ready,
                ("scan settle=20", SCANNED),
                ("judge", kind.verdict(False, missing=(1,))),
                ("show pass", "error state"),
                ("show fail", "ok"),
            ],
        ),
        "what the board keeps for the host": (
            kind.bench(**({} if kind.lane == "none" else {"lane": "uncalibrated"})),
            [
                ("keep read calibration 0000", "ok size=0 data=-"),
                ("keep done check 0001 0000", "error argument"),  # nothing has come
                ("keep write check 0000 0102", "ok"),
                ("keep write check 0002 03", "ok"),
                ("keep done check 0003 0000", "error argument"),
                ("keep done calibration 0003 ADAD", "error argument"),
                ("keep read check 0000", "ok size=0 data=-"),
                ("keep done check 0003 ADAD", "ok"),
                ("keep done check 0003 ADAD", "ok"),
                ("keep read check 0000", "ok size=3 data=010203"),
                ("keep read check 0002", "ok size=3 data=03"),
                ("keep read check 0003", "ok size=3 data=-"),
                ("keep read check FFFF", "ok size=3 data=-"),
                ("keep write check 07FF 00", "ok"),
                ("keep write check 07FF 0000", "error argument"),
                ("keep write check 0800 00", "error argument"),
                ("keep done check 0801 0000", "error argument"),
                ("keep done check 0000 FFFF", "error argument"),
                ("keep", "error argument"),
                ("keep read", "error argument"),
                ("keep read check", "error argument"),
                ("keep read main.py 0000", "error argument"),
                ("keep read check 00", "error argument"),
                ("keep read check 0000 00", "error argument"),
                ("keep write check 0000", "error argument"),
                ("keep write check 0000 0", "error argument"),
                ("keep done check 0003", "error argument"),
                ("keep forget check 0000", "error argument"),
                ("keep lose check", "error argument"),
                ("keep forget check", "ok"),
                ("keep forget check", "ok"),
                ("keep read check 0000", "ok size=0 data=-"),
            ],
        ),
        "an outside voltage": (
            kind.bench(outside={"P.9": 5.0}),
            [("check", f"error fed points={kind.row(9)}"), ("scan settle=20", "error state")],
        ),
        "a point held low": (
            kind.bench(stuck_low=[last]),
            [("check", f"error held-low points={kind.row(last)}")],
        ),
        "a point held high": (
            kind.bench(stuck_high=[16]),
            [("check", f"error not-low points={kind.row(16)}")],
        ),
        "a point without its pull-up": (
            kind.bench(no_pullup=[5]),
            [("check", f"error held-low points={kind.row(5)}")],
        ),
        "lines that are no frames": (kind.bench(), [*NO_FRAMES, ("hello", kind.hello)]),
        "the same word back": (
            kind.bench(),
            [
                ("echo x", "ok x"),
                ("echo " + "~" * 400, "ok " + "~" * 400),
                ("echo", "error argument"),
                ("echo two words", "error argument"),
            ],
        ),
    }


LANE_VERBS = ("lane", "parts clear", "measure leaks", "readings high 00")
LOOKED = "ok zero=R vio=R sensor=R refs=RRRR us=T"
ALL = "FF" * 16

DIALOGUES: dict[str, tuple[dict[str, object], Dialogue]] = {
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
            ("judge", TESTER.verdict(True)),
            ("rows seen 10", "error argument"),
            ("rows seen FF", "error argument"),
            ("rows seen 0", "error argument"),
            ("rows seen 0f", "error argument"),
            ("rows labels 00", "error argument"),
            ("rows __class__ 00", "error argument"),
            ("pieces lost", "error argument"),
        ],
    ),
    "the ohms lane, in and out of turn": (
        A_PAIR,
        [
            ("lane", "error state"),
            ("measure leaks", "error state"),
            (f"measure links {ALL}", "error state"),
            (f"measure bar {TESTER.row(0, 20)}", "error state"),
            ("readings high 00", "error state"),
            *READY,
            ("lane", LOOKED),
            ("measure leaks", "error state"),  # a check is not enough
            ("scan settle=20", SCANNED),
            ("lane", LOOKED),
            ("readings high 00", "ok " + "0000" * 32),  # none so far
            (f"measure links {TESTER.row(0)}", "ok us=T"),
            ("readings high 00", "ok R" + "0000" * 31),
            ("readings leak 00", "ok " + "0000" * 32),
            (f"measure links {TESTER.row(20, 127)}", "ok us=T"),
            ("readings high 00", "ok R" + "0000" * 19 + "R" + "0000" * 11),
            ("readings high 03", "ok " + "0000" * 31 + "R"),
            ("parts 00 " + TESTER.map(p0=1, p20=1, p33=9, p34=255), "ok"),
            ("measure leaks", "ok us=T"),
            ("readings leak 00", "ok R" + "0000" * 31),
            ("readings leak 01", "ok 0000RR" + "0000" * 29),
            ("parts clear", "ok"),
            ("parts 7F 01", "ok"),
            ("measure leaks", "ok us=T"),
            ("readings leak 03", "ok " + "0000" * 31 + "R"),
            (f"measure bar {TESTER.row(0, 20)}", "ok us=T"),
            ("readings low 00", "ok R" + "0000" * 19 + "R" + "0000" * 11),
            ("release", "ok"),
            ("lane", LOOKED),
            ("check", "ok"),
            ("readings low 00", "error state"),
            *READY[1:],
            ("scan settle=20", SCANNED),
            ("readings low 00", "ok " + "0000" * 32),  # those of the last scan are forgotten
            ("readings high 00", "ok " + "0000" * 32),
            ("readings leak 03", "ok " + "0000" * 32),
        ],
    ),
    "only one whole piece is a shorting bar": (
        TESTER.bench((0, 20, 33), (1, 2)),
        [
            *READY,
            ("scan settle=20", SCANNED),
            (f"measure bar {TESTER.row(0, 20, 33)}", "ok us=T"),
            (f"measure bar {TESTER.row(0, 20)}", "error state"),
            (f"measure bar {TESTER.row(0, 20, 33, 40)}", "error state"),
            (f"measure bar {TESTER.row(0, 20, 33, 1, 2)}", "error state"),
            (f"measure bar {TESTER.row(40)}", "error state"),
            (f"measure bar {TESTER.row()}", "error state"),
            (f"measure bar {ALL}", "error state"),
        ],
    ),
    "a bar of forty points is the largest": (
        TESTER.bench(tuple(range(40)), tuple(range(40, 81))),
        [
            *READY,
            ("scan settle=20", SCANNED),
            (f"measure bar {TESTER.row(*range(40))}", "ok us=T"),
            (f"measure bar {TESTER.row(*range(40, 81))}", "error state"),
        ],
    ),
    "arguments of the ohms lane that do not fit": (
        A_PAIR,
        [
            *READY,
            ("scan settle=20", SCANNED),
            ("lane 1", "error argument"),
            ("parts", "error argument"),
            ("parts 00", "error argument"),
            ("parts all", "error argument"),
            ("parts 80 01", "error argument"),
            ("parts 7F 0101", "error argument"),
            ("parts 00 " + "00" * 129, "error argument"),
            ("measure", "error argument"),
            ("measure leaks 00", "error argument"),
            ("measure links", "error argument"),
            ("measure links " + "00" * 15, "error argument"),
            ("measure links " + "00" * 17, "error argument"),
            ("measure links " + "0g" * 16, "error argument"),
            ("measure ohms " + ALL, "error argument"),
            ("readings", "error argument"),
            ("readings high", "error argument"),
            ("readings high 04", "error argument"),
            ("readings high 0", "error argument"),
            ("readings parts 00", "error argument"),
            ("readings __class__ 00", "error argument"),
        ],
    ),
    "a board without an ohms lane": (
        TESTER.bench((0, 20), lane="none"),
        [*((verb, "error lane") for verb in LANE_VERBS), *READY, ("scan settle=20", SCANNED)]
        + [(verb, "error lane") for verb in LANE_VERBS],
    ),
    "a pocket tester has no ohms lane": (POCKET.bench(), [(verb, "error lane") for verb in LANE_VERBS]),
    "a small one has no references": (
        TESTER.bench(fitted=5),
        [
            ("check", "ok"),
            ("lane", "ok zero=R vio=R sensor=R refs=- us=T"),
            *SMALL.ready()[1:],
            ("scan settle=20", SCANNED),
            ("measure links " + "FF" * 10, "ok us=T"),
            ("readings high 02", "ok " + "R" * 16),
            ("readings high 03", "error argument"),
        ],
    ),
    "a converter that is not there": (
        TESTER.bench(converter="missing"),
        [("check", "error converter why=missing"), ("lane", "error state")],
    ),
    "who a small one is": (TESTER.bench(fitted=5), [("hello", SMALL.hello)]),
    "a smaller board has smaller numbers": (
        TESTER.bench(fitted=5),
        [
            ("map nets 00 4F", "ok"),
            ("map nets 00 50", "error argument"),
            ("map nets 4F 00", "ok"),
            ("map nets 50 00", "error argument"),
        ],
    ),
    "a pocket tester has yet smaller ones": (
        POCKET.bench(),
        [
            ("map nets 00 17", "ok"),
            ("map nets 00 18", "error argument"),
            ("map nets 17 00", "ok"),
            ("map nets 18 00", "error argument"),
            *POCKET.ready(),
            ("scan settle=20", SCANNED),
            ("rows seen 02", "ok " + "".join(POCKET.row(p) for p in range(16, 24))),
            ("rows seen 03", "error argument"),
        ],
    ),
    "a chip that is not there": (
        TESTER.bench(dead_chips=[7]),
        [
            ("check", "error chip chip=7 register=0A written=0808 read=FFFF"),
            *READY[1:],
            ("scan settle=20", "error state"),
        ],
    ),
    "a reference that is cut off": (
        TESTER.bench(cut=[121]),
        [("check", f"error reference points={TESTER.row(121, 122)}")],
    ),
}  # fmt: skip
for kind in (TESTER, POCKET):
    DIALOGUES |= {f"{kind.name}: {name}": told for name, told in for_each(kind).items()}


def _with_tokens(reply: str, request: str | bytes = "") -> str:
    reply = re.sub(r"us=\d+", "us=T", reply)
    if request == "lane" or str(request).startswith("readings"):
        reply = re.sub("[0-9A-F]{4}", lambda found: "0000" if found[0] == "0000" else "R", reply)
    reply = re.sub(r"transfers=\d+", "transfers=N", reply)
    reply = re.sub(r"platform=\w+", "platform=P", reply)
    reply = re.sub(r"id=[0-9A-F]{16}", "id=ID", reply)
    return re.sub(r"firmware=\d+\.\d+\.\d+", "firmware=V", reply)


class Program:
    """A program that has the port open: our end of it."""

    def __init__(self, port: str) -> None:
        self.serial = serial.serial_for_url(port, timeout=0)

    def write(self, data: bytes) -> None:
        self.serial.write(data)

    def read(self, timeout_s: float) -> bytes:
        self.serial.timeout = timeout_s
        try:
            first = self.serial.read(1)
            self.serial.timeout = 0
            return first + (self.serial.read(4096) if first else b"")
        except serial.SerialException as error:
            raise LinkLost(str(error)) from None


@pytest.fixture
def start(engine: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[dict[str, object]], Talk]]:
    """Start a board and open its port: a pseudo-terminal for MicroPython, TCP for CPython."""
    monkeypatch.setattr(process, "VirtualBoard", Watched)
    opened: list[tuple[Port, Program]] = []

    def start(bench: dict[str, object]) -> Talk:
        at = Tcp() if engine == "CPython" else None
        port = Port(Bench.from_dict(bench), POINT_OF, FIRMWARE, at=at)
        program = Program(port.name)
        opened.append((port, program))
        return Talk(port.board, program)

    yield start
    for port, program in opened:
        program.serial.close()
        port.close()


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
        assert expected == _with_tokens(actual, request), request
        assert [] == board.unsafe(), request
    assert [] == board.board.broken
    assert board.tester.engine.startswith(engine)


def test_a_walk_is_ten_transfers_a_point_and_a_pocket_tester_makes_none(engine, start):
    for kind, transfers in ((TESTER, 1280), (POCKET, 0)):
        board = start(kind.bench((0, 20)))
        for request, _ in kind.ready():
            board.say(request)
        assert f" walk_transfers={transfers} " in board.say("scan settle=20")


@pytest.mark.parametrize("kind", [TESTER, POCKET], ids=lambda kind: kind.name)
def test_lines_of_every_awkward_length_are_answered(kind, engine, start):
    """Around whole USB packets of 64 bytes, with and without line ends counted, in both directions.

    `>01 echo x 1234` and a newline are 16 bytes; `<01 ok x 1234` with CR and LF are 15.
    """
    board = start(kind.bench())
    awkward = (63, 64, 65, 127, 128, 129)
    sent = [length - 16 + without for length in awkward for without in (0, 1)]
    received = [length - 15 + without for length in awkward for without in (0, 1, 2)]
    for more in sorted({0, *sent, *received, 256 - 16, 512 - 15}):
        word = "x" * (more + 1)
        assert "ok " + word == board.say("echo " + word), more


def test_empty_lines_and_carriage_returns_change_nothing(engine, start):
    board = start(TESTER.bench())
    board.send(b"\n\r\n\r\r\n\n")
    body = b">2A release"
    board.send(body + b" %04X" % crc16(body) + b"\r\n")
    assert "ok" == board.reply(0x2A)


def test_bytes_that_come_one_by_one_and_lines_that_come_together_are_all_answered(engine, start):
    board = start(TESTER.bench())
    one, two = b">01 release", b">02 release"
    lines = b"".join(body + b" %04X\n" % crc16(body) for body in (one, two))
    for byte in lines:
        board.send(bytes([byte]))
    board.send(lines)
    assert ["ok"] * 4 == [board.reply(seq) for seq in (1, 2, 1, 2)]
