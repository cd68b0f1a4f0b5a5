"""What a file of the folder of records says, as a row of the index: by its name, and by what is in it.

Files are taken as they stand, whatever is in them: the index proves nothing but a seal.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pinwright.records.document import is_sealed

Row = dict[str, Any]

LARGEST_COUNT = 10**9 - 1  # of tests of a cable, remarks of a kind, batches of a profile: nine digits
_COUNT = "[1-9][0-9]{0,8}"
_SERIAL = rf"(?P<serial>[a-z0-9][a-z0-9._-]*)\.test-(?P<test>{_COUNT})"
_RECORD_NAME = rf"{_SERIAL}\.(?P<kind>certificate|report)\.(?P<extension>[a-z]+)"
_REMARK_NAME = rf"{_SERIAL}\.(?P<kind>note|withdrawal)-(?P<count>{_COUNT})\.json"
_BATCH_NAME = rf"(?P<id>(?P<series>[a-z0-9][a-z0-9-]*)-(?P<number>{_COUNT}))\.batch\.json"
# What any file of ours is called; stem: all but the extension.
ANY_NAME = (
    rf"(?P<stem>[a-z0-9][a-z0-9._-]*\.(test-{_COUNT}\."
    rf"(certificate|report|(note|withdrawal)-{_COUNT})|batch))\.(?P<extension>[a-z]+)"
)
# What passes for a record or a page of one, wherever it lies and however its serial is written; whose: the
# record that it says to be.
SAID_TO_BE = re.compile(
    r"(?P<whose>.+\.test-[0-9]+\.(certificate|report))\.(json|pdf|html)", re.IGNORECASE | re.DOTALL
)
_RECORD, _REMARK, _BATCH = (
    re.compile(name, re.IGNORECASE | re.ASCII) for name in (_RECORD_NAME, _REMARK_NAME, _BATCH_NAME)
)
_MOST_LISTED = 10_000  # findings or links of a record: more than any cable has
_SMALL = 2**31


@dataclass(frozen=True, slots=True)
class Named:
    """A file that is a record or was drawn from one, as its name tells. extension: in lower case."""

    serial: str
    test: int
    kind: str
    extension: str


@dataclass(frozen=True, slots=True)
class NamedRemark:
    """A file of a remark, as its name tells. count: the how-manieth of its kind about this test."""

    serial: str
    test: int
    kind: str
    count: int


@dataclass(frozen=True, slots=True)
class NamedBatch:
    """A file of a batch, as its name tells. series: the id of its profile, in lower case."""

    id: str
    series: str
    number: int


def named(name: str) -> Named | NamedRemark | NamedBatch | None:
    """What a file of this name is; None where the folder of records knows nothing of such."""
    if found := _RECORD.fullmatch(name):
        kind = found["kind"].casefold()
        return Named(found["serial"], int(found["test"]), kind, found["extension"].casefold())
    if found := _REMARK.fullmatch(name):
        return NamedRemark(found["serial"], int(found["test"]), found["kind"].casefold(), int(found["count"]))
    if found := _BATCH.fullmatch(name):
        return NamedBatch(found["id"], found["series"].casefold(), int(found["number"]))
    return None


def kind_of(name: str) -> str:
    """`batch`, `record`, `remark`, or `drawn` from a record; nothing of what the folder does not know."""
    about = named(name)
    if isinstance(about, Named):
        return "record" if about.extension == "json" else "drawn"
    return {NamedRemark: "remark", NamedBatch: "batch"}.get(type(about), "")


def test_of(name: str) -> tuple[str, int]:
    """Serial and number of the test that a file of this name is about. Raises ValueError."""
    about = named(name)
    if not isinstance(about, Named | NamedRemark):
        raise ValueError(f"`{name}` is no file of a test")
    return about.serial, about.test


def in_order(serial: str) -> str:
    """A text that sorts, byte by byte, as the serial does by the value of the numbers in it: `A-9` before
    `a-10`.

    Runs of digits are written as how many digits they have without zeros in front, in three, and those
    digits; all else in lower case, with a blank after it, which comes before whatever a serial can hold.
    `A-09` → `a- 0019 `. Serials that differ in zeros alone get the same.
    """
    parts = re.split(r"([0-9]+)", serial.casefold())
    for place, part in enumerate(parts):
        digits = part.lstrip("0")
        parts[place] = f"{len(digits):03}{digits}" if place % 2 else f"{part} "
    return "".join(parts)


def record_row(data: bytes | None, name: Named) -> Row:
    """What the file of a record says; nothing where it is the record of another test than its name tells.
    None: it cannot be read."""
    row: Row = {
        "sha256": "",
        "sealed": False,
        "result": "unreadable",
        "simulated": False,
        **dict.fromkeys(("started", "profile", "title", "revision", "profile_sha256", "operator"), ""),
        "lane": "",
        "findings": "[]",
        "links": "[]",
        "said": "",
        "batch": "",
        "item": 0,
        "seconds": 0,
    }
    try:
        doc = _object(data)
        number = f"{name.serial}.test-{name.test}"
        _check(doc, number=number, serial=name.serial, test=name.test, kind=name.kind)
        scan = doc["scan"]
        simulated = {"virtual": True, "board": False}[scan["tester"]["kind"]]
        result = {"pass": "pass", "fail": "fail"}[scan["verdict"]]
        profile = scan["profile"]
        said = {
            "started": scan["started"],
            "profile": profile["id"],
            "operator": "" if scan["operator"] is None else scan["operator"],
        }
    except (ValueError, KeyError, TypeError, RecursionError):
        return row
    if not all(isinstance(text, str) for text in said.values()):
        return row
    findings = _dicts(scan.get("findings"))
    member = doc.get("batch")
    batch = member if isinstance(member, dict) else {}
    row |= {key: _clean(text) for key, text in said.items()}
    row |= {
        "sha256": _text(doc, "sha256"),
        "sealed": is_sealed(data or b""),
        "result": result,
        "simulated": simulated,
        "title": _text(profile, "title"),
        "revision": _text(profile, "revision"),
        "profile_sha256": _text(profile, "sha256"),
        "lane": _text(scan["tester"], "lane"),
        "findings": json.dumps([[_text(one, "kind"), _texts(one.get("pins"))] for one in findings]),
        "links": json.dumps([link for one in _dicts(scan.get("links")) for link in _link(one)]),
        "batch": _text(batch, "id"),
        "item": _whole(batch, "item"),
        "seconds": _whole(batch, "seconds"),
    }
    words = [row["profile"], row["title"], row["operator"], *(_text(one, "text") for one in findings)]
    return row | {"said": _said(words)}


def remark_row(data: bytes | None, name: NamedRemark) -> Row:
    """What the file of a remark says; nothing where it is another one than its name tells."""
    row: Row = dict.fromkeys(("about_sha256", "text", "by", "made", "said"), "") | {"sealed": False}
    try:
        doc = _object(data)
        number = f"{name.serial}.test-{name.test}.{name.kind}-{name.count}"
        _check(doc, number=number, serial=name.serial, test=name.test, kind=name.kind)
        about = doc["about"]["sha256"]
        text, made = doc["text"], doc["made"]
        by = "" if doc["by"] is None else doc["by"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return row
    if not all(isinstance(one, str) for one in (about, text, made, by)):
        return row
    row = {"about_sha256": _clean(about), "text": _clean(text), "by": _clean(by), "made": _clean(made)}
    return row | {"sealed": is_sealed(data or b""), "said": _said([row["text"], row["by"]])}


def batch_row(data: bytes | None, name: NamedBatch) -> Row:
    """What the file of a batch says; nothing where it is another one than its name tells."""
    row: Row = dict.fromkeys(("profile", "profile_sha256", "operator", "started"), "")
    row |= {"readable": False, "sealed": False, "cables": 0, "simulated": False}
    try:
        doc = _object(data)
        _check(doc, id=name.id)
        profile, simulated = doc["profile"], doc["simulated"]
        said = profile["id"], profile["sha256"], doc["started"]
        operator = "" if doc["operator"] is None else doc["operator"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return row
    if not all(isinstance(one, str) for one in (*said, operator)) or not isinstance(simulated, bool):
        return row
    return {
        "profile": _clean(said[0]),
        "profile_sha256": _clean(said[1]),
        "started": _clean(said[2]),
        "operator": _clean(operator),
        "readable": True,
        "sealed": is_sealed(data or b""),
        "cables": _whole(doc, "count"),
        "simulated": simulated,
    }


def _object(data: bytes | None) -> dict[str, Any]:
    doc = json.loads(data or b"")
    if not isinstance(doc, dict):
        raise TypeError
    return doc


def _check(doc: Mapping[str, Any], **expected: str | int) -> None:
    """Raises ValueError or KeyError where a document is another one than the name of its file tells."""
    for key, value in expected.items():
        seen = doc[key]
        if isinstance(seen, str) and isinstance(value, str):
            seen, value = seen.casefold(), value.casefold()
        if type(seen) is not type(value) or seen != value:
            raise ValueError(key)


def _clean(text: str) -> str:
    """The text as a database can keep it: without halves of characters and the one that ends a text."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "\ufffd")


