"""`pinwright capture`: a profile from a known-good lead on the tester."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from pinwright import __version__
from pinwright.cable.capturing import (
    Answers,
    Common,
    Sample,
    as_measured,
    draft,
    expecting_nothing,
    free_name,
    rule_text,
    sample,
    unknown,
)
from pinwright.cable.connectors import UnknownConnector, connector
from pinwright.cable.drafting import profile_text
from pinwright.cable.pins import Pin, in_order, parse_pin
from pinwright.cable.profile import MOST_NAME, NO_CONNECTION, End, Joined, Profile
from pinwright.cable.tables import ticked
from pinwright.cable.wiring import Pins, printable
from pinwright.cli.ports import Workshop, opened, pairs, sockets_by_hand
from pinwright.errors import (
    Disagreement,
    OwnBug,
    PlacementError,
    ProfileError,
    UsageError,
)
from pinwright.library import profile_of
from pinwright.link import Line, drive
from pinwright.records.scan_document import above_their_limits
from pinwright.terminal import ask, say, show_error, show_file, show_text
from pinwright.tester.adapter import GENERIC
from pinwright.tester.session import Scan, Session
from pinwright.verdict.agreement import decide
from pinwright.verdict.facts import Facts, compare
from pinwright.verdict.resistances import ohms_text
from pinwright.verdict.words import both, either

EPILOG = """\
Plug the sample in, name the connector of every end, and answer what is asked: the lead is looked at twice,
and what both looks found becomes a profile. Where its nets obey a rule, that is written, else wires; pins
of one end that the lead joins become a common signal, for you to confirm. What no tester can know stands in
the file as comments. Without --out the file goes to standard output.

PORT is as for `scan`, but that `sim` has no cable by itself: `sim:ID` has a good one of that profile in it,
`sim:FILE` what a bench file says.

Only unpowered cables, unplugged from everything but the tester.

