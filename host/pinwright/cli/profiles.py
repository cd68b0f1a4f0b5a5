"""`pinwright profiles list | show | check | diff`."""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path
from textwrap import fill

from pinwright.cable.connectors import FAMILIES, Connector, UnknownConnector
from pinwright.cable.difference import difference
from pinwright.cable.profile import CONFIDENCE_TEXT, Limit, Origin, Profile
from pinwright.cable.wiring import printable
from pinwright.cli.differing import difference_document, names_of, show_difference
from pinwright.errors import ProfileError, UsageError
from pinwright.library import LoadedProfile, all_profiles, find_profile, library_folders, read_profile
from pinwright.terminal import name_of, say, show_error, show_table, show_text

EPILOG = """\
example: pinwright profiles show lamp-changer-40
"""
LIST_EPILOG = """\
A WORD may be part of an id, a title, a label, a signal or a source, in capitals or not; a profile is listed
if it has all of them. `known` says how well it is known that the cable is wired so: agreed, single, derived
or memory, which `profiles show` explains; nothing for a workshop's own cables.

example: pinwright profiles list null modem --connector dsub-9
"""
DIFF_EPILOG = """\
Compared are ends, nets, common signals, limits and what the profiles call things; not notes and sources.

Exit status: 0 they are the same, 1 they differ, 2 a profile is wrong.

example: pinwright profiles diff service-lead-9 rs232-de9-null-modem-3wire
"""
_TITLE = 35  # columns for a title, so that id, `known` and ends of the standard profiles fit into 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "The library of profiles: what cables should be."
    parser.epilog = EPILOG
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    plain = argparse.RawDescriptionHelpFormatter
    listing = actions.add_parser(
        "list",
        help="the profiles of the library, all or those that match",
        epilog=LIST_EPILOG,
        formatter_class=plain,
        allow_abbrev=False,
    )
    listing.add_argument("words", metavar="WORD", nargs="*", help="what it is called, does or connects")
    listing.add_argument(
        "--connector", metavar="NAME", help="on an end of it: a name or its beginning, `dsub-25` or `idc`"
    )
    listing.add_argument("--ways", metavar="N", type=_ways, help="contacts of an end of it")
    listing.add_argument("--json", action="store_true", help="one JSON document on standard output")
    show = actions.add_parser(
        "show",
        help="one profile, net by net",
        epilog="example: pinwright profiles show service-lead-9",
        formatter_class=plain,
    )
    show.add_argument("profile", metavar="ID", help="id of a profile in the library, or a `.toml` file")
    check = actions.add_parser(
        "check",
        help="say what is wrong with profile files",
        epilog="example: pinwright profiles check",
        formatter_class=plain,
    )
    check.add_argument(
        "paths", metavar="PATH", nargs="*", help="a `.toml` file, or a folder of them (default: the library)"
    )
    diff = actions.add_parser(
        "diff",
        help="how two profiles differ, in nets and in words",
        epilog=DIFF_EPILOG,
        formatter_class=plain,
        allow_abbrev=False,
    )
    for name in ("one", "other"):
        diff.add_argument(name, metavar=name.upper(), help="a `.toml` file, or an id of the library")
    diff.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(arguments: argparse.Namespace) -> int:
    """0, 2 where a checked file is wrong, or 1 where two profiles differ."""
    action = {"list": _list, "show": _show, "check": _check, "diff": _diff}[arguments.action]
    return action(arguments)


def _list(arguments: argparse.Namespace) -> int:
    words, begins, ways = arguments.words, arguments.connector, arguments.ways
    if begins is not None and not any(name.startswith(begins) for one in FAMILIES for name in one.names()):
        raise UsageError(f"`--connector`: {UnknownConnector(begins)}")
    all_found = list(all_profiles(library_folders()))
    good = [found.profile for found in all_found if isinstance(found, LoadedProfile)]
    wrong = [found for found in all_found if isinstance(found, ProfileError)]
    matching = [one for one in good if _speaks_of(one, words) and _has_end(one, begins or "", ways)]
    for error in wrong:
        show_error(error.message, error.hint)
    if arguments.json:
        faults = [{"message": error.message, "hint": error.hint} for error in wrong]
        listed = {"schema": "pinwright/profiles-1", "profiles": list(map(_document, matching))}
        show_text(json.dumps(listed | {"wrong": faults}, indent=2))
    elif matching:
        show_table(("id and title", "nets", "known", "ends"), map(_row, matching))
    if not matching:
        of_an_end = [f"`{begins}`"] * bool(begins) + [f"{ways} contacts"] * bool(ways)
        asked = [f"`{printable(word)}`" for word in words]
        asked += [f"an end with {' and '.join(of_an_end)}"] * bool(of_an_end)
        what = f" with {', '.join(asked)}" if asked else ""
        say(f"none of the {len(good)} profiles of the library is one{what}")
    return ProfileError.status if wrong else 0


def _ways(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:9]) <= 999):
        raise argparse.ArgumentTypeError(f"`{printable(text)}` should be a number from 1 to 999")
    return int(text)


