"""What a page says of one record, whatever draws it: certificate, specimen or fault report.

A certificate says that a cable passed. A pass on a simulated tester is a specimen: it looks like one and
says on every page that it is none. Everything else is a fault report.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from itertools import zip_longest
from typing import Literal

import segno

from pinwright.cable.profile import CONFIDENCE_TEXT, Profile
from pinwright.cable.wire import expected_ohms
from pinwright.records.record import Record
from pinwright.sheets.drawing import LANDSCAPE, MOST_NUMBERED, PORTRAIT, wiring_picture
from pinwright.sheets.text import shown
from pinwright.tester.ohmmeter import OF_THE_READING
from pinwright.verdict.conductors import conductors, shared_conductors
from pinwright.verdict.fitness import is_raw
from pinwright.verdict.resistances import link_limit, ohms_text, summary

Kind = Literal["certificate", "specimen", "report"]

MANY_LINKS = 60  # more take a second page
_MOST_NAME = 100  # characters, of a person's or a tester's
_MOST_SAID = 1200  # of a section's paragraph
_MOST_FOUND = 200  # characters: some forty pins; all of them stand in the record

CAUTIONS = (
    "Plug the cable in with the equipment off. Compare pin 1 and the marked edge at both ends first: a sound "
    "cable plugged in the wrong way round can still do damage.",
    "For extra-low voltage only. Mains, safety earth and whatever can hurt someone when it fails need other "
    "tests by competent people; local codes and licensed practice come first.",
)


@dataclass(frozen=True, slots=True)
class Link:
    """One net as the list has it. ohms: of its worst contact, or nothing. state: `ok`, or what is wrong in a
    word or two. good: as it should be."""

    signal: str
    start: str
    to: str
    found: str
    ohms: str
    state: str
    good: bool


@dataclass(frozen=True, slots=True)
class Sheet:
    """kind, title, number, sha256: what it is. verdict: PASS or FAIL; summary: a sentence to that. warning:
    what makes it no certificate, for every page, or nothing.

    about: label and text in order. findings: text and remedy. links: every net. sections: heading and
    sentences. picture: SVG; of a long sheet for a page on its side. qr: SVG of number and hash.
    """

    kind: Kind
    title: str
    number: str
    sha256: str
    started: str
    verdict: str
    summary: str
    warning: str
    about: tuple[tuple[str, str], ...]
    findings: tuple[tuple[str, str], ...]
    links: tuple[Link, ...]
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    picture: str
    qr: str

    @property
    def is_long(self) -> bool:
        """Too many links for one page: the picture gets a second one, on its side."""
        return len(self.links) > MANY_LINKS

    @property
    def has_ohms(self) -> bool:
        """Whether any link was measured, so that the lists have a column of it."""
        return any(link.ohms for link in self.links)

    @property
    def boxed(self) -> str:
        """The verdict, in large letters."""
        return f"SIMULATED {self.verdict}" if self.kind == "specimen" else self.verdict

    @property
    def caption(self) -> str:
        """What to write over the picture."""
        if not self.findings:
            return "Wiring"
        few = len(self.findings) <= MOST_NUMBERED
        return "Wiring as measured, with the numbers of the faults" if few else "Wiring as measured"


def sheet_of(record: Record) -> Sheet:
    """What is to be said of a record. Every text that a person, a file or a device chose is made harmless."""
    kind: Kind = "report" if not record.passed else "specimen" if record.simulated else "certificate"
    title, warning = {
        "certificate": ("Certificate of test", ""),
        "specimen": ("Specimen of a certificate", "No cable was tested: the tester was a simulation."),
        "report": ("Fault report", "This cable failed. This is no certificate."),
    }[kind]
    if kind == "report" and record.simulated:
        warning = "This cable failed, in a simulation. This is no certificate."
    links = tuple(_links(record))
    pins = [finding.pins for finding in record.findings]
    width = LANDSCAPE if len(links) > MANY_LINKS else PORTRAIT
    return Sheet(
        kind=kind,
        title=title,
        number=shown(record.number),
        sha256=record.sha256,
        started=shown(record.scan["started"]),
        verdict="PASS" if record.passed else "FAIL",
        summary=_summary(record),
        warning=warning,
        about=tuple((label, shown(text)) for label, text in _about(record) if text),
        findings=tuple(_findings(record)),
        links=links,
        sections=tuple(
            (heading, tuple(shown(text, _MOST_SAID) for text in texts))
            for heading, texts in _sections(record)
        ),
        picture=wiring_picture(record.profile, record.facts, pins, width_mm=width),
        qr=_qr(f"{record.number} sha256:{record.sha256}"),
    )


def _summary(record: Record) -> str:
    if record.passed:
        nets, beside = len(record.profile.nets), record.doc["conductors_not_proven_singly"]
        which = f"All {nets} nets conduct" if nets > 1 else "The one net conducts"
        told = [f"{which} as the profile says, and nothing else was found joined."]
        measured = record.facts.resistances
        words = summary(measured) if measured else "resistance was not measured"
        told += [f"{words[0].upper()}{words[1:]}."]
        told += [f"{beside} conductors are not individually proven."] if beside else []
        return " ".join(told)
    count = len(record.findings)
    plugs = count and record.findings[0].kind in ("socket", "absent")
    then = "Plug it in as said and scan again." if plugs else "Do not use this cable."
    if is_raw(record.profile) and not plugs:
        then = "Do not use it as it is; for which leads it still serves, `pinwright records show` says."
    return f"{count} {'fault' if count == 1 else 'faults'}. {then}"


def _findings(record: Record) -> Iterator[tuple[str, str]]:
    """Text and remedy; a remedy that several in a row share stands with the last of them."""
    after = [finding.remedy for finding in record.findings[1:]]
    for finding, following in zip_longest(record.findings, after):
        yield shown(finding.text), shown(finding.remedy) if finding.remedy != following else ""


def _about(record: Record) -> Sequence[tuple[str, str]]:
    scan, profile = record.scan, record.profile
    tester, named = scan["tester"], scan["profile"]
    revision = f", revision {named['revision']}" if named["revision"] else ""
    name = shown(f"{tester['name']} ({tester['id']})" if tester.get("name") else tester["id"], _MOST_NAME)
    what = "virtual tester" if record.simulated else name
    fixture = f", {tester['fixture']}" if tester.get("fixture") else ""
    sockets = ", ".join(
        f"{end} in {socket}{_by_adapter(scan.get('adapters', {}).get(end))}"
        for end, socket in scan["sockets"].items()
    )
    return (
        ("Cable", profile.title),
        ("Ends", "; ".join(_end(profile, place) for place in range(len(profile.ends)))),
        ("Profile", f"{profile.id}{revision}, SHA-256 {named['sha256']}"),
        ("Source", _source(profile)),
        ("To be confirmed", " ".join(f"({n}) {text}" for n, text in enumerate(profile.to_confirm, 1))),
        ("Serial", f"{record.doc['serial']}, test {record.doc['test']}"),
        ("Earlier test", _earlier(record)),
        ("Batch", _batch(record)),
        ("Operator", shown(scan["operator"] or "not named", _MOST_NAME)),
        ("Tested", f"{scan['started']} (UTC), in {scan['elapsed_ms'] / 1000:.1f} s"),
        ("Sockets", sockets),
        ("Tester", f"{what}{fixture}, {tester['points']} points, firmware {tester['firmware']}"),
        ("Self-check", "passed, in this scan"),  # without that there is no record
        ("Long check", _long_check(record)),
        ("Calibration", _calibration(record)),
        ("Limits", _limits(record)),
        ("Uncertainty", _uncertainty(record)),
        ("Expected", _expected(record)),
        ("Program", f"pinwright {record.doc['host']}"),
    )


def _earlier(record: Record) -> str:
    """The test before this one, if the record names it."""
    earlier = record.doc.get("previous")
    return f"{earlier['number']}, SHA-256 {earlier['sha256']}" if earlier else ""


def _batch(record: Record) -> str:
    """Which cable of which batch it was, if it was tested in one."""
    batch = record.doc.get("batch")
    return f"{batch['id']}, cable {batch['item']} of {batch['count']}" if batch else ""


def _calibration(record: Record) -> str:
    """Of the tester: when, and how it is now."""
    tester, meter = record.scan["tester"], record.meter
    if meter is None:
        return "no ohms lane"
    made = (
        meter.calibration and f"calibrated {tester['calibrated'][:10]} at {meter.calibration.celsius:.0f} °C"
    )
    ten = tester["references_ohms"]
    its_own = "" if ten is None else f", and its own 10 Ω reads {ten:.1f} Ω"
    told = made or "not calibrated: joints were checked coarsely"
    return f"{told}; the tester is at {meter.celsius:.0f} °C{its_own}"


def _long_check(record: Record) -> str:
    """The tester's last; nothing where a record of an earlier version does not say."""
    tester = record.scan["tester"]
    if "long_check" not in tester:
        return ""
    check = tester["long_check"]
    if check is None:
        return "none"
    how = "" if check["measured"] else ", continuity only"
    return f"passed on {check['made'][:10]}, with {', '.join(check['sockets']) or 'no socket'}{how}"