example: pinwright capture --end A=idc-2x20 B=dip-40 --port sim:lamp-changer-40 --yes
"""
_FEW = 6
# What a profile may say of conductors that the sample links, or has apart, and pass it; the usual first.
_LINKED = (Joined.REQUIRED, Joined.OPTIONAL)
_APART = (Joined.NEVER, Joined.OPTIONAL)
_MOST_PINS = 4096
_NOTHING_OHMS = 100_000.0  # no joint that a look found to conduct has so much
_UNSTEADY = (
    "press the plugs home, keep the lead still, and look again; if it stays so, this is no good sample"
)


@dataclass(frozen=True, slots=True)
class Seen:
    """Two looks that agreed. warnings: what a known-good lead would not have, and what was not measured."""

    sample: Sample
    scan: Scan
    warnings: tuple[str, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "Make a profile from a known-good lead on the tester."
    parser.epilog = EPILOG

    def several(option: str, shown: str, text: str) -> None:
        parser.add_argument(option, metavar=shown, nargs="+", action="extend", default=[], help=text)

    several("--end", "A=CONNECTOR", "an end of the lead and the connector on it; one for every end")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    several("--at", "A=J1", "put an end into a socket by hand")
    parser.add_argument("--id", metavar="ID", help="of the profile: letters, digits, hyphens")
    parser.add_argument("--title", metavar="TEXT", help="what the cable is, for people")
    parser.add_argument("--revision", metavar="TEXT", help="of the cable")
    several("--label", "A=TEXT", "what the person holding that end knows it by")
    several("--signal", "PIN=NAME", "the signal on a pin, and so on all that it is joined to")
    parser.add_argument("--out", metavar="FILE", help="write the profile there, a `.toml` file")
    parser.add_argument("--force", action="store_true", help="write over a file that is there")
    parser.add_argument("--yes", action="store_true", help="ask nothing: options, and defaults for the rest")


def run(arguments: argparse.Namespace) -> int:
    """0 where a profile was made, 1 where the lead is no good sample; everything else is raised."""
    ends = _ends(arguments.end)
    by_hand = sockets_by_hand(arguments.at)
    labels = dict(pairs(arguments.label, "--label", "END=TEXT, such as `--label A=rack`"))
    for name in labels:
        if name not in {end.name for end in ends}:
            raise UsageError(f"`--label {name}=…`: the ends are {ticked(end.name for end in ends)}")
    signals = _signals(arguments.signal, ends)
    out = _out(arguments.out, force=arguments.force)
    if not arguments.yes and not _a_person():
        raise UsageError(
            "`capture` asks for id, title and names, and standard input is no terminal",
            hint="`--yes` takes the options, and defaults for the rest",
        )
    if arguments.port == "sim":
        raise UsageError(
            "`--port sim` has a good cable in it, and there is no profile here that says which",
            hint="`--port sim:ID` has one of that profile in it, `sim:FILE` what a bench file says",
        )
    answers = Answers(
        **{
            key: value
            for key in ("id", "title", "revision")
            if (value := getattr(arguments, key)) is not None
        },
        labels=labels,
    )
    _check(answers, ends)  # what is wrong with it is told before anything is scanned
    seen = _seen(ends, by_hand, arguments.port)
    if isinstance(seen, NoSample):
        show_error(seen.message, seen.hint)
        return 1
    for warning in seen.warnings:
        say(f"warning: {warning}")
    answers = replace(answers, signals=_of_nets(signals, seen.sample))
    answers = as_measured(seen.sample, answers) if arguments.yes else _asked(seen, answers, arguments)
    text = _text(seen, answers)
    if out is None:
        show_file(text)
        return 0
    _write(out, text, force=arguments.force)
    show_text(f"{out}: {_in_short(seen.sample)}\n\nNo tester can know, and somebody has to say:")
    for line in unknown(seen.sample, answers):
        show_text(line)
    return 0


# What is looked at


@dataclass(frozen=True, slots=True)
class NoSample:
    """Why a lead is no good sample."""

    message: str
    hint: str


def _seen(ends: Sequence[End], by_hand: Mapping[str, str], port: str | None) -> Seen | NoSample:
    """Look twice: the first time nothing is expected, the second exactly what the first found.

    So the board judges both by itself, and has to agree each time. Raises TesterError as a scan does, and
    where a contact is in doubt or the two looks differ; PlacementError where something else is plugged in.
    """
    workshop = Workshop.read()
    nothing = expecting_nothing(ends)
    with opened(port, nothing, workshop, by_hand) as link:
        line = Line(link, lambda text: say(f"the board says: {text}"))

        def look(profile: Profile, *, ohms: bool) -> tuple[Scan, Facts]:
            session = Session(profile, workshop.fixtures, __version__, by_hand, workshop.adapters)
            scan = drive(session.run(ohms=ohms), line)
            facts = decide(profile, scan, ohms=ohms)
            if facts.doubtful:
                pairs = ", ".join(f"{one}–{other}" for one, other in facts.doubtful[:_FEW])
                raise Disagreement(
                    f"contacts conducted in some looks and not in others: {pairs}",
                    hint=_UNSTEADY,
                )
            return scan, facts

        scan, first = look(nothing, ohms=False)
        refused = _no_sample(ends, first.nets)
        if refused:
            return refused
        found = sample(ends, first.nets)
        expected = profile_of(profile_text(draft(found, as_measured(found, Answers()))))
        scan, second = look(expected, ohms=True)
    _check_steady(second)
    if not second.continuous or second.nets != first.nets:
        raise Disagreement(
            f"two looks at the lead do not agree: {_difference(first.nets, second.nets)}",
            hint=_UNSTEADY,
        )
    return Seen(found, scan, tuple(_warnings(scan, second)))


def _check_steady(facts: Facts) -> None:
    """Raises Disagreement where a contact was there when it was looked at, and not when it was measured."""
    gone = [link for link in facts.links if link.ohms >= _NOTHING_OHMS]
    if gone:
        pins = ", ".join(str(link.start) for link in gone[:_FEW])
        raise Disagreement(
            f"contacts conducted when they were looked at, and not when they were measured: {pins}",
            hint=_UNSTEADY,
        )


def _no_sample(ends: Sequence[End], nets: Sequence[Pins]) -> NoSample | None:
    """Whether something is missing. Raises PlacementError where something conducts beside the ends."""
    beyond = sorted({pin for net in nets for pin in net if pin.end.startswith("@")}, key=in_order)
    if beyond:
        more = f" and {len(beyond) - _FEW} more" if len(beyond) > _FEW else ""
        raise PlacementError(
            f"something conducts where no end was named: {', '.join(map(str, beyond[:_FEW]))}{more}",
            hint="name the connector of every end, with `--at` where it is not in the socket that is tried "
            "first; take everything else out of the tester",
        )
    silent = [end.name for end in ends if not any(pin.end == end.name for net in nets for pin in net)]
    if len(silent) == len(ends):
        return NoSample("nothing conducts: is the lead plugged in?", "unplugged from everything else, too")
    if silent:
        where = both([f"end {name}" for name in silent])
        return NoSample(f"nothing conducts at {where}: is it plugged in?", "")
    return None


def _difference(first: Sequence[Pins], second: Sequence[Pins]) -> str:
    """Nets that one look found and the other did not."""
    only = sorted(set(first) ^ set(second), key=lambda net: tuple(map(in_order, net)))
    told = ["–".join(map(str, net[:_FEW])) for net in only[:3]]
    return f"{', '.join(told)}{' and others' if len(only) > 3 else ''} in one of them only"


def _warnings(scan: Scan, facts: Facts) -> Iterator[str]:
    """What a known-good lead would not have, and what this tester cannot say."""
    for link in facts.links:
        if not link.ok:
            yield (
                f"a bad joint: {link.start} to {both(link.to[:4])} measures {ohms_text(link.ohms)}; "
                f"{ohms_text(link.limit)} may be. This is no known-good lead"
            )
    for leak in facts.leaks:
        if not leak.ok:
            yield (
                f"{both(leak.pins[:4])} leaks: {ohms_text(leak.ohms)} to everything else; "
                f"{ohms_text(leak.limit)} may be. This is no known-good lead"
            )
    if above := above_their_limits(facts):
        yield above
    if scan.readings is None:
        yield "this tester measures no ohms: a bad joint, or a leak, was not looked for"
    elif scan.readings.calibration is None:
        yield "this tester is not calibrated: a joint of up to some 150 Ω counts as good"


# What is said of it


def _text(seen: Seen, answers: Answers) -> str:
    """The file. Raises OwnBug where it does not say exactly what was measured."""
    text = profile_text(draft(seen.sample, answers, (*_origin(seen), *seen.warnings)))
    profile = profile_of(text)
    facts = compare(profile, seen.scan.evidence.measurement(seen.scan.placement))
    if not facts.continuous:
        raise OwnBug("the profile that was made is not that of the lead that was measured")
    return text


def _origin(seen: Seen) -> Iterator[str]:
    scan = seen.scan
    what = "a virtual tester, so from no lead" if scan.hello.simulated else f"tester {scan.hello.id}"
    places = ", ".join(
        f"end {end} in {socket}" + (" by the generic adapter" if adapter == GENERIC else "")
        for (end, socket), adapter in zip(
            scan.placement.sockets.items(), scan.placement.adapters.values(), strict=True
        )
    )
    yield (
        f"Captured on {datetime.now(UTC):%Y-%m-%d} from a lead that was said to be good, by two looks that "
        f"agreed, on {what}: {places}."
    )
    yield "It says what this lead is, not what one should be."


def _in_short(of: Sample) -> str:
    nets = "1 net" if len(of.nets) == 1 else f"{len(of.nets)} nets"
    told = [f"{nets} over {', '.join(end.connector.name for end in of.ends)}", rule_text(of)]
    return ", ".join(filter(None, told))


def _asked(seen: Seen, answers: Answers, arguments: argparse.Namespace) -> Answers:
    """What the person at the terminal says. An answer that no profile can have is asked for again."""
    of = seen.sample
    say(f"{_in_short(of)}. Enter takes what stands in brackets.")
    answers = replace(answers, title=answers.title or of.title)
    for key in ("id", "title", "revision"):
        if getattr(arguments, key) is None:
            answers = _again(
                f"{key} [{getattr(answers, key)}]: ",
                of,
                answers,
                lambda said, answers=answers, key=key: replace(answers, **{key: said}),
            )
    for end in of.ends:
        if end.name not in answers.labels:
            answers = _again(
                f"label of end {end.name}, {end.connector.name} []: ",
                of,
                answers,
                lambda said, answers=answers, end=end: replace(
                    answers, labels={**answers.labels, end.name: said}
                ),
            )
    for common in of.commons:
        answers = _common(of, answers, common)
    return _named(of, answers)


class _With(Protocol):
    def __call__(self, said: str) -> Answers: ...


def _again(question: str, of: Sample, answers: Answers, with_it: _With) -> Answers:
    """Ask until what is said can stand in a profile; nothing said leaves the answers as they are."""
    while True:
        said = ask(question).strip()
        if not said:
            return answers
        try:
            now = with_it(said)
            profile_text(draft(of, now))
            return now
        except ProfileError as error:
            say(f"{error.problem}")


def _common(of: Sample, answers: Answers, common: Common) -> Answers:
    """A link within one end, confirmed: by what name, and whether every such lead must have it."""
    net = common.net
    shown = ", ".join(map(str, net[:12])) + (f" and {len(net) - 12} more" if len(net) > 12 else "")
    say(f"one net, joined within an end: {shown}")
    name = answers.signals.get(net) or free_name(common, answers.signals)
    usual = replace(
        answers,
        signals={**answers.signals, net: name},
        joined={**answers.joined, net: Joined.REQUIRED},
    )
    plain = replace(answers, signals={key: one for key, one in answers.signals.items() if key != net})
    answers = _again(
        f"its signal, or - for plain wires without one [{name}]: ",
        of,
        usual,
        lambda said: plain if said == "-" else replace(usual, signals={**usual.signals, net: said}),
    )
    if net not in answers.joined or not common.conductors:
        return answers
    joined = _chosen("must every such lead link them (required), or may it (optional)", _LINKED)
    return replace(answers, joined={**answers.joined, net: joined})


def _named(of: Sample, answers: Answers) -> Answers:
    """Signals of the nets that have none yet, if the person likes."""
    commons = {common.net for common in of.commons}
    left = [net for net in of.nets if net not in answers.signals and net not in commons]
    wanted = left and ask(f"name the signals of {len(left)} nets now? y or n [n]: ").strip().lower()
    for net in left if wanted in ("y", "yes") else ():
        answers = _again(
            f"{'–'.join(map(str, net[:4]))} []: ",
            of,
            answers,
            lambda said, answers=answers, net=net: replace(
                answers, signals={**answers.signals, net: _signal(said)}
            ),
        )
    for name, joined in answers.on_several_nets().items():
        if joined is not Joined.OPTIONAL:
            joined = _chosen(f"may a lead link the conductors of {name} (optional), or not (never)", _APART)
            answers = replace(answers, apart={**answers.apart, name: joined})
    return answers


def _chosen(question: str, choices: Sequence[Joined]) -> Joined:
    """One of the choices; the first where nothing is said."""
    while True:
        said = ask(f"{question} [{choices[0]}]: ").strip() or choices[0]
        if said in choices:
            return Joined(said)
        say(
            f"{either([f'`{choice}`' for choice in choices])}: a profile that says otherwise fails the sample"
        )


def _signal(name: str) -> str:
    if name.lower() in NO_CONNECTION:
        raise ProfileError("", f"`{name}` stands for no connection, and this conducts")
    return name


# What is given


def _ends(words: Sequence[str]) -> tuple[End, ...]:
    form = "END=CONNECTOR, such as `--end A=idc-2x20`"
    ends = []
    for name, plug in pairs(words, "--end", form):
        if not re.fullmatch(r"[A-Z][A-Z0-9]{0,15}", name):
            raise UsageError(
                f"`--end {printable(name)}=…`: an end is named by up to 16 capital letters and digits, a "
                "letter first"
            )
        try:
            ends.append(End(name, connector(plug), "", {}))
        except UnknownConnector as error:
            raise UsageError(f"`--end {name}={printable(plug)}`: {error}") from None
    if not ends:
        raise UsageError(
            "no end is named: a tester cannot know which connectors are on the lead",
            hint=f"`--end` is {form}",
        )
    if sum(len(end.connector.pins) for end in ends) > _MOST_PINS:
        raise UsageError(f"the ends have more than {_MOST_PINS} pins together")
    return tuple(sorted(ends, key=lambda end: end.name))


def _signals(words: Sequence[str], ends: Sequence[End]) -> dict[Pin, str]:
    pins = {pin for end in ends for pin in end.pins()}
    signals = {}
    for key, name in pairs(words, "--signal", "PIN=NAME, such as `--signal A.1=GND`"):
        try:
            pin = parse_pin(key)
        except ValueError as error:
            raise UsageError(f"`--signal {printable(key)}=…`: {error}") from None
        if pin not in pins:
            raise UsageError(f"`--signal {printable(key)}=…`: no end has such a pin")
        if name.lower() in NO_CONNECTION or name != name.strip() or not name.isprintable():
            raise UsageError(f"`--signal {key}={printable(name)}` is no name of a signal")
        if len(name) > MOST_NAME:
            raise UsageError(f"`--signal {key}=…`: a name has at most {MOST_NAME} characters")
        signals[pin] = name
    return signals


def _of_nets(signals: Mapping[Pin, str], of: Sample) -> dict[Pins, str]:
    """The given signals by net. Raises UsageError where they are at odds with what was found."""
    net_of = {pin: net for net in of.nets for pin in net}
    named: dict[Pins, str] = {}
    for pin, name in signals.items():
        if pin not in net_of:
            raise UsageError(f"`--signal {pin}={name}`: nothing conducts at {pin}")
        net = net_of[pin]
        if named.setdefault(net, name) != name:
            raise UsageError(
                f"`--signal {pin}={name}`: {pin} is joined to what `--signal` calls `{named[net]}`"
            )
    return named


def _check(answers: Answers, ends: Sequence[End]) -> None:
    """Raises UsageError where id, title, revision or a label can stand in no profile."""
    pins = [pin for end in ends for pin in end.pins()][:2]
    if len(pins) < 2:
        raise UsageError("the ends have one pin together: nothing can be joined")
    try:
        profile_text(draft(sample(ends, [tuple(pins)]), replace(answers, title=answers.title or "-")))
    except ProfileError as error:
        raise UsageError(f"`{error.key}` {error.problem}", hint=error.hint) from None


def _a_person() -> bool:
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


# The file


def _out(name: str | None, *, force: bool) -> Path | None:
    """Where to write. Raises UsageError where it cannot be, before anything is scanned."""
    if name is None:
        if force:
            raise UsageError("`--force` goes with `--out FILE`")
        return None
    path = Path(name)
    if path.suffix != ".toml":
        shown = printable(name, most=4096)
        raise UsageError(f"`--out {shown}`: the name of a profile's file ends in `.toml`")
    shown, file = printable(name, most=4096), os.path.isfile(path)
    if os.path.lexists(path) and not (force and file):
        raise UsageError(
            f"`{shown}` exists already; it was not touched",
            hint="`--force` writes over it" if file else "",
        )
    if not os.path.isdir(path.parent):
        folder = printable(str(path.parent), most=4096)
        raise UsageError(f"`{shown}` cannot be written: there is no folder `{folder}`")
    return path


def _write(path: Path, text: str, *, force: bool) -> None:
    """The whole file or none. Raises UsageError."""
    fresh, shown = path.with_name(f".{path.name}.{os.getpid()}.unfinished"), printable(str(path), most=4096)
    ours = False
    try:
        if not force:
            path.touch(exist_ok=False)  # nobody else's from now on
            ours = True
        fresh.write_text(text, encoding="utf-8", newline="\n")
        os.replace(fresh, path)
    except BaseException as error:
        for left in (fresh, path) if ours else (fresh,):
            with suppress(OSError, ValueError):
                left.unlink()
        if isinstance(error, FileExistsError):
            raise UsageError(f"`{shown}` exists already; it was not touched") from None
        if isinstance(error, OSError | ValueError):
            reason = getattr(error, "strerror", None) or error
            raise UsageError(f"`{shown}` cannot be written: {reason}") from error
        raise
