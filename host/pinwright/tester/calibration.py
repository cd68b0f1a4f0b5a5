"""What a tester knows of itself: its calibration, and how its last long check ended.

Both are kept on the board as bytes that only this program reads: one line of JSON, a newline, and the first
sixteen digits of the line's SHA-256. Numbers a point are packed, two bytes each, high byte first, in Base64.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

CALIBRATION_SCHEMA = "pinwright/calibration-1"
CHECK_SCHEMA = "pinwright/check-1"
STEPS_PER_OHM = 32  # of what is kept; the largest resistance is 2047 ohms
_UNKNOWN = 0
_SEAL_DIGITS = 16
_OFFSET = 0x8000  # lets readings below zero be packed
_DATE = "%Y-%m-%dT%H:%M:%SZ"


class Damaged(ValueError):
    """Bytes that are no calibration or check, or no whole one, or of a version that is not known."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Resistances of every point up to its socket pin, as they were measured with a shorting bar.

    high_ohms, low_ohms: per point, its driver and its series resistor, driven high or low; None where no bar
    reaches. empty: per point, what a leak reading shows with nothing plugged in, in steps of the converter
    (sum of four conversions). references: the paths through the tester's own pairs, in the order of the
    fixture, each from its first and from its second point; none where they are not fitted. celsius: of the
    processor, at that time. made: UTC.
    """

    made: datetime
    high_ohms: tuple[float | None, ...]
    low_ohms: tuple[float | None, ...]
    empty: tuple[int, ...]
    references: tuple[float, ...]
    celsius: float

    def to_bytes(self) -> bytes:
        """For the board to keep. Resistances are rounded to 1/32 ohm."""
        return _sealed(
            {
                "schema": CALIBRATION_SCHEMA,
                "made": rfc3339(self.made),
                "high": _packed([_UNKNOWN if ohms is None else _steps(ohms) for ohms in self.high_ohms]),
                "low": _packed([_UNKNOWN if ohms is None else _steps(ohms) for ohms in self.low_ohms]),
                "empty": _packed([min(0xFFFF, max(0, steps + _OFFSET)) for steps in self.empty]),
                "references": _packed([_steps(ohms) for ohms in self.references]),
                "celsius": round(self.celsius, 1),
            }
        )

    @staticmethod
    def from_bytes(data: bytes) -> Calibration:
        """What `to_bytes` made. Raises Damaged."""
        doc = _opened(data, CALIBRATION_SCHEMA)
        try:
            high, low, empty = (_unpacked(doc[key]) for key in ("high", "low", "empty"))
            calibration = Calibration(
                _date(doc["made"]),
                tuple(steps / STEPS_PER_OHM if steps != _UNKNOWN else None for steps in high),
                tuple(steps / STEPS_PER_OHM if steps != _UNKNOWN else None for steps in low),
                tuple(steps - _OFFSET for steps in empty),
                tuple(steps / STEPS_PER_OHM for steps in _unpacked(doc["references"])),
                _number(doc["celsius"]),
            )
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise Damaged(f"a calibration that lacks something: {error!r}") from None
        if not len(high) == len(low) == len(empty):
            raise Damaged("a calibration whose tables have different lengths")
        if not -40 <= calibration.celsius <= 125:  # no processor works outside; false for NaN too
            raise Damaged("a calibration at a temperature that cannot be")
        return calibration


@dataclass(frozen=True, slots=True)
class LongCheck:
    """How the last long check ended. made: UTC. measured: whether resistances were looked at too.

    sockets: those that had the shorting bar in. text: what was wrong, in words; nothing where it passed.
    """

    made: datetime
    passed: bool
    measured: bool
    sockets: tuple[str, ...]
    text: str

    def to_bytes(self) -> bytes:
        """For the board to keep."""
        return _sealed(
            {
                "schema": CHECK_SCHEMA,
                "made": rfc3339(self.made),
                "passed": self.passed,
                "measured": self.measured,
                "sockets": list(self.sockets),
                "text": self.text,
            }
        )

    @staticmethod
    def from_bytes(data: bytes) -> LongCheck:
        """What `to_bytes` made. Raises Damaged."""
        doc = _opened(data, CHECK_SCHEMA)
        try:
            check = LongCheck(
                _date(doc["made"]), doc["passed"], doc["measured"], tuple(doc["sockets"]), doc["text"]
            )
        except (KeyError, TypeError, ValueError) as error:
            raise Damaged(f"a check that lacks something: {error!r}") from None
        texts = (*check.sockets, check.text)
        if not (
            isinstance(doc["sockets"], list)
            and isinstance(check.passed, bool)
            and isinstance(check.measured, bool)
            and all(isinstance(text, str) for text in texts)
        ):
            raise Damaged("a check with something else where texts and truths should be")
        return check


def rfc3339(moment: datetime) -> str:
    """`2026-03-01T09:30:00Z`. Source: RFC 3339, section 5.6."""
    return moment.astimezone(UTC).strftime(_DATE)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(value)
    return float(value)


def _date(text: Any) -> datetime:
    moment = datetime.strptime(text, _DATE).replace(tzinfo=UTC)
    if rfc3339(moment) != text:
        raise ValueError(text)
    return moment


def _sealed(doc: Mapping[str, object]) -> bytes:
    line = json.dumps(doc, separators=(",", ":"), sort_keys=True).encode()
    return line + b"\n" + hashlib.sha256(line).hexdigest()[:_SEAL_DIGITS].encode()


def _opened(data: bytes, schema: str) -> Mapping[str, Any]:
    line, _, seal = data.rpartition(b"\n")
    if hashlib.sha256(line).hexdigest()[:_SEAL_DIGITS].encode() != seal:
        raise Damaged("its checksum is not that of its content")
    try:
        doc = json.loads(line)
    except (ValueError, RecursionError):
        raise Damaged("it is not JSON") from None
    if not isinstance(doc, dict) or doc.get("schema") != schema:
        raise Damaged(f"it is not `{schema}`")
    return doc


def _steps(ohms: float) -> int:
    steps = round(ohms * STEPS_PER_OHM)
    if not 0 < steps <= 0xFFFF:
        raise ValueError(f"{ohms} ohms cannot be kept")
    return steps


def _packed(numbers: Sequence[int]) -> str:
    return base64.b64encode(struct.pack(f">{len(numbers)}H", *numbers)).decode()


def _unpacked(text: Any) -> tuple[int, ...]:
    try:
        data = base64.b64decode(text, validate=True)
    except binascii.Error as error:
        raise ValueError(str(error)) from None
    if len(data) % 2:
        raise ValueError("half a number")
    return struct.unpack(f">{len(data) // 2}H", data)
