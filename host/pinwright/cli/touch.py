"""`pinwright touch`: touch a conductor with the probe lead, and see which it is and where it goes."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from pinwright import __version__
from pinwright.cable.connectors import Connector
from pinwright.cable.laying import is_guessed, laying_of
from pinwright.cable.pins import Pin
from pinwright.cable.places import held_from_behind, place_of
from pinwright.cable.profile import End, Profile
from pinwright.cable.tables import seen, ticked
from pinwright.cli.keys import ENTER, Keys
from pinwright.cli.lettering import ROWS, large
from pinwright.cli.ports import Workshop, opened_to_touch, sockets_by_hand
from pinwright.errors import OwnBug, UsageError
from pinwright.library import find_profile, library_folders
from pinwright.link import Line, drive
from pinwright.terminal import Screen, ascii_only, can_redraw, name_of, say, show_text
from pinwright.tester.touching import Released, Touched, Touching
from pinwright.verdict.touches import Guide, Said, Way

EPILOG = """\
One end of the lead, at least, is plugged into the tester; the other is bare conductors, or a plug in your
hand. Touch a conductor or a pin with the probe lead: the screen shows which it is, its signal and where it
goes, and counts what has been touched. `q` or Enter ends it, and so does the last one; Ctrl-C ends it with
status 130. With `--port sim` a virtual hand touches one after another.

It is a guide for whoever solders, no test: scan the lead when it is done.

