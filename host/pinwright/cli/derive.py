"""`pinwright derive`: from the pinouts of all ends to a profile."""

from __future__ import annotations

import argparse
import json
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from pinwright.cable.deriving import Derived, derive
from pinwright.cable.difference import difference
from pinwright.cable.drafting import profile_text
from pinwright.cable.pinout import Pinout
from pinwright.cable.pins import Pin
from pinwright.cable.profile import LAST_SERIAL, MOST_ID, MOST_NAME, MOST_TEXT, Profile
from pinwright.cable.reporting import apart, draft_of, sentences, to_confirm
from pinwright.cable.wiring import Pins, printable
from pinwright.cli.differing import difference_document, show_difference
from pinwright.errors import PinoutError, ProfileError, UsageError
from pinwright.library import find_profile, library_folders, profile_of
from pinwright.pinouts import read_pinout
from pinwright.terminal import say, show_text

EPILOG = """\
A FILE is a table, CSV or TSV, with a pin and its signal in each row; a first row may name the columns, and a
line `# connector: idc-2x20` says what is on the cable there. Or it is TOML: `connector`, `label`, [signals].

Signals are joined by name: capitals do not count, nor blanks, hyphens and underscores inside a name, and
/RD, RD*, ~RD, RD#, nRD and RD with a bar are one signal. What all names of an end begin with is taken off
where that finds partners. What was found is told on standard error; the profile goes to standard output, and
what somebody has to find out before it is trusted stands in its key `to_confirm`.

Exit status: 0 derived, 1 it differs from the profile of --against, 2 a file or an option is wrong.

example: pinwright derive A=rack.csv B=changer.tsv --id lamp-changer
"""
MOST_ENDS = 8
_NO_TITLE = "Lead between {ends}"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Work out from the pinouts of all ends which pins belong together, and by which rule."
    )
    parser.epilog = EPILOG
    parser.add_argument(
        "ends", metavar="END=FILE", nargs="+", help="an end of the cable, and the file with its pinout"
    )
    parser.add_argument(
        "--connector",
        metavar="END=NAME",
        action="append",
        default=[],
        help="what is on the cable at an end, where its file does not say it",
    )
    parser.add_argument(
        "--ground", metavar="NAME,…", action="append", default=[], help="names of one ground: GND,0V,VSS"
    )
    parser.add_argument(
        "--tied",
        metavar="NAME,…",
        action="append",
        default=[],
        help="signals whose pins the cable itself joins to one net",
    )
    parser.add_argument("--id", metavar="ID", help="of the profile; else from the files: rack-to-changer")
    parser.add_argument("--title", metavar="TEXT", help="of the profile")
    parser.add_argument("--revision", metavar="TEXT", default="draft", help="of the profile (%(default)s)")
    parser.add_argument("--out", metavar="FILE", help="a new `.toml` file for the profile")
    parser.add_argument(
        "--against",
        metavar="PROFILE",
        help="show how it differs from a profile: a `.toml` file, or an id of the library",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(arguments: argparse.Namespace) -> int:
    """0, or 1 where it differs from the profile that it is held against."""
    files = _pairs(arguments.ends, "END=FILE")
    families = _pairs(arguments.connector, "--connector")
    if len(files) > MOST_ENDS:
        raise UsageError(f"{len(files)} ends are too many; a cable here has at most {MOST_ENDS}")
    for end in families:
        if end not in files:
            raise UsageError(f"`--connector`: there is no end `{end}`; there are {', '.join(files)}")
    if arguments.out and Path(arguments.out).suffix != ".toml":
        shown = printable(arguments.out, most=4096)
        raise UsageError(f"`--out {shown}`: the name of a profile's file ends in `.toml`")
    known = find_profile(arguments.against, library_folders()).profile if arguments.against else None
    pinouts = {end: _read(end, file, families.get(end, "")) for end, file in files.items()}
    derived = derive(pinouts, _names(arguments.ground), _names(arguments.tied))
    if not derived.nets:
        raise UsageError("no signal is at two ends, so nothing is joined", hint=_what_is_missing(derived))
    told = sentences(derived)
    if not arguments.json:
        for sentence in told:
            say(sentence)
    text = _written(derived, files, arguments)
    if arguments.out:
        _save(text, arguments.out)
    apart = difference(_comparable(profile_of(text), known), known) if known else None
    if arguments.json:
        document = _document(derived, told, text)
        if apart:
            document["against"] = difference_document(apart)
        show_text(json.dumps(document, indent=2))
    elif apart and known:
        show_difference(apart, ("derived", known.id))
    elif not arguments.out:
        show_text(text.removesuffix("\n"))
    return 0 if apart is None or apart.same_wiring else 1


def _pairs(words: Sequence[str], what: str) -> dict[str, str]:
    """ "A=rack.csv" → {"A": "rack.csv"}, in the order given; `a` is A."""
    found: dict[str, str] = {}
    for word in words:
        end, equals, value = word.partition("=")
        end = end.upper() if re.fullmatch("[a-z]", end) else end
        if not (equals and value and re.fullmatch(r"[A-Z][A-Z0-9]{0,15}", end)):
            raise UsageError(
                f"`{what}`: `{printable(word)}` should be an end and what it has, such as"
                f" `A={_example(what)}`; an end is named by up to 16 capital letters and digits, a letter"
                " first"
            )
        if end in found:
            raise UsageError(f"`{what}`: end `{end}` is there twice")
        found[end] = value
    return found


def _example(what: str) -> str:
    return "idc-2x20" if what == "--connector" else "rack.csv"


def _names(words: Sequence[str]) -> tuple[str, ...]:
    names = [name.strip() for word in words for name in word.split(",")]
    for name in names:
        if not name or len(name) > MOST_NAME or not name.isprintable():
            raise UsageError(f"`{printable(name)}` is no name of a signal")
    return tuple(dict.fromkeys(names))


def _read(end: str, file: str, family: str) -> Pinout:
    """The pinout of an end; where its connector is at fault the hint says it for this end."""
    try:
        return read_pinout(file, family)
    except PinoutError as error:
        raise PinoutError(
            error.key,
            error.problem,
            hint=error.hint.replace("A=idc-2x20` says it for end A", f"{end}=idc-2x20` says it"),
            file=error.file,
            line=error.line,
        ) from error.__cause__


def _what_is_missing(derived: Derived) -> str:
    """The hint where nothing is joined."""
    if len(derived.ends) == 1:
        return "give every end of the cable: `A=FILE B=FILE`"
    return "; ".join(apart(derived)) or "are these the ends of one cable?"


def _id(files: Mapping[str, str]) -> str:
    """The id of a profile from the names of its ends' files: rack-to-changer."""
    words = []
    for end, file in sorted(files.items()):
        plain = unicodedata.normalize("NFKD", Path(file).stem).encode("ascii", "ignore").decode()
        words.append(re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-") or end)
    id = "-to-".join(words)
    longest = MOST_ID - len(f"-{LAST_SERIAL}")  # serials are made of it
    return id if len(id) <= longest else id[:longest].rstrip("-")


def _comparable(derived: Profile, known: Profile) -> Profile:
    """The derived profile with all that a pinout does not say as the known one has it."""
    same = {end.name: end for end in known.ends}
    return replace(
        derived,
        id=known.id,
        title=known.title,
        revision=known.revision,
        length_mm=known.length_mm,
        wire=known.wire,
        max_ohms=known.max_ohms,
        min_leak_ohms=known.min_leak_ohms,
        limits=known.limits,
        serial=known.serial,
        to_confirm=known.to_confirm,
        ends=tuple(
            replace(end, label=end.label or same[end.name].label, termination=same[end.name].termination)
            if end.name in same
            else end
            for end in derived.ends
        ),
    )


def _written(derived: Derived, files: Mapping[str, str], arguments: argparse.Namespace) -> str:
    ends = [end.label or f"{end.name} ({end.connector.name})" for end in derived.ends]
    title = arguments.title if arguments.title is not None else _NO_TITLE.format(ends=" and ".join(ends))
    draft = draft_of(
        derived,
        {end: Path(file).name for end, file in files.items()},
        id=arguments.id if arguments.id is not None else _id(files),
        title=title if arguments.title is not None else title[:MOST_TEXT].strip(),
        revision=arguments.revision,
    )
    try:
        return profile_text(draft)
    except ProfileError as error:
        option = {"cable.id": "--id", "cable.title": "--title", "cable.revision": "--revision"}.get(error.key)
        if option:
            raise UsageError(f"`{option}`: {error.problem}", hint=error.hint) from None
        raise


def _save(text: str, file: str) -> None:
    try:
        with open(file, "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise UsageError(
            f"`{printable(file)}` exists already", hint="name another file for `--out`"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UsageError(f"`{printable(file)}` cannot be written: {reason}") from error
    say(f"written to `{file}`")


def _document(derived: Derived, told: Sequence[str], text: str) -> dict[str, object]:
    rule = derived.obeyed
    return {
        "schema": "pinwright/derive-1",
        "profile": text,
        "nets": [{"signal": _signal(derived, net), "pins": _pins(net)} for net in derived.nets],
        "rule": rule
        and {
            "text": rule.text,
            "rule": rule.rule,
            "ends": list(rule.order),
            "parameters": {
                key: value if isinstance(value, str) else _pins(value)
                for key, value in rule.parameters.items()
            },
            "offset": rule.offset,
            "backwards": rule.backwards,
            "written": derived.by_rule,
        },
        "breaks": [
            {"by_name": _pins(one.by_name), "by_rule": [_pins(net) for net in one.by_rule]}
            for one in derived.breaks
        ],
        "breaking": list(derived.breaking()),
        "alone": [{"pin": str(pin), "signal": derived.written[pin]} for pin in derived.alone],
        "unjoined": [{"pin": str(pin), "signal": derived.written[pin]} for pin in derived.unjoined],
        "missing": {str(pin): str(other) for pin, other in derived.missing.items()},
        "repeated": {name: _pins(pins) for name, pins in derived.repeated.items()},
        "common": {name: str(joined) for name, joined in derived.common.items()},
        "prefixes": dict(derived.prefixes),
        "to_confirm": list(to_confirm(derived)),
        "told": list(told),
    }


def _signal(derived: Derived, net: Pins) -> str:
    return "/".join(dict.fromkeys(name for pin in net if (name := derived.name(pin))))


def _pins(pins: Sequence[Pin]) -> list[str]:
    return [str(pin) for pin in pins]
