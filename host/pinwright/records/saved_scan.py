"""A scan as it was saved: what `scan --json` printed, or a kept record.

A printed scan has no seal, and its figures are rounded; so whatever can follow from something else in it is
worked out anew, and one that contradicts itself is refused. Whoever changes one on purpose can change all.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import DEFAULT_MAX_OHMS, Net, Profile
from pinwright.cable.wiring import printable
from pinwright.errors import PlacementError, SerialError
from pinwright.records.carrier import open_carrier
from pinwright.records.document import NotGenuine, canonical, parsed
from pinwright.records.record import read_record
from pinwright.records.scan_document import RECORD_SCHEMA, SCAN_SCHEMA, facts_members
from pinwright.records.store import check_serial
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, Placement, place
from pinwright.tester.measurement import Evidence, Measurement
from pinwright.tester.session import BoardVerdict, Hello, Scan
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.resistances import (
    COARSE_LIMIT_OHMS,
    LEAST_LINKS_FOR_MEDIAN,
    OVER_MEDIAN_OHMS,
    TOLD_BELOW_OHMS,
    Leak,
    Link,
    Resistances,
    link_limit,
)
from pinwright.verdict.words import Finding, are_about

ERROR_SCHEMA = "pinwright/error-1"
_CONTINUITY = ("nets", "missing", "extra", "doubtful")
_LANES = ("none", "uncalibrated", "calibrated")
_POSITION = re.compile(r"@[A-Za-z0-9_-]{1,16}\.[0-9]{1,4}")  # a position of the tester that no end occupies
_KIND_OF_FINDING = re.compile(r"[a-z][a-z_-]{0,31}")
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_STARTED = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z")
_MOST_POINTS = 1024  # of a tester; several times what one has
_MOST_NUMBER = 1e12  # ohms; more is none that a scan prints
_MOST_BY_HAND = 10_000.0  # what `scan --max-ohms` takes
MOST_TEXT = 20_000  # characters of a finding
# Half of the last digit that a scan prints, and a little for doubles: so far is a figure from what it was.
_OF_OHMS, _OF_TENTHS, _OF_LEAKS = 0.00501, 0.0501, 0.501
_FIGURE = re.compile(r"\b([0-9]{1,6})(?:\.([0-9]{1,3}))? ([kM]?)Ω", re.ASCII)  # as `ohms_text` writes it
_SCALE = {"": 1.0, "k": 1e3, "M": 1e6}
_BAD_FORM = "it lacks what a saved scan holds, or holds it in another form"


@dataclass(frozen=True, slots=True)
class SavedScan:
    """One scan of one cable. scan: the document `pinwright/scan-1`. profile: with the limits that count.

    facts: worked out anew. findings: as they were told then. record: its number, empty for a scan that was
    printed. evidence: what a record has of where every pin was; None for a scan that was printed.
    """

    scan: Mapping[str, Any]
    profile: Profile
    facts: Facts
    findings: tuple[Finding, ...]
    record: str = ""
    evidence: Mapping[str, Any] | None = None

    @property
    def simulated(self) -> bool:
        """No cable was tested."""
        return bool(self.scan["tester"]["kind"] == "virtual")

    @property
    def serial(self) -> str | None:
        serial: str | None = self.scan["serial"]
        return serial


def document_in(data: bytes) -> dict[str, Any]:
    """The saved scan or record in the bytes of a file, as it stands: nothing in it is proven but its schema.

    The file may be a PDF or a page with a record in it, and JSON in any of the encodings that JSON knows.
    Raises NotGenuine.
    """
    try:
        if data.startswith(b"%PDF-") or data.lstrip()[:1] == b"<":
            data, _ = open_carrier(data)
        if not data.strip():
            raise NotGenuine("it is empty")
        doc = parsed(data)
    except NotGenuine:
        raise
    except json.JSONDecodeError as error:
        raise NotGenuine(f"it is not JSON: {error.msg} at character {error.pos}") from None
    except UnicodeDecodeError:
        raise NotGenuine("it is not text") from None
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets a thousand deep
        raise NotGenuine("it holds a value that no saved scan can hold") from None
    schema = doc.get("schema") if isinstance(doc, dict) else None
    if schema == ERROR_SCHEMA:
        raise NotGenuine("it is the error of a command: there is no verdict in it to be explained")
    if schema not in (SCAN_SCHEMA, RECORD_SCHEMA):
        seen = f"its schema is `{printable(schema)}`" if isinstance(schema, str) else "it has no schema"
        raise NotGenuine(f"{seen}, where `{SCAN_SCHEMA}` or `{RECORD_SCHEMA}` should be")
    found: dict[str, Any] = doc
    return found


def is_record(doc: Mapping[str, Any]) -> bool:
    """Whether a document is a kept record, which has its profile in it."""
    return bool(doc["schema"] == RECORD_SCHEMA)


def from_record(doc: Mapping[str, Any], profile_of: Callable[[str], Profile]) -> SavedScan:
    """The scan in a kept record, which may be written anew as JSON, such as `records show --json` does.

    profile_of: makes a profile of its text. Raises NotGenuine where the record is not as it was sealed.
    """
    try:
        record = read_record(canonical(doc), profile_of)
    except NotGenuine:
        raise
    except (ValueError, RecursionError):
        raise NotGenuine("it holds a value that no record can hold") from None
    return SavedScan(
        record.scan, record.profile, record.facts, record.findings, record.number, record.doc["evidence"]
    )


def named_profile(doc: Mapping[str, Any]) -> tuple[str, str]:
    """Id and SHA-256 of the profile that a printed scan was judged against. Raises NotGenuine."""
    try:
        id, sha256 = _text(doc["profile"]["id"], _ID), _text(doc["profile"]["sha256"], _SHA256)
    except (KeyError, TypeError, ValueError):
        raise NotGenuine(_BAD_FORM) from None
    return id, sha256


def from_print(doc: Mapping[str, Any], profile: Profile) -> SavedScan:
    """The scan that `scan --json` printed. profile: the one it was judged against.

    Raises NotGenuine where it does not hold together: facts that do not follow from the nets, links that are
    not those of the nets, limits that are not the profile's, a verdict that does not follow from all of them.
    """
    try:
        return _from_print(doc, profile)
    except NotGenuine:
        raise
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, RecursionError, SerialError):
        raise NotGenuine(_BAD_FORM) from None


def _from_print(doc: Mapping[str, Any], profile: Profile) -> SavedScan:
    _check_form(doc)
    own = frozenset(profile.pins())
    nets = tuple(_pins(piece, own) for piece in _list(doc["nets"]))
    doubtful = tuple((one, other) for one, other in (_pins(pair, own) for pair in _doubtful(doc)))
    tested = own.union(*nets, *doubtful)
    if len(tested) > doc["tester"]["points"]:
        raise _contradiction("it has more pins than its tester has points")
    facts = compare(profile, Measurement(tested, nets, doubtful))
    told = facts_members(facts)
    for member in _CONTINUITY:
        if told[member] != (_doubtful(doc) if member == "doubtful" else doc[member]):
            raise _contradiction(f"its member `{member}` does not follow from its nets")
    if facts.unsure and not (facts.missing or facts.extra):
        raise NotGenuine("it rests on contacts in doubt, with which no scan comes to a verdict")
    lane = doc["tester"]["lane"]
    if lane != "none":
        profile, measured = _resistances(doc, profile, facts, lane == "calibrated")
        facts = replace(facts, resistances=measured)
    elif _list(doc["links"]) or _list(doc["leaks"]):
        raise _contradiction("its tester does not measure ohms, and yet it has some")
    if doc["verdict"] != ("pass" if facts.passed else "fail"):
        raise _contradiction("its verdict does not follow from its facts")
    findings = tuple(_finding(one, own) for one in _list(doc["findings"]))
    if not are_about(findings, facts):
        raise _contradiction("its findings are not about its facts")
    return SavedScan(doc, profile, facts, findings)


def _contradiction(seen: str) -> NotGenuine:
    return NotGenuine(f"it does not hold together: {seen}")


# Forms


def _text(value: Any, form: re.Pattern[str] | None = None) -> str:
    if not isinstance(value, str):
        raise TypeError
    if form and not form.fullmatch(value):
        raise ValueError
    return value


def _number(value: Any, least: float = 0.0) -> float:
    """A figure, a bool or a figure that JSON has no end for is none."""
    if type(value) not in (int, float):
        raise TypeError
    if not least <= value <= _MOST_NUMBER:
        raise ValueError
    return float(value)


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise TypeError
    return value


def _bool(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError
    return value


def _check_form(doc: Mapping[str, Any]) -> None:
    """Of the members that are shown or looked at by themselves. Raises KeyError, TypeError or ValueError."""
    tester = doc["tester"]
    if doc["serial"] is not None:
        check_serial(_text(doc["serial"]))
    _text(doc["started"], _STARTED)
    for text in (tester["firmware"], tester["id"], *doc["sockets"].values()):
        _text(text)
    if tester["kind"] not in ("board", "virtual") or tester["lane"] not in _LANES:
        raise ValueError
    if type(tester["points"]) is not int or not 0 < tester["points"] <= _MOST_POINTS:
        raise ValueError
    for name in (tester.get("name"), tester.get("fixture"), *doc.get("adapters", {}).values()):
        if name is not None:
            _text(name)


def _doubtful(doc: Mapping[str, Any]) -> list[Any]:
    """The promise to other programs leaves out this member: who writes one may have none."""
    return _list(doc.get("doubtful", []))


def _pins(names: Any, own: Collection[Pin]) -> tuple[Pin, ...]:
    return tuple(_pin(name, own) for name in _list(names))


def _pin(name: Any, own: Collection[Pin]) -> Pin:
    """A pin of the cable, or a position of the tester that no end occupies."""
    pin = parse_pin(_text(name))
    if pin not in own and not _POSITION.fullmatch(name):
        raise NotGenuine(f"it names a pin that its profile does not have: `{printable(name)}`")
    return pin


def _finding(told: Any, own: Collection[Pin]) -> Finding:
    texts = [_text(told[member]) for member in ("text", "remedy")]
    if any(len(text) > MOST_TEXT for text in texts):
        raise ValueError
    return Finding(_text(told["kind"], _KIND_OF_FINDING), texts[0], _pins(told["pins"], own), texts[1])


# Ohms


def _resistances(
    doc: Mapping[str, Any], profile: Profile, facts: Facts, calibrated: bool
) -> tuple[Profile, Resistances]:
    """Links and leaks as they were printed, and the profile with the limits that count for them."""
    own = frozenset(profile.pins())
    piece_of = {pin: piece for piece in facts.nets for pin in piece}
    contacts = list(_contacts(profile, piece_of))
    links = [_link(one, own) for one in _list(doc["links"])]
    if [(pin, others) for _, pin, others in contacts] != [(link.start, link.to) for link in links]:
        raise _contradiction("its links are not those of its nets")
    nets = [net for net, _, _ in contacts]
    limits = profile, profile.with_max_ohms(_by_hand(links, calibrated))
    fitting = [one for one in limits if _limits_fit(one, nets, links, calibrated)]
    if not fitting:
        raise _contradiction("the limits of its links are not those of its profile, nor one for all")
    judged = fitting[0]
    common = sum(judged.limit(net).max_ohms <= judged.max_ohms for net in nets)
    for net, link in zip(nets, links, strict=True):
        _check_link(link, calibrated)
        of_the_common = judged.limit(net).max_ohms <= judged.max_ohms
        by_median = calibrated and of_the_common and common >= LEAST_LINKS_FOR_MEDIAN
        if by_median != (link.over_median is not None):
            raise _contradiction(f"the link at {link.start} is held against the median, or not, wrongly")
    told = tuple(replace(link, signal=net.signal) for net, link in zip(nets, links, strict=True))
    return judged, Resistances(told, _leaks(doc, profile, piece_of))


def _contacts(
    profile: Profile, piece_of: Mapping[Pin, tuple[Pin, ...]]
) -> Iterator[tuple[Net, Pin, tuple[Pin, ...]]]:
    """What a scan measures a link of: a net, its pin, and the others of it that this was found joined to."""
    for net in profile.nets:
        for pin in net.pins[:1] if len(net.pins) == 2 else net.pins:
            piece = piece_of.get(pin, ())
            others = tuple(other for other in net.pins if other != pin and other in piece)
            if others:
                yield net, pin, others


def _link(told: Any, own: Collection[Pin]) -> Link:
    over = told["over_median"]
    return Link(
        "",
        _pin(told["from"], own),
        _pins(told["to"], own),
        _number(told["ohms"]),
        _number(told["uncertainty"]),
        _number(told["limit"]),
        None if over is None else _number(over, -_MOST_NUMBER),
        _bool(told["ok"]),
    )


def _by_hand(links: Sequence[Link], calibrated: bool) -> float:
    """The limit of links that was given at the command line, if one was: no scan prints it by itself."""
    if calibrated:
        most = max((link.limit for link in links), default=0.0)
    else:  # what is printed is at least the coarse limit
        above = [link.limit - link.uncertainty for link in links if link.limit > COARSE_LIMIT_OHMS]
        most = max(above, default=DEFAULT_MAX_OHMS)
    return min(most, _MOST_BY_HAND)


def _limits_fit(profile: Profile, nets: Sequence[Net], links: Sequence[Link], calibrated: bool) -> bool:
    near = _OF_TENTHS if calibrated else 3 * _OF_TENTHS
    return all(
        abs(link.limit - link_limit(profile.limit(net).max_ohms, calibrated, link.uncertainty)) <= near
        for net, link in zip(nets, links, strict=True)
    )


def _check_link(link: Link, calibrated: bool) -> None:
    """Raises NotGenuine where it cannot have been judged so, whatever digits were not printed."""
    near = _OF_OHMS + _OF_TENTHS + (_OF_TENTHS if calibrated else 0.0)
    above = link.ohms - link.limit - (link.uncertainty if calibrated else 0.0)
    over = -1.0 if link.over_median is None else link.over_median - OVER_MEDIAN_OHMS
    must_fail = above > near or over > _OF_OHMS
    must_pass = above < -near and over < -_OF_OHMS
    if (link.ok and must_fail) or (not link.ok and must_pass):
        raise _contradiction(f"whether the link at {link.start} is good does not follow from its ohms")


def _leaks(
    doc: Mapping[str, Any], profile: Profile, piece_of: Mapping[Pin, tuple[Pin, ...]]
) -> tuple[Leak, ...]:
    """Only those that a scan lists: whether one is not there that should be cannot be known."""
    own = frozenset(profile.pins())
    net_of = {pin: net for net in profile.nets for pin in net.pins}
    leaks = []
    for one in _list(doc["leaks"]):
        pins = tuple(_pin(name, own) for name in _list(one["pins"]))
        nets = [net_of[pin] for pin in pins if pin in net_of]
        limit = max((profile.limit(net).min_leak_ohms for net in nets), default=profile.min_leak_ohms)
        signals = tuple(dict.fromkeys(net.signal for net in nets if net.signal))
        leak = Leak(signals, pins, _number(one["ohms"]), _number(one["limit"]), _bool(one["ok"]))
        if not own.issuperset(pins) or not set(pins) <= set(piece_of.get(pins[0], pins[:1])):
            raise _contradiction("a leak of it is not that of a net or of a free pin")
        if abs(leak.limit - limit) > _OF_LEAKS or leak.ohms > max(TOLD_BELOW_OHMS, limit) + _OF_LEAKS:
            raise _contradiction(f"the limit of the leak at {pins[0]} is not that of its profile")
        if abs(leak.ohms - limit) > _OF_LEAKS and leak.ok != (leak.ohms > limit):
            raise _contradiction(f"whether the leak at {pins[0]} is good does not follow from its ohms")
        leaks.append(leak)
    told = [pin for leak in leaks for pin in leak.pins]
    if len(set(told)) < len(told) or leaks != sorted(leaks, key=lambda leak: in_order(leak.pins[0])):
        raise _contradiction("its leaks are not in order, or one of them is told twice")
    return tuple(leaks)


# Findings


def as_told(findings: Sequence[Finding], saved: SavedScan) -> tuple[Finding, ...]:
    """These findings in the words of those that were told at the scan, where they differ in nothing but the
    last digits of ohms: a scan told them before it rounded what it prints."""
    then = {(finding.kind, finding.pins, finding.remedy): finding for finding in saved.findings}
    told = (then.get((one.kind, one.pins, one.remedy), one) for one in findings)
    return tuple(
        was if _same_but_for_digits(was.text, one.text) else one
        for one, was in zip(findings, told, strict=True)
    )


def _same_but_for_digits(was: str, now: str) -> bool:
    if _FIGURE.sub("Ω", was) != _FIGURE.sub("Ω", now):
        return False
    return all(map(_near, _FIGURE.finditer(was), _FIGURE.finditer(now)))


def _near(was: re.Match[str], now: re.Match[str]) -> bool:
    """Whether two figures may be of the same ohms: apart by what leaks are rounded by, or by a last digit."""
    scale = _SCALE[now[3]]
    digit = scale * 10.0 ** -len(now[2] or "")
    return was[3] == now[3] and abs(_ohms(was) - _ohms(now)) <= max(2 * _OF_LEAKS, 1.01 * digit)


def _ohms(figure: re.Match[str]) -> float:
    return float(f"{figure[1]}.{figure[2] or 0}") * _SCALE[figure[3]]


# Sockets


def placed(saved: SavedScan, fixtures: Mapping[str, Fixture], adapters: Sequence[Adapter]) -> Scan | None:
    """The scan with every pin at its point again, as far as `misplugged` looks at it; None where tester or
    adapters are not known here, or not as they were."""
    tester = saved.scan["tester"]
    fixture, points, sockets = (
        fixtures.get(tester.get("fixture") or ""),
        tester["points"],
        saved.scan["sockets"],
    )
    if fixture is None or points > fixture.points or points % 8:
        return None
    try:
        placement = place(saved.profile.ends, fixture, points, sockets, adapters)
    except PlacementError:
        return None
    through = {end: adapter or "" for end, adapter in saved.scan.get("adapters", {}).items()}
    if (sockets, through) != (dict(placement.sockets), dict(placement.adapters)):
        return None
    found = {pin for group in (*saved.facts.nets, *saved.facts.doubtful) for pin in group}
    if not found <= placement.point_of.keys():
        return None
    if saved.evidence is not None and not _as_kept(saved.evidence, fixture, placement):
        return None
    joined = _matrix(points, saved.facts.nets, placement)
    doubtful = _matrix(points, saved.facts.doubtful, placement)
    nothing = bytes(points // 8)
    evidence = Evidence(points, joined, joined, doubtful, nothing, nothing, bytes(points))
    hello = Hello(0, tester["firmware"], tester["id"], fixture.id, points)
    return Scan(hello, fixture, placement, evidence, BoardVerdict(False, frozenset(), frozenset()), {})


def _as_kept(evidence: Mapping[str, Any], fixture: Fixture, placement: Placement) -> bool:
    points = {str(point): str(pin) for point, pin in placement.pin_of.items()}
    marks = [[fixture.name_of(point) for point in group] for group in placement.marks]
    return bool(points == evidence["points"] and marks == evidence.get("marks", []))


def _matrix(points: int, groups: Sequence[Sequence[Pin]], placement: Placement) -> bytes:
    """A row for each point, a bit for each other that it is in a group with."""
    rows = [0] * points
    for group in groups:
        for one, other in combinations([placement.point_of[pin] for pin in group], 2):
            rows[one] |= 1 << other
            rows[other] |= 1 << one
    return b"".join(row.to_bytes(points // 8, "little") for row in rows)