example: pinwright touch service-lead-9 --port sim
"""
SCHEMA = "pinwright/touch-1"
_HAND_S = 0.5  # how long the virtual hand stays where somebody looks on
_STYLE = {
    "conductor": "ok",
    "linked": "ok",
    "unused": "exchanged",
    "two": "exchanged",
    "joined": "open",
    "elsewhere": "open",
    "held": "open",
}
_ASCII = str.maketrans({"→": "->", "–": "-", "…": "...", "✓": "*"})
Show = Callable[[Said, Guide], None]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Touch bare conductors, or the pins of a plug in your hand, with the tester's loose probe lead, and "
        "see which each is and where it goes."
    )
    parser.epilog = EPILOG
    parser.add_argument("profile", metavar="PROFILE", nargs="?", help="what the cable should be")
    parser.add_argument("--port", metavar="PORT", help="where the tester is")
    parser.add_argument(
        "--end",
        metavar="A",
        action="append",
        default=[],
        help="an end that is plugged in; may be given again (default: those crimped on a ribbon, unless all "
        "are; else the first)",
    )
    parser.add_argument(
        "--at",
        metavar="A=J1",
        nargs="+",
        action="extend",
        default=[],
        help="an end that is plugged in, and its socket",
    )
    parser.add_argument(
        "--probe",
        metavar="J2.12",
        default="",
        help="the position that a wire is in which serves as probe lead (default: the tester's own lead)",
    )
    parser.add_argument("--json", action="store_true", help="a line of JSON for everything that happens")


def run(arguments: argparse.Namespace) -> int:
    """0 when all were touched, or when it was ended by a key."""
    name = arguments.profile
    if name is None and arguments.at and "=" not in arguments.at[-1]:
        name = arguments.at.pop()  # `--at A=J1 PROFILE`: it took all the words
    if name is None:
        raise UsageError(
            "PROFILE is missing: what the cable should be", hint="`pinwright touch --help` shows what goes"
        )
    profile = find_profile(name, library_folders()).profile
    by_hand = sockets_by_hand(arguments.at)
    plugged = plugged_ends(profile, [*arguments.end, *by_hand])
    workshop = Workshop.read()
    touching = Touching(plugged, workshop.fixtures, __version__, by_hand, workshop.adapters, arguments.probe)
    with opened_to_touch(arguments.port, profile, touching, workshop) as (link, hand):
        line = Line(link, _hear)
        placement = drive(touching.begin(), line)
        if touching.fixture is None:
            raise OwnBug("a board is known, and its sockets are not")
        guide = Guide(
            profile,
            plugged,
            ways_of(profile, plugged),
            lambda pin: _place(profile, pin),
            touching.fixture,
            placement,
        )
        if not arguments.json:
            show_text(_beginning(touching, guide))
        with _shown(guide, arguments.json) as show, Keys("q" + ENTER) as keys:
            _follow(touching, line, guide, show, keys, hand)
        drive(touching.end(), line)
    if arguments.json:
        show_text(json.dumps(_end_document(guide)))
    else:
        show_text(_summary(guide))
    return 0


def _follow(
    touching: Touching,
    line: Line,
    guide: Guide,
    show: Show,
    keys: Keys,
    hand: Callable[[Pin | None], None] | None,
) -> None:
    """Look after look, until all is touched or the key is pressed. hand: moves a virtual probe lead, which
    touches what is left in turn."""
    if hand and guide.left:
        hand(guide.left[0])
    while guide.left and not keys.pressed():
        event = touching.event(drive(touching.look(), line))
        if event is None:
            continue
        show(guide.hear(event), guide)
        if hand and isinstance(event, Touched):
            if can_redraw() and keys.pressed(_HAND_S):
                return
            hand(None)
        elif hand and isinstance(event, Released):
            hand(guide.left[0])


def plugged_ends(profile: Profile, named: Sequence[str]) -> tuple[End, ...]:
    """The ends in the tester: those named; else those whose contacts count a ribbon's conductors, unless all
    do; else the first. Raises UsageError."""
    known = {end.name: end for end in profile.ends}
    for name in named:
        if name not in known:
            raise UsageError(f"the cable has no end {seen(name)}; its ends are {ticked(known)}")
    if named:
        return tuple(end for end in profile.ends if end.name in named)
    counted = {ribbon.end for ribbon in laying_of(profile).ribbons}
    crimped = tuple(end for end in profile.ends if end.name in counted)
    return crimped if 0 < len(crimped) < len(profile.ends) else profile.ends[:1]


def ways_of(profile: Profile, plugged: Sequence[End]) -> Mapping[Pin, Way]:
    """For the pins of these ends: their conductor's number, where it has one, and where it leads."""
    laying = laying_of(profile)
    doubled = {ribbon.end for ribbon in laying.ribbons if ribbon.doubled}  # its conductors count otherwise
    names = {end.name for end in plugged}
    ways: dict[Pin, Way] = {}
    for conductor in laying.conductors:
        for pin in conductor.pins:
            if pin.end not in names:
                continue
            counted = conductor.ribbon == pin.end and pin.end not in doubled
            before = ways.get(pin, Way())
            others = (other for other in conductor.pins if other != pin)
            ways[pin] = Way(
                conductor.number if counted else before.number, tuple(dict.fromkeys([*before.to, *others]))
            )
    return ways


def _place(profile: Profile, pin: Pin) -> str:
    """Where a pin is, as whoever solders it holds the plug."""
    return place_of(_as_held(profile, pin.end), pin.name)


def _as_held(profile: Profile, end: str) -> Connector:
    plug = next(one.connector for one in profile.ends if one.name == end)
    behind = held_from_behind(plug, pressed=end in laying_of(profile).pressed)
    return plug.from_behind() if behind else plug


def _beginning(touching: Touching, guide: Guide) -> str:
    if touching.fixture is None:
        raise OwnBug("a board is known, and its sockets are not")
    told = [f"end {end} is in {socket}" for end, socket in guide.placement.sockets.items()]
    told.append(f"the probe lead is at {touching.fixture.name_of(touching.probe)}")
    views = []
    for end in guide.profile.ends:
        if end.name not in guide.placement.sockets:
            how = "crimped" if end.name in laying_of(guide.profile).pressed else "soldered"
            taken = f", as it was taken as {how}" if is_guessed(end) else ""
            views.append(f"{end.name}: {_as_held(guide.profile, end.name).view}{taken}")
    seen = f"\nplaces are as seen at {'; '.join(views)}" if views else ""
    return f"{'; '.join(told)}{seen}\ntouch {guide.names(guide.wanted)}; q or Enter ends it"