def _limits(record: Record) -> str:
    """Those that count, and whether they were checked."""
    profile, meter, by_hand = record.profile, record.meter, record.doc["limits"].get("by_hand", False)
    own = {name: limit.max_ohms for name, limit in profile.limits.items()}
    own = {name: ohms for name, ohms in own.items() if ohms != profile.max_ohms}
    links = ", ".join(
        [
            f"{record.doc['limits']['max_ohms']:g} Ω for a link",
            *(f"{name} {ohms:g} Ω" for name, ohms in own.items()),
            *(["given by hand"] if by_hand else []),
        ]
    )
    if meter is None:
        return f"not checked, for this tester does not measure ohms: {links}"
    if meter.calibration is None:
        coarse = partial(link_limit, calibrated=False, uncertainty=meter.uncertainty(0))
        most = max(map(coarse, (profile.max_ohms, *own.values())))
        links = f"{most:g} Ω for a link, coarsely; the cable's {links} could not be told"
    leaks = {name: limit.min_leak_ohms for name, limit in profile.limits.items()}
    own_leaks = [f"{name} {ohms_text(ohms)}" for name, ohms in leaks.items() if ohms != profile.min_leak_ohms]
    least = f"{ohms_text(profile.min_leak_ohms)} at least to everything else"
    return f"{links}; {', '.join([least, *own_leaks])}"