def _text(doc: Mapping[str, Any], name: str) -> str:
    """A member that should be a text; nothing where it is none."""
    value = doc.get(name)
    return _clean(value) if isinstance(value, str) else ""


def _whole(doc: Mapping[str, Any], name: str) -> int:
    """A member that should be a number of 0 and more; 0 where it is none."""
    value = doc.get(name)
    return value if type(value) is int and 0 <= value < _SMALL else 0


def _dicts(value: Any) -> Sequence[Mapping[str, Any]]:
    return [one for one in value[:_MOST_LISTED] if isinstance(one, dict)] if isinstance(value, list) else []


def _texts(value: Any) -> list[str]:
    return [_clean(one) for one in value if isinstance(one, str)] if isinstance(value, list) else []


def _link(link: Mapping[str, Any]) -> list[tuple[str, float, float, bool]]:
    """First pin, ohms, uncertainty and whether it is good; nothing where one of them is not there."""
    start, ohms, uncertainty, ok = (link.get(key) for key in ("from", "ohms", "uncertainty", "ok"))
    try:
        numbers = [float(one) for one in (ohms, uncertainty) if type(one) in (int, float)]  # type: ignore[arg-type]
    except OverflowError:
        return []
    if len(numbers) < 2 or not all(map(math.isfinite, numbers)):
        return []
    if not isinstance(start, str) or not isinstance(ok, bool):
        return []
    return [(_clean(start), numbers[0], numbers[1], ok)]


def _said(texts: Sequence[str]) -> str:
    """What words are looked for in: each text a line, in lower case."""
    return "\n".join(texts).casefold()