def _contacts(connector: Connector) -> int:
    """How many pins it has, its shell not counted."""
    return sum(map(len, connector.rows))


def _speaks_of(profile: Profile, words: list[str]) -> bool:
    """Whether all the words are somewhere in what the profile says."""
    said = [profile.id, profile.title, *(profile.origin.sources if profile.origin else ())]
    for end in profile.ends:
        said += [end.label, *end.signals.values()]
    text = "\n".join(said).casefold()
    return all(word.casefold() in text for word in words)


def _has_end(profile: Profile, begins: str, ways: int | None) -> bool:
    return any(
        end.connector.name.startswith(begins) and ways in (None, _contacts(end.connector))
        for end in profile.ends
    )


def _known(profile: Profile) -> str:
    return profile.origin.confidence if profile.origin else ""


def _row(profile: Profile) -> tuple[str, ...]:
    """The title stands below the id: ids may be long, and must not be broken by whoever copies them."""
    title = fill(profile.title, _TITLE + 2, initial_indent="  ", subsequent_indent="  ")
    ends = "\n".join(end.connector.name for end in profile.ends)
    return f"{profile.id}\n{title}", str(len(profile.nets)), _known(profile), ends


def _document(profile: Profile) -> dict[str, object]:
    return {
        "id": profile.id,
        "title": profile.title,
        "revision": profile.revision,
        "nets": len(profile.nets),
        "ends": {
            end.name: {
                "connector": end.connector.name,
                "contacts": _contacts(end.connector),
                "label": end.label,
            }
            for end in profile.ends
        },
        "known": _known(profile) or None,
        "sources": list(profile.origin.sources) if profile.origin else [],
    }


def _show(arguments: argparse.Namespace) -> int:
    loaded = find_profile(arguments.profile, library_folders())
    profile = loaded.profile
    show_text(f"{profile.title}\n{name_of(profile)}, SHA-256 {loaded.sha256}\n")
    for end in profile.ends:
        show_text(f"end {end.name}: {end.connector.name}" + (f", {end.label}" if end.label else ""))
    show_text(f"wiring: {profile.wiring_text}")
    for name, joined in profile.common.items():
        show_text(f"common {name}: joined {joined}")
    usual = Limit(profile.max_ohms, profile.min_leak_ohms)
    show_text(f"limits: {_limits(usual)} (where the tester measures)")
    for name, limit in profile.limits.items():
        show_text(f"limits of {name}: {_limits(limit)}")
    for note in (*profile.spare, *profile.notes):
        show_text(f"note: {note}")
    for point in profile.to_confirm:
        show_text(f"to be confirmed: {point}")
    show_text("")
    if profile.origin:
        _show_origin(profile.origin)
    show_table(
        ("signal", "from", "to"),
        [(net.signal, str(net.pins[0]), " ".join(map(str, net.pins[1:]))) for net in profile.nets],
    )
    unused = profile.unused()
    if unused:
        show_text("")
        show_table(("must be free",), [(" ".join(map(str, unused)),)])
    return 0


def _limits(limit: Limit) -> str:
    return f"links at most {limit.max_ohms:g} Ω, leaks at least {limit.min_leak_ohms:g} Ω"


def _show_origin(origin: Origin) -> None:
    rows = [("", CONFIDENCE_TEXT[origin.confidence])]
    rows += [("source", source) for source in origin.sources]
    rows += [("note", note) for note in origin.notes]
    show_table(("known", origin.confidence), rows)
    show_text("")


def _check(arguments: argparse.Namespace) -> int:
    status = 0
    for path in [Path(text) for text in arguments.paths] or library_folders():
        files = _in_folder(path) if os.path.isdir(path) else [path]
        if not files:
            show_error(f"`{path}` holds no `.toml` file", "")
            status = ProfileError.status
        for file in files:
            try:
                show_text(f"{file}: {_in_short(read_profile(file).profile)}")
            except ProfileError as error:
                show_error(error.message, error.hint)
                status = error.status
    if status:
        say("what a profile may say: profiles/README.md")
    return status


def _in_folder(folder: Path) -> list[Path]:
    """The profiles below a folder, but not those that are wrong on purpose."""
    return [path for path in sorted(folder.rglob("*.toml")) if "broken" not in path.relative_to(folder).parts]


def _in_short(profile: Profile) -> str:
    ends = ", ".join(end.connector.name for end in profile.ends)
    points = len(profile.to_confirm)
    open = f"; {points} point{'s' if points > 1 else ''} to be confirmed" if points else ""
    return f"good: `{profile.id}`, {len(profile.nets)} nets over {ends}{open}"


def _diff(arguments: argparse.Namespace) -> int:
    words = (arguments.one, arguments.other)
    one, other = (find_profile(word, library_folders()).profile for word in words)
    apart = difference(one, other)
    if arguments.json:
        named = {"one": one.id, "other": other.id}
        document = {"schema": "pinwright/diff-1"} | named | difference_document(apart)
        show_text(json.dumps(document, indent=2))
    else:
        show_difference(apart, names_of(one, other, words))
    return 0 if apart.same else 1
