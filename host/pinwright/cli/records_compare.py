"""`pinwright records compare`: two tests of one cable side by side."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pinwright.cable.difference import difference
from pinwright.cable.pins import Pin
from pinwright.cable.profile import Net
from pinwright.cli.kept import a_number, store_of
from pinwright.cli.records_show import chosen, tests_of
from pinwright.cli.records_verify import NOT_GENUINE, kept_record, not_genuine, show_verified
from pinwright.errors import SerialError, UsageError
from pinwright.records.document import NotGenuine
from pinwright.records.record import Record
from pinwright.records.store import Entry, Store
from pinwright.terminal import name_of, show_table, show_text
from pinwright.verdict.comparison import Both, Change, Comparison, NetChange, Tested, compared
from pinwright.verdict.resistances import TOLD_BELOW_OHMS, Leak, Link, ohms_text

EXAMPLE = "compare HL40-0001 --simulated"
NOTES = """\
Without `--test`: the latest test against the one before it; with one: that test against the latest.
A rise is told where it is more than the root of the sum of the squares of both uncertainties.

Exit status: 0 nothing differs by more than readings can be wrong, 1 something does, or a record is not as
made.

"""
_SCHEMA = "pinwright/compare-1"
_NOTHING = "–"
_ONE_CALIBRATION = (
    "one tester with one calibration made both tests: much of what it reads wrongly\n"
    "is the same in both, so a rise may be real that is not beyond the uncertainty"
)


@dataclass(frozen=True, slots=True)
class _Test:
    """One of the two. withdrawn: the reason, or nothing."""

    entry: Entry
    record: Record
    withdrawn: str

    @property
    def name(self) -> str:
        return f"test {self.entry.test}"

    @property
    def tested(self) -> Tested:
        record = self.record
        return Tested(record.profile, record.facts, record.findings, record.scan["tester"]["lane"])

    @property
    def tester(self) -> Mapping[str, Any]:
        tester: Mapping[str, Any] = self.record.scan["tester"]
        return tester


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"{NOTES}{parser.epilog}"
    parser.add_argument("serial", metavar="SERIAL", help="the cable's serial number")
    parser.add_argument(
        "--test",
        metavar="N",
        dest="tests",
        type=a_number,
        action="append",
        default=[],
        help="its N-th test; two times for two of them, the one that is held against the other first",
    )
    parser.add_argument("-v", "--verbose", action="store_true", help="list links that are the same too")


def run(arguments: argparse.Namespace) -> int:
    """0 where nothing differs, 1 where something does or a record is not as made."""
    store = store_of(arguments)
    entries = _chosen(store, arguments.serial, arguments.tests)
    serial = entries[0].serial
    reasons = {one.test: one.text for one in store.remarks_of(serial) if one.kind == "withdrawal"}
    tests, refused = [], []
    for entry in entries:
        try:
            tests.append(_Test(entry, kept_record(entry.path), reasons.get(entry.test, "")))
        except NotGenuine as error:
            refused.append((entry.path, NOT_GENUINE, not_genuine(error)))
    if refused:
        return show_verified(refused, arguments.json)
    one, other = tests
    comparison = compared(one.tested, other.tested)
    if arguments.json:
        show_text(json.dumps(_document(one, other, comparison), indent=2))
    else:
        _show(one, other, comparison, arguments.verbose)
    return 1 if comparison.differs else 0


def _chosen(store: Store, serial: str, numbers: Sequence[int]) -> tuple[Entry, Entry]:
    """The two tests. Raises SerialError where there are none such, UsageError where more are named."""
    if len(numbers) > 2:
        raise UsageError(f"`--test` is given {len(numbers)} times; two tests are compared")
    tests = tests_of(store, serial)
    if len(numbers) == 2:
        one, other = (chosen(tests, number) for number in numbers)
        return one, other
    if len(tests) == 1:
        raise SerialError(
            f"serial `{tests[0].serial}` has one test only, so there is nothing to compare it with",
            hint="`pinwright scan PROFILE --serial SERIAL --again` tests a cable once more",
        )
    if not numbers:
        return tests[-2], tests[-1]
    one = chosen(tests, numbers[0])
    if one is tests[-1]:
        raise UsageError(
            f"test {one.test} is the latest itself; a second `--test` says what to compare it with"
        )
    return one, tests[-1]


# In words


def _show(one: _Test, other: _Test, found: Comparison, verbose: bool) -> None:
    names = one.name, other.name
    show_text(
        f"{one.record.profile.title}\n{name_of(other.record.profile)}, serial {one.record.doc['serial']}\n"
    )
    show_table(("", *names), list(_about(one, other)))
    show_text("")
    apart = difference(one.record.profile, other.record.profile)
    if one.record.scan["profile"]["sha256"] != other.record.scan["profile"]["sha256"]:
        show_text("the tests are against different profiles: what both of these have is compared\n")
    for test, nets in ((one, found.only_one), (other, found.only_other)):
        if nets:
            show_table((f"nets only in the profile of {test.name}",), [(_pins(net.pins),) for net in nets])
            show_text("")
    if apart.limits:
        limits = [(key or "every signal", *both) for key, both in apart.limits.items()]
        show_table(
            ("limits of", *names), [(key, *(text or _NOTHING for text in both)) for key, *both in limits]
        )
        show_text("")
    if found.nets:
        show_table(("signal", "from", "to", *names), list(map(_net_row, found.nets)))
        show_text("")
    _show_readings(found, names, verbose)
    calibrations = {(test.tester["id"], test.tester.get("calibrated")) for test in (one, other)}
    if found.links and len(calibrations) == 1:
        show_text(f"{_ONE_CALIBRATION}\n")
    show_text(_summary(found))


def _show_readings(found: Comparison, names: tuple[str, str], verbose: bool) -> None:
    if found.why_not:
        show_text(f"{found.why_not};\nwhat is joined was compared\n")
        return
    links = [link for link in found.links if verbose or link.differs]
    if links:
        show_table(("signal", "from", "to", *names, "rise", ""), [_link_row(link, names) for link in links])
        show_text("")
    same = [link for link in found.links if not link.differs]
    if same and not verbose:
        show_text(f"{_same_links(same)} (-v lists them)\n")
    leaks = [leak for leak in found.leaks if verbose or leak.differs]
    if leaks:
        show_table(("leak at", *names, ""), list(map(_leak_row, leaks)))
        show_text("")


def _same_links(same: Sequence[Both[Link]]) -> str:
    most = max(same, key=lambda link: abs(link.rise or 0.0))
    within = max(link.uncertainty or 0.0 for link in same)
    count = "1 link is" if len(same) == 1 else f"{len(same)} links are"
    told = f"{count} the same within ± {ohms_text(within)}"
    return f"{told}; most apart is {most.either.start}: {_signed(most.rise or 0.0)}"


def _about(one: _Test, other: _Test) -> Iterator[tuple[str, str, str]]:
    """What is said of the tests themselves: results and testers, and what else is not the same of both."""

    def each(label: str, tell: Any, always: bool = False) -> Iterator[tuple[str, str, str]]:
        told = tell(one) or "", tell(other) or ""
        if always or told[0] != told[1]:
            yield label, told[0] or _NOTHING, told[1] or _NOTHING

    yield from each("result", _result, always=True)
    yield from each("withdrawn", lambda test: test.withdrawn)
    yield from each("tested (UTC)", lambda test: _minute(test.record.scan["started"]), always=True)
    yield from each("operator", lambda test: test.record.scan["operator"])
    yield from each("tester", _tester, always=True)
    yield from each("calibrated", _calibrated, always=True)
    yield from each("temperature", _celsius, always=True)
    yield from each("profile", lambda test: test.record.profile.id)
    yield from each("its revision", lambda test: test.record.profile.revision)
    yield from each("its SHA-256", lambda test: test.record.scan["profile"]["sha256"][:16] + "…")


def _result(test: _Test) -> str:
    told = "PASS" if test.record.passed else "FAIL"
    told += " (simulated)" if test.record.simulated else ""
    return f"{told}, withdrawn" if test.withdrawn else told


def _tester(test: _Test) -> str:
    name = test.tester.get("name")
    return f"{name} ({test.tester['id']})" if name else str(test.tester["id"])


def _calibrated(test: _Test) -> str:
    lane = test.tester["lane"]
    if lane == "calibrated":
        return _minute(test.tester["calibrated"])
    return "no ohms lane" if lane == "none" else "not calibrated"


def _celsius(test: _Test) -> str:
    celsius = test.tester.get("celsius")
    return "" if celsius is None else f"{celsius:.0f} °C"


def _minute(moment: str) -> str:
    return f"{moment[:10]} {moment[11:16]}"


def _net_row(net: NetChange) -> tuple[str, ...]:
    first, *rest = net.pins
    told = [net.one, net.other]
    if net.found[0] != net.found[1]:
        told = [f"{state}\nfound {found}" for state, found in zip(told, net.found, strict=True)]
    return net.signal if rest else "(free)", str(first), _pins(rest) or "nothing", told[0], told[1]


def _link_row(both: Both[Link], names: tuple[str, str]) -> tuple[str, ...]:
    link = both.either
    rise = ""
    if both.rise is not None and both.uncertainty is not None:
        rise = f"{_signed(both.rise)} ± {ohms_text(both.uncertainty)}"
    to = _pins(link.to)
    if both.change == "other pins" and both.one and both.other:
        to = f"{_pins(both.one.to)}\nthen {_pins(both.other.to)}"
    return link.signal, str(link.start), to, *_ohms(both), rise, _word(both.change, names)


def _leak_row(both: Both[Leak]) -> tuple[str, ...]:
    change = {"only one": "gone", "only other": "new"}.get(both.change, both.change)
    floor = f"none below {ohms_text(max(TOLD_BELOW_OHMS, both.either.limit))}"
    one, other = (ohms_text(leak.ohms) if leak else floor for leak in (both.one, both.other))
    return _pins(both.either.pins), one, other, change


def _word(change: Change, names: tuple[str, str]) -> str:
    return {"only one": f"only in {names[0]}", "only other": f"only in {names[1]}"}.get(change, change)


def _ohms(both: Both[Link]) -> tuple[str, str]:
    one, other = (ohms_text(link.ohms) if link else _NOTHING for link in (both.one, both.other))
    return one, other


def _signed(ohms: float) -> str:
    text = ohms_text(abs(ohms))
    return f"{'−' if ohms < 0 and text != ohms_text(0.0) else '+'}{text}"


def _pins(pins: Sequence[Pin]) -> str:
    return " ".join(map(str, pins))


def _summary(found: Comparison) -> str:
    """The last line: what differs, counted; or that nothing does."""
    if not found.differs:
        if found.why_not:
            return "SAME  what is joined is the same in both"
        return "SAME  nothing differs by more than readings can be wrong"
    counts = [
        *_counted(found.nets, "net is joined or judged otherwise", "nets are joined or judged otherwise"),
        *_counted(
            [link for link in found.links if link.change == "risen"], "link has risen", "links have risen"
        ),
        *_counted(
            [link for link in found.links if link.change == "fallen"], "link has fallen", "links have fallen"
        ),
        *_counted([leak for leak in found.leaks if leak.differs], "leak differs", "leaks differ"),
        *_counted(
            (*found.only_one, *found.only_other),
            "net is in one profile only",
            "nets are in one profile only",
        ),
    ]
    if not counts:
        counts = ["the verdicts do, though nothing else does by more than readings can be wrong"]
    return f"DIFFERENT  {'; '.join(counts)}"


def _counted(things: Sequence[object], one: str, many: str) -> Iterator[str]:
    if things:
        yield f"1 {one}" if len(things) == 1 else f"{len(things)} {many}"


# As a document


def _document(one: _Test, other: _Test, found: Comparison) -> dict[str, object]:
    apart = difference(one.record.profile, other.record.profile)
    return {
        "schema": _SCHEMA,
        "serial": one.record.doc["serial"],
        "same": not found.differs,
        "one": _test(one),
        "other": _test(other),
        "ohms_compared": not found.why_not,
        "why_not": found.why_not or None,
        "nets": [
            {
                "signal": net.signal,
                "pins": [str(pin) for pin in net.pins],
                "one": {"state": net.one, "found": net.found[0]},
                "other": {"state": net.other, "found": net.found[1]},
            }
            for net in found.nets
        ],
        "links": [_link(both) for both in found.links],
        "leaks": [_leak(both) for both in found.leaks],
        "only_one": list(map(_net, found.only_one)),
        "only_other": list(map(_net, found.only_other)),
        "limits": {
            key: {"one": here or None, "other": there or None} for key, (here, there) in apart.limits.items()
        },
    }


def _test(test: _Test) -> dict[str, object]:
    scan, limits = test.record.scan, test.record.doc["limits"]
    return {
        "number": test.record.number,
        "test": test.entry.test,
        "sha256": test.record.sha256,
        "record": str(test.entry.path),
        "verdict": scan["verdict"],
        "withdrawn": test.withdrawn or None,
        "simulated": test.record.simulated,
        "started": scan["started"],
        "operator": scan["operator"],
        "profile": scan["profile"],
        "max_ohms": limits["max_ohms"],
        "tester": {
            key: test.tester.get(key) for key in ("id", "name", "firmware", "lane", "calibrated", "celsius")
        },
    }


def _link(both: Both[Link]) -> dict[str, object]:
    return {
        "signal": both.either.signal,
        "from": str(both.either.start),
        "one": both.one and _link_reading(both.one),
        "other": both.other and _link_reading(both.other),
        **_change(both, 2),
    }


def _link_reading(link: Link) -> dict[str, object]:
    return {
        "to": [str(pin) for pin in link.to],
        "ohms": round(link.ohms, 2),
        "uncertainty": round(link.uncertainty, 1),
        "ok": link.ok,
    }


def _leak(both: Both[Leak]) -> dict[str, object]:
    return {
        "pins": [str(pin) for pin in both.either.pins],
        "one": both.one and {"ohms": round(both.one.ohms), "ok": both.one.ok},
        "other": both.other and {"ohms": round(both.other.ohms), "ok": both.other.ok},
        **_change(both, 0),
    }


def _change(both: Both[Link] | Both[Leak], digits: int) -> dict[str, object]:
    """`rise` of a leak that one test does not list is none that was read."""
    told = both.rise is not None and both.uncertainty is not None and both.one and both.other
    return {
        "rise": round(both.rise, digits) + 0.0 if told and both.rise is not None else None,  # no -0.0
        "uncertainty": round(both.uncertainty, digits) if told and both.uncertainty is not None else None,
        "change": both.change,
    }


def _net(net: Net) -> dict[str, object]:
    return {"signal": net.signal, "pins": [str(pin) for pin in net.pins]}
