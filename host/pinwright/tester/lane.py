"""The ohms lane over the line: readings in, calibration and long checks in and out."""

from __future__ import annotations

from collections.abc import Collection, Generator
from datetime import datetime

from pinwright.errors import LinkCorrupt, SelfCheckFailed
from pinwright.tester.asking import Asker, Reply, Request, Steps, ask, hex_of, number_of, reading_of, value_of
from pinwright.tester.asking import readings_of as readings_in
from pinwright.tester.calibration import Calibration, Damaged, LongCheck, rfc3339
from pinwright.tester.frames import crc16
from pinwright.tester.ohmmeter import Lane

MEASURE_SILENCE_S, MEASURE_S = 3.0, 20.0  # all readings of one kind; 120 points take some 0.7 s
MOST_KEPT = 2048  # bytes of what a board keeps for us
_KEEP_PAGE = 200
_PAGE = 32  # points
_CALIBRATE = "`pinwright tester calibrate` makes a new one"
_CHECK = "`pinwright tester check` makes a new one"


def own_readings(asker: Asker, references: int) -> Generator[Request, Reply, tuple[Lane, int]]:
    """The tester's own readings, and the microseconds they took. references: how many there should be."""
    values = dict(
        map(value_of, (yield from ask(asker, Request("lane", MEASURE_SILENCE_S, most_s=MEASURE_S))))
    )
    told = values.get("refs", "")
    lane = Lane(
        reading_of(values, "zero"),
        reading_of(values, "vio"),
        reading_of(values, "sensor"),
        () if told == "-" else readings_in(told),
    )
    if len(lane.references) != references or not all(lane.references):
        raise LinkCorrupt(f"the board reads {len(lane.references)} references, not {references}")
    return lane, number_of(values, "us")


def measured(asker: Asker, what: str) -> Generator[Request, Reply, int]:
    """Have the board measure: `links MASK`, `leaks` or `bar MASK`. The microseconds it took."""
    request = Request(f"measure {what}", MEASURE_SILENCE_S, repeatable=False, most_s=MEASURE_S)
    return number_of(dict(map(value_of, (yield from ask(asker, request)))), "us")


def readings(
    asker: Asker, kind: str, points: int, only: Collection[int] | None = None
) -> Generator[Request, Reply, tuple[int, ...]]:
    """The readings of a kind (`high`, `low`, `leak`) that the board holds, one a point; 0 = none.

    only: the points whose readings are wanted; of pages without any of them, zeros.
    """
    found: list[int] = []
    for page in range((points + _PAGE - 1) // _PAGE):
        here = range(_PAGE * page, min(points, _PAGE * (page + 1)))
        told = (0,) * len(here)
        if only is None or any(point in here for point in only):
            words = yield from ask(asker, Request(f"readings {kind} {page:02X}", 1.0))
            told = readings_in("".join(words))
        if len(told) != len(here):
            raise LinkCorrupt(f"the board gives {len(told)} readings of {len(here)} points")
        found += told
    return tuple(found)


def mask_text(mask: int, points: int) -> str:
    """Points given as bits, as the board reads them: eight a byte, the first in the lowest bit."""
    return mask.to_bytes(points // 8, "little").hex().upper()


def part(asker: Asker, parts: bytes) -> Steps:
    """Tell the board which point belongs to which part."""
    yield from ask(asker, Request("parts clear", 1.0))
    yield from ask(asker, Request(f"parts 00 {parts.hex().upper()}", 1.0))


def kept(asker: Asker, name: str) -> Generator[Request, Reply, bytes]:
    """What the board keeps for us under a name; nothing where there is none."""
    data = b""
    while True:
        words = yield from ask(asker, Request(f"keep read {name} {len(data):04X}", 1.0))
        values = dict(map(value_of, words))
        size = number_of(values, "size")
        more = b"" if values.get("data", "-") == "-" else hex_of(values["data"])
        data += more
        if len(data) == size:
            return data
        if not more or len(data) > size or size > MOST_KEPT:
            raise LinkCorrupt(
                f"the board gives {len(data)} bytes of its {name}, and says {size}",
                hint=_CHECK if name == "check" else _CALIBRATE,
            )


def keep(asker: Asker, name: str, data: bytes) -> Steps:
    """Have the board keep it under a name, in place of what it had there.

    Until the board has said that it is done the old one is there, from then on the new one.
    """
    for at in range(0, len(data), _KEEP_PAGE):
        page = data[at : at + _KEEP_PAGE].hex().upper()
        yield from ask(asker, Request(f"keep write {name} {at:04X} {page}", 1.0))
    yield from ask(asker, Request(f"keep done {name} {len(data):04X} {crc16(data):04X}", 5.0))
    if (yield from kept(asker, name)) != data:
        raise SelfCheckFailed(f"the tester keeps another {name} than was sent to it")


def calibration_of(asker: Asker, points: int) -> Generator[Request, Reply, Calibration]:
    """The calibration that the board keeps. Raises SelfCheckFailed where it is damaged or another's."""
    try:
        calibration = Calibration.from_bytes((yield from kept(asker, "calibration")))
        if len(calibration.high_ohms) != points:
            raise Damaged(f"it has {len(calibration.high_ohms)} points, the tester {points}")
    except Damaged as damaged:
        raise SelfCheckFailed(
            f"the calibration on the tester is damaged: {damaged}", hint=_CALIBRATE
        ) from None
    return calibration


def long_check_of(asker: Asker) -> Generator[Request, Reply, LongCheck | None]:
    """How the last long check ended, as the board keeps it. Raises SelfCheckFailed where that is damaged."""
    data = yield from kept(asker, "check")
    try:
        return LongCheck.from_bytes(data) if data else None
    except Damaged as damaged:
        raise SelfCheckFailed(
            f"the result of the last long check on the tester is damaged: {damaged}", hint=_CHECK
        ) from None


def judge_long_check(
    check: LongCheck | None, between: tuple[datetime, datetime] | None, sockets: Collection[str], lane: bool
) -> None:
    """Raises SelfCheckFailed where the last long check failed, or, if it has to be from between two moments,
    where it is not, or was not of these sockets, or not of the ohms lane though there is one."""
    if check and not check.passed:
        raise SelfCheckFailed(
            f"the tester failed its last long check, on {rfc3339(check.made)}: {check.text}",
            hint=f"mend that; then {_CHECK}",
        )
    if between is None:
        return
    if check is None:
        raise SelfCheckFailed(
            "the tester has had no long check, and `--max-check-age` asks for one", hint=_CHECK
        )
    since, now = between
    if check.made > now:
        raise SelfCheckFailed(
            f"the tester's last long check is dated {rfc3339(check.made)}, which is yet to come",
            hint=f"is the clock of this computer right? If it is, {_CHECK}",
        )
    missing = [name for name in sockets if name not in check.sockets]
    if missing or (lane and not check.measured):
        what = f"socket {missing[0]}" if missing else "the ohms lane"
        raise SelfCheckFailed(f"the tester's last long check was not of {what}", hint=_CHECK)
    if check.made < since:
        raise SelfCheckFailed(
            f"the tester's last long check, on {rfc3339(check.made)}, is older than `--max-check-age` allows",
            hint=_CHECK,
        )