def _uncertainty(record: Record) -> str:
    if record.meter is None:
        return ""
    base = record.meter.uncertainty(0)
    return f"of a link ± {base:.1f} Ω and {100 * OF_THE_READING:g} % of the reading, in 99.9 % of readings"


def _expected(record: Record) -> str:
    """What the wire alone should have, if the profile says what it is."""
    profile, ohms = record.profile, record.doc["limits"].get("expected_ohms")
    if ohms is None:
        return ""
    told = f"{ohms:g} Ω for {profile.length_mm:g} mm of {profile.wire} at 20 °C"
    if record.meter:
        celsius = record.meter.celsius
        warm = expected_ohms(profile.length_mm, profile.wire, celsius)
        told += f", {warm:.3f} Ω at the tester's {celsius:.0f} °C"
    return f"{told}; joints and contacts aside"


def _source(profile: Profile) -> str:
    """Where the wiring comes from, if somebody published it."""
    return f"published wiring; {CONFIDENCE_TEXT[profile.origin.confidence]}" if profile.origin else ""


def _end(profile: Profile, place: int) -> str:
    end = profile.ends[place]
    return f"{end.name}: {end.connector.name}" + (f", {end.label}" if end.label else "")


def _by_adapter(adapter: str | None) -> str:
    return "" if not adapter else " by an adapter" if adapter == "generic" else f" by adapter {adapter}"


def _links(record: Record) -> Sequence[Link]:
    return [
        Link(
            signal=shown((row.signal or "–") if row.to else "(free)"),
            start=str(row.first),
            to=" ".join(map(str, row.to)) or "nothing",
            found=shown(row.found, _MOST_FOUND),
            ohms="" if row.ohms is None else ohms_text(row.ohms),
            state=row.state,
            good=not row.states,
        )
        for row in conductors(record.profile, record.facts, record.findings)
    ]


def _sections(record: Record) -> Sequence[tuple[str, Sequence[str]]]:
    doc = record.doc
    count = doc["conductors_not_proven_singly"]
    pins = " ".join(str(pin) for piece in record.facts.nets if shared_conductors([piece]) for pin in piece)
    singly = (
        f"{count} conductors are joined to others at both ends and so are not individually proven: a broken "
        f"one among them would not show ({shown(pins, _MOST_FOUND)})."
        if count
        else "No conductor is joined to another at both ends: each is proven by itself."
    )
    not_measured = [text for text in doc["not_measured"] if not text.startswith("Conductors joined at both")]
    return (
        ("Decision rule", [doc["decision"]]),
        ("Method", [doc["method"]]),
        ("Not measured, not claimed", [singly, *not_measured] if record.passed else not_measured),
        ("Cautions", CAUTIONS),
    )


def _qr(text: str) -> str:
    file = BytesIO()
    segno.make(text, error="m", micro=False).save(file, kind="svg", xmldecl=False, border=2, omitsize=True)
    return file.getvalue().decode("utf-8").strip()