@contextmanager
def _shown(guide: Guide, as_json: bool) -> Iterator[Show]:
    """How what happens is shown: one panel on a terminal, lines elsewhere."""
    if as_json:
        yield lambda said, guide: show_text(json.dumps(_document(said, guide)))
    elif can_redraw():
        with Screen() as screen:
            panel = _Panel(screen)
            panel.draw(guide, free=True)
            yield panel.show
    else:
        yield _show_line


def _show_line(said: Said, guide: Guide) -> None:
    if said.kind != "released":
        signal = f" ({said.signal})" if said.signal else ""
        again = ", once more" if _counts(said) and not said.new else ""
        text = f"{len(guide.done):>3} of {len(guide.wanted)}  {said.text}{signal}{again}"
        show_text(text.translate(_ASCII) if ascii_only() else text)


class _Panel:
    """What was touched last, large, on the terminal; it stays while the probe is on its way to the next."""

    def __init__(self, screen: Screen) -> None:
        self._screen = screen
        self._last: Said | None = None

    def show(self, said: Said, guide: Guide) -> None:
        free = said.kind == "released"
        self._last = self._last if free else said
        self.draw(guide, free=free)

    def draw(self, guide: Guide, *, free: bool) -> None:
        """free: the probe touches nothing."""

        def lines(width: int, height: int, ascii: bool) -> list[tuple[str, str]]:
            return self._lines(guide, free, width, height, ascii)

        self._screen.show(name_of(guide.profile), "q or Enter ends it", lines)

    def _lines(self, guide: Guide, free: bool, width: int, height: int, ascii: bool) -> list[tuple[str, str]]:
        said = self._last
        left = f"; left: {guide.names(guide.left)}" if guide.left else ""
        count = f"{len(guide.done)} of {len(guide.wanted)} touched{left}"
        if said is None:
            lines = [("touch a conductor with the probe lead", "label"), ("", "words"), (count, "words")]
        else:
            style = _STYLE[said.kind]
            letters = large(said.large, width, ascii) if height > ROWS + 6 else []
            lines = [("", "words"), *((line, "frame" if free else style) for line in letters), ("", "words")]
            lines.append((said.text, style))
            lines += [(f"signal {said.signal}", "label")] if said.signal else []
            lines += [("✓ touched" if said.new else "✓ touched once more", "ok")] if _counts(said) else []
            lines += [("", "words"), (count, "words")]
        return [(line.translate(_ASCII), word) for line, word in lines] if ascii else lines


def _counts(said: Said) -> bool:
    return said.kind in ("conductor", "linked")


def _document(said: Said, guide: Guide) -> Mapping[str, object]:
    return {
        "schema": SCHEMA,
        "kind": said.kind,
        "pins": [str(pin) for pin in said.pins],
        "signal": said.signal,
        "to": [str(pin) for pin in said.to],
        "text": said.text,
        "new": said.new,
        "touched": len(guide.done),
        "of": len(guide.wanted),
    }


def _end_document(guide: Guide) -> Mapping[str, object]:
    return {
        "schema": SCHEMA,
        "kind": "end",
        "touched": len(guide.done),
        "of": len(guide.wanted),
        "left": [str(pin) for pin in guide.left],
        "joined": [[str(pin) for pin in pins] for pins in guide.seem_joined],
    }


def _summary(guide: Guide) -> str:
    of = len(guide.wanted)
    told = [f"all {of} were touched" if not guide.left else f"{len(guide.done)} of {of} were touched"]
    if guide.left:
        told.append(f"never touched: {guide.names(guide.left, most=of)}")
    told += [f"joined, as it seems: {guide.names(pins)}" for pins in guide.seem_joined]
    return "\n".join(told)


def _hear(line: str) -> None:
    say(f"the board says: {line}")
