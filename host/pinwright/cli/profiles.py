"""`pinwright profiles list | show | check`."""

from __future__ import annotations

import argparse
from pathlib import Path

from pinwright.cable.profile import Profile
from pinwright.errors import ProfileError
from pinwright.library import LoadedProfile, all_profiles, find_profile, library_folders, read_profile
from pinwright.terminal import name_of, say, show_error, show_table, show_text

EPILOG = """\
example: pinwright profiles show lamp-changer-40
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = "The library of profiles: what cables should be."
    parser.epilog = EPILOG
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    plain = argparse.RawDescriptionHelpFormatter
    actions.add_parser(
        "list",
        help="all profiles of the library",
        epilog="example: pinwright profiles list",
        formatter_class=plain,
    )
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


def run(arguments: argparse.Namespace) -> int:
    """0, or 2 where a checked file is wrong."""
    return {"list": _list, "show": _show, "check": _check}[arguments.action](arguments)


def _list(_: argparse.Namespace) -> int:
    rows = []
    status = 0
    for found in all_profiles(library_folders()):
        if isinstance(found, LoadedProfile):
            profile = found.profile
            ends = " + ".join(end.connector.name for end in profile.ends)
            rows.append((profile.id, str(len(profile.nets)), ends, profile.title))
        else:
            show_error(found.message, found.hint)
            status = found.status
    show_table(("id", "nets", "ends", "title"), rows)
    return status


def _show(arguments: argparse.Namespace) -> int:
    loaded = find_profile(arguments.profile, library_folders())
    profile = loaded.profile
    show_text(f"{profile.title}\n{name_of(profile)}, SHA-256 {loaded.sha256}\n")
    for end in profile.ends:
        show_text(f"end {end.name}: {end.connector.name}" + (f", {end.label}" if end.label else ""))
    show_text(f"wiring: {profile.wiring_text}")
    for name, joined in profile.common.items():
        show_text(f"common {name}: joined {joined}")
    show_text(
        f"limits: links at most {profile.max_ohms:g} Ω, leaks at least {profile.min_leak_ohms:g} Ω "
        "(where the tester measures)"
    )
    for note in (*profile.spare, *profile.notes):
        show_text(f"note: {note}")
    show_text("")
    show_table(
        ("signal", "from", "to"),
        [(net.signal, str(net.pins[0]), " ".join(map(str, net.pins[1:]))) for net in profile.nets],
    )
    unused = profile.unused()
    if unused:
        show_text("")
        show_table(("must be free",), [(" ".join(map(str, unused)),)])
    return 0


def _check(arguments: argparse.Namespace) -> int:
    status = 0
    for path in [Path(text) for text in arguments.paths] or library_folders():
        files = _in_folder(path) if path.is_dir() else [path]
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
    return f"good: `{profile.id}`, {len(profile.nets)} nets over {ends}"
