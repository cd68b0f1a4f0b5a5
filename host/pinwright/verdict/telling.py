"""A story of causes, told as findings: what happened, where, and what to do, in the words of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from pinwright.cable.geometry import neighbours
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.verdict.causes import Cause, Group, Story, applied, groups_of
from pinwright.verdict.facts import Extra, Facts
from pinwright.verdict.resistances import ohms_text
from pinwright.verdict.words import (
    A_BRIDGE_OHMS,
    A_LEAK_OHMS,
    CLEAN,
    MANY,
    WHICH_END,
    Finding,
    across,
    both,
    either,
    in_pieces,
    joined_nets,
    net_name,
    ordered,
    span,
)

_SCATTERED = 12  # contacts on wrong places from which on they are no longer told one by one
_KIND_OF = {
    "absent": "absent",
    "wrong-cable": "wrong-cable",
    "exchanged": "exchanged",
    "turned": "reversed",
    "rows": "reversed",
    "mirrored": "reversed",
    "off": "shifted",
    "slipped": "shifted",
    "swap": "swap",
    "cycle": "misrouted",
    "moved": "misrouted",
    "open": "open",
    "open-run": "open",
    "link-missing": "open",
    "bridge": "short",
    "tied": "short",
    "link-extra": "short",
}
_WHOLE = ("absent", "wrong-cable", "exchanged", "turned", "rows", "mirrored", "off", "slipped")


def tell(profile: Profile, facts: Facts, told: Sequence[Story]) -> list[Finding]:
    """Findings of the first story, which cover every fact of continuity, with what the others say instead."""
    return _Teller(profile, facts, told).findings()


class _Teller:
    """Puts a story into words. expected: the nets as they would be with plugs and conductors where the story
    has them, and every joint good."""

    def __init__(self, profile: Profile, facts: Facts, told: Sequence[Story]) -> None:
        self.profile = profile
        self.plugs = {end.name: end.connector for end in profile.ends}
        self.facts = facts
        self.story = told[0] if told else Story(())
        self.others = told[1:]
        self.facts_in_pins = [fact.net.pins for fact in facts.missing] + [fact.pins for fact in facts.extra]
        self.at_fault = dict.fromkeys(pin for fact in self.facts_in_pins for pin in fact)
        self.signal = {Pin(end.name, pin): name for end in profile.ends for pin, name in end.signals.items()}
        self.missing = {frozenset(fact.net.pins): fact for fact in facts.missing}
        self.home = {pin: piece for piece in facts.nets for pin in piece}
        self.expected = self._expected()
        self.whole = any(cause.kind in _WHOLE for cause in self.story.causes)

    def findings(self) -> list[Finding]:
        made = [
            replace(finding, pins=told if len(told) > 1 else finding.pins)
            for finding in (*self._of_causes(), *self._at_times())
            for told in [tuple(pin for pin in finding.pins if pin in self.at_fault)]
        ]
        if made and self.others:
            made[0] = self._with_others(made[0])
        for fact in self.facts_in_pins:
            if made and not any(set(fact) <= set(finding.pins) for finding in made):
                number, nearest = max(
                    enumerate(made), key=lambda one: (len(set(fact) & set(one[1].pins)), -one[0])
                )
                made[number] = replace(nearest, pins=ordered((*nearest.pins, *fact)))
        return made

    def _expected(self) -> list[Group]:
        groups = groups_of(self.profile)
        for cause in self.story.causes:
            if cause.nets or (cause.moves and cause.kind != "open-run"):
                groups = applied(cause, groups)
        return groups

    def _of_causes(self) -> Iterator[Finding]:
        scattered = [cause for cause in self.story.causes if cause.kind in ("swap", "cycle")]
        if sum(len(cause.pins) for cause in scattered) > _SCATTERED and any(
            cause.kind == "cycle" or len(scattered) > _SCATTERED // 2 for cause in scattered
        ):
            yield self._scattered(scattered)
        else:
            scattered = []
        joined: dict[tuple[Pin, ...], list[Cause]] = {}
        for cause in self.story.causes:
            if cause in scattered:
                continue
            if cause.joins:
                joined.setdefault(self.home[cause.joins[0][0]], []).append(cause)
            else:
                yield getattr(self, "_" + cause.kind.replace("-", "_"))(cause)
        self.joined_pieces = list(joined)
        for piece, causes in joined.items():
            yield self._joined(piece, causes)

    def _with_others(self, first: Finding) -> Finding:
        """Stories that cost the same, in short: what is in them and not in the first."""
        own = set(map(_said, self.story.causes))
        told = []
        for story in self.others:
            other = [cause for cause in story.causes if _said(cause) not in own]
            told.append(", and ".join(self._short_of(cause) for cause in other))
        return replace(first, text=f"{first.text}; or, just as likely: {'; or '.join(told)}")

    def _finding(self, cause: Cause, text: str, remedy: str, pins: Iterable[Pin] = ()) -> Finding:
        return Finding(_KIND_OF[cause.kind], text, ordered(pins or self._pins(cause)), remedy)

    def _pins(self, cause: Cause) -> Iterable[Pin]:
        """What is at fault by this cause: everything, if it is about a whole plug; else its own pins, and
        those of the facts they are in."""
        if cause.kind in _WHOLE and cause.kind != "slipped":
            return self.at_fault
        own = {*cause.pins, *(pin for pair in cause.moves for pin in pair if pin)}
        return {pin for fact in self.facts_in_pins if not own.isdisjoint(fact) for pin in fact} or own

    # Whole plugs

    def _absent(self, cause: Cause) -> Finding:
        ways = (cause, *cause.also)
        every = any(len(one.ends) == len(self.plugs) for one in ways if one.kind == "absent")
        where = "any end" if every else f"end {either([one.ends[0] for one in ways if one.kind == 'absent'])}"
        text = f"nothing conducts at {where}: is it plugged in?"
        if every and self.facts.doubtful:
            text = f"nothing conducts in every look at {where}: is it plugged in?"
        remedy = (
            "Plug it in, press it home, and scan again. If it is in, look whether it is the right cable, and "
            "whether crimp or solder has reached any conductor."
        )
        return self._finding(cause, text, remedy)

    def _wrong_cable(self, cause: Cause) -> Finding:
        names = [f"`{one.detail}`" for one in (cause, *cause.also) if one.kind == "wrong-cable"]
        text = f"it is wired as {either(names)}, not as `{self.profile.id}`{self._also(cause)}"
        remedy = (
            f"Is this the right cable, and the right profile? `pinwright scan {cause.detail}` proves it as "
            "that one."
        )
        return self._finding(cause, text, remedy)

    def _exchanged(self, cause: Cause) -> Finding:
        one, other = cause.ends
        text = f"ends {one} and {other} are exchanged{self._also(cause)}"
        remedy = (
            f"Are plugs {one} and {other} in each other's sockets of the tester, or their labels exchanged? "
            "If not, their ribbons were laid in the wrong order: the cable has to be made anew at one end."
        )
        return self._finding(cause, text, remedy)

    def _turned(self, cause: Cause) -> Finding:
        return self._reversed(cause)

    def _rows(self, cause: Cause) -> Finding:
        return self._reversed(cause)

    def _mirrored(self, cause: Cause) -> Finding:
        return self._reversed(cause)

    def _reversed(self, cause: Cause) -> Finding:
        text = f"{self._short_of(cause)}: {self._where_first(cause)}{self._also(cause)}"
        kinds = {one.kind for one in (cause, *cause.also)}
        ways = sorted({one.ends[0] for one in (cause, *cause.also) if one.kind == cause.kind})
        on_a_ribbon = any(plug.conductors or plug.outline == "notched" for plug in self.plugs.values())
        if "turned" in kinds and on_a_ribbon:
            remedy = (
                f"Look first whether {either(ways)} is plugged into the tester the right way round, pin 1 to "
                "pin 1. If it is, that plug was put on its conductors backwards: hold the ribbon's marked "
                "edge against pin 1 at every plug, and make the wrong one anew."
            )
        elif cause.kind == "rows":
            remedy = (
                f"Conductors were started from the other row of {either(ways)}: look whether it is the right "
                "kind of plug for this order. Move every conductor to the opposite row, or make that plug "
                "anew."
            )
        else:
            remedy = (
                f"Pins of {either(ways)} were counted on the wrong side: hold it as the drawing shows it, "
                "find pin 1, and make that end anew."
            )
        return self._finding(cause, text, remedy)

    def _where_first(self, cause: Cause) -> str:
        """Where conductor 1 is and where it should be, or the plug's first pin that is used."""
        goes = dict(cause.moves)
        (end,) = cause.ends
        used = [pin for net in self.profile.nets for pin in net.pins if pin.end == end and pin in goes]
        if not used:
            return "pins sit where others should"
        for other in self.profile.ends:
            if other.name == end or not other.connector.conductors:
                continue
            start = Pin(other.name, other.connector.conductors[0])
            met = [net.pins for net in self.profile.nets if start in net.pins]
            own = [pin for pins in met for pin in pins if pin in goes]
            if len(own) == 1 and sum(len(pins) for pins in met) == 2:
                return f"conductor 1 was started at {goes[own[0]]}, the profile starts it at {own[0]}"
        first = min(used, key=in_order)
        return f"what belongs on {first} is on {goes[first]}"

    def _off(self, cause: Cause) -> Finding:
        ends = [one.ends[0] for one in (cause, *cause.also) if one.kind == "off"]
        text = f"{self._short_of(cause)}{self._also(cause)}"
        remedy = f"Unplug {either(ends)}, plug it in pin 1 to pin 1, and scan again."
        return self._finding(cause, text, remedy)

    def _slipped(self, cause: Cause) -> Finding:
        last, onto = cause.moves[-1]
        shared = any(onto in group.pins for group in groups_of(self.profile)) and onto not in cause.pins
        if onto is None:
            tail = f"the last of them, of {last}, hangs free"
        elif onto in cause.pins:
            tail = f"the last of them, of {last}, is on {onto}"
        elif shared:
            tail = f"the last of them shares {onto} with its neighbour"
        else:
            tail = f"the last of them is on {onto}, where nothing should be"
        text = f"{self._short_of(cause)}; {tail}{self._also(cause)}"
        first = cause.pins[0]
        remedy = (
            f"Begin at {first}: its conductor belongs there. Lay this run of conductors anew, one contact "
            "back, and look that each has a contact of its own."
        )
        return self._finding(cause, text, remedy)

    # Single conductors

    def _swap(self, cause: Cause) -> Finding:
        one, other = cause.pins
        nets = [next((net for net in self.profile.nets if pin in net.pins), None) for pin in (one, other)]
        first, second = nets
        if first and second and len(first.pins) == len(second.pins) == 2 and not self.whole:
            (a, b), (c, d) = sorted((first.pins, second.pins), key=lambda pins: in_order(pins[0]))
            signals = list(dict.fromkeys(net.signal for net in (first, second) if net.signal))
            who = " and ".join(signals) if len(signals) == 2 else f"{a}–{b} and {c}–{d}"
            text = f"{who} are exchanged: {a} belongs with {b} and {c} with {d}, but they are crossed"
            e, f = (c, d) if {one, other} in ({a, c}, {b, d}) else (d, c)
            remedy = f"Exchange the two conductors at one end: at {a} and {e}, or at {b} and {f}. {WHICH_END}"
            return self._finding(cause, text, remedy, self._pins(cause) if self.whole else (a, b, c, d))
        grounds = [net for net in (first, second) if net and len(net.pins) > 2]
        pair = ", ground and signal of a pair" if len(grounds) == 1 and first and second else ""
        lie = f", {cause.detail}" if cause.detail and not pair else ""
        text = f"{self._named(one)} and {self._named(other)} are exchanged{pair}{lie}{self._also(cause)}"
        return self._finding(cause, text, f"Exchange the two conductors at {one} and {other}.")

    def _cycle(self, cause: Cause) -> Finding:
        steps = [f"what belongs on {pin} is on {where or 'none'}" for pin, where in cause.moves[:MANY]]
        more = "…" if len(cause.moves) > MANY else ""
        text = (
            f"{len(cause.pins)} conductors at end {cause.ends[0]} are exchanged in a circle: "
            f"{', '.join(steps)}{more}{self._also(cause)}"
        )
        remedy = f"Lay them anew at one end. {WHICH_END}" if cause.also else "Lay them anew."
        return self._finding(cause, text, remedy)

    def _scattered(self, causes: Sequence[Cause]) -> Finding:
        wrong = [pair for cause in causes for pair in cause.moves if pair[0] != pair[1]]
        steps = ", ".join(
            f"{pin} → {where}" for pin, where in sorted(wrong, key=lambda pair: in_order(pair[0]))[:6]
        )
        text = (
            f"{len(wrong)} conductors are on other contacts, in no order that is known: what belongs on "
            f"{steps}…"
        )
        pins = {pin for cause in causes for pin in self._pins(cause)}
        remedy = (
            "Is it the right cable, and the right profile? If so, compare it with the list below, conductor "
            f"by conductor, and lay them anew at one end. {WHICH_END}"
        )
        return Finding("misrouted", text, ordered(pins), remedy)

    def _moved(self, cause: Cause) -> Finding:
        one, other = cause.pins
        lie = f" ({cause.detail})" if cause.detail else ""
        text = (
            f"the conductor of {self._named(one)} is on {other}{lie}, where nothing should be"
            f"{self._also(cause)}"
        )
        return self._finding(cause, text, f"Move the conductor from {other} to {one}.")

    # Opens

    def _open(self, cause: Cause) -> Finding:
        pieces = cause.pieces
        fact = self.missing.get(frozenset(cause.pins))
        least = min((leak.ohms for leak in across(cause.pins, self.facts)), default=0.0)
        left = f"; {ohms_text(least)} was measured across it" if least >= A_LEAK_OHMS else ""
        name = net_name(fact) if fact else ("–".join(map(str, cause.pins[:3])) + "…" * (len(cause.pins) > 3))
        if self._whole_at_times(cause.pins):
            return Finding(
                "intermittent",
                f"{name} conducts in some looks and not in others: {in_pieces(pieces)}{left}",
                cause.pins,
                "Look for a cracked joint or a loose contact on this conductor: resolder it or press the "
                "plug home, then scan again.",
            )
        signal = fact.net.signal if fact else ""
        if len(cause.pins) == 2:
            who = f"{signal} is " if signal else ""
            text = f"{who}open between {cause.pins[0]} and {cause.pins[1]}{left}"
        else:
            text = f"{name} is open: it is in {len(pieces)} pieces, {in_pieces(pieces)}{left}"
        return Finding("open", text, cause.pins, self._how_to_find(cause))

    def _how_to_find(self, cause: Cause) -> str:
        """Which end is broken, continuity cannot know."""
        alone = [piece[0] for piece in cause.pieces if len(piece) == 1]
        remedy = (
            "Check the joint or the crimp at each end. Continuity cannot tell which is broken: prick the "
            "conductor near one plug with a needle and measure from there to its pins."
        )
        crimped = sorted(
            {pin.end for pin in alone if pin.end in self.plugs and self.plugs[pin.end].conductors}
        )
        if crimped and len(cause.pieces) == 2:
            remedy += f" A position closed by design, in a salvaged plug {either(crimped)}, looks the same."
        return remedy

    def _open_run(self, cause: Cause) -> Finding:
        text = f"{self._short_of(cause)}{self._also(cause)}"
        remedy = (
            f"Look whether that side of {either([one.ends[0] for one in (cause, *cause.also)])} is pressed "
            "home on its conductors: press it again, or solder these joints again, and scan again."
        )
        return self._finding(cause, text, remedy)

    def _link_missing(self, cause: Cause) -> Finding:
        fact = self.missing.get(frozenset(cause.pins))
        name = net_name(fact) if fact else "–".join(map(str, cause.pins[:3]))
        text = f"{name} is not linked: its conductors are whole, but apart: {in_pieces(cause.pieces)}"
        remedy = (
            "Look for the link between these conductors that the profile asks for, at whichever end it "
            "belongs: it is broken or was forgotten."
        )
        if self._whole_at_times(cause.pins):
            return self._open(cause)
        return self._finding(cause, text, remedy, cause.pins)

    # Joins

    def _joined(self, piece: tuple[Pin, ...], causes: Sequence[Cause]) -> Finding:
        """What joins one measured piece: by a leak, or by a bridge."""
        fact = next((extra for extra in self.facts.extra if set(piece) <= set(extra.pins)), None)
        extra = fact or Extra(piece, (), ())
        if sum(set(one) <= set(extra.pins) for one in self.joined_pieces) > 1:
            nets = tuple(net for net in extra.nets if not set(net.pins).isdisjoint(piece))
            extra = Extra(ordered(piece), nets, tuple(pin for pin in extra.unused if pin in piece))
        pins = extra.pins
        ohms = self._ohms_of(pins)
        who = "wrongly joined" if self.whole or not fact else joined_nets(extra)
        spare = f"; nothing should be on {both(extra.unused)}" if extra.unused and not self.whole else ""
        if ohms is not None and ohms >= A_LEAK_OHMS:
            return Finding(
                "leakage", f"{who} by a leak of {ohms_text(ohms)}: {both(pins)}{spare}", pins, CLEAN
            )
        by = "" if ohms is None else f" by a bridge of {ohms_text(ohms)}"
        if ohms is not None and ohms >= A_BRIDGE_OHMS:
            by = f" by {ohms_text(ohms)}"
        return Finding("short", f"{who}{by}: {both(pins)}{spare}", pins, self._where_to_look(causes))

    def _where_to_look(self, causes: Sequence[Cause]) -> str:
        if causes[0].kind == "link-extra":
            return (
                "These conductors carry the same signal, but the profile says that the cable must not link "
                "them: cut the link, or take a plug whose contacts are not tied inside."
            )
        if causes[0].kind == "tied":
            ends = [one.ends[0] for one in (causes[0], *causes[0].also)]
            return (
                f"So many at once are most likely tied at one end: look along {either(ends)} for a strand or "
                "solder across its contacts. A salvaged plug may have them tied inside: take another."
            )
        beside = [place for cause in causes for place in self._beside(cause.joins[0])]
        if not beside:
            return (
                "None of these are neighbours: look for a wire in the wrong place, or for two bridges one "
                "after the other."
            )
        places = list(dict.fromkeys(beside))[:4]
        return f"Look for a solder bridge, a whisker or a strand {'; or '.join(places)}."

    def _beside(self, pair: tuple[Pin, Pin]) -> Iterator[str]:
        """Where the nets of two pins are neighbours: "on the ribbon side of A between A.1 and A.3, neighbours
        in the odd row"."""
        one, other = (self._group_of(pin) for pin in pair)
        for end, plug in self.plugs.items():
            side = plug.behind.partition(", ")[0]
            for a in ordered(pin for pin in one if pin.end == end):
                for b in ordered(pin for pin in other if pin.end == end):
                    if how := neighbours(plug).get(frozenset((a.name, b.name))):
                        yield f"on the {side} of {end} between {both(ordered((a, b)))}, {how}"

    def _group_of(self, pin: Pin) -> frozenset[Pin]:
        """The pins that hang together with this one, joints and bridges aside."""
        group = next((group.pins for group in self.expected if pin in group.pins), frozenset((pin,)))
        return group & frozenset(self.home.get(pin, (pin,))) | {pin}

    # What comes and goes

    def _at_times(self) -> Iterator[Finding]:
        """Pairs that conduct in some looks only, and are no joint of a conductor that should."""
        group_of = {pin: number for number, group in enumerate(self.expected) for pin in group.pins}
        apart = [
            pair
            for pair in self.facts.doubtful
            if group_of.get(pair[0], pair[0]) != group_of.get(pair[1], pair[1])
            and self.home.get(pair[0], pair[0]) != self.home.get(pair[1], pair[1])
        ]
        for fact in self.facts.extra:
            pairs = [pair for pair in apart if set(pair) <= set(fact.pins)]
            if not pairs:
                continue
            steady = any(cause.joins and cause.joins[0][0] in fact.pins for cause in self.story.causes)
            pins = ordered(pin for pair in pairs for pin in pair) if steady else fact.pins
            ohms = self._ohms_of(fact.pins)
            told = Extra(pins, fact.nets, tuple(pin for pin in fact.unused if pin in pins))
            who = joined_nets(told)
            spare = f"; nothing should be on {both(told.unused)}" if told.unused else ""
            if ohms is not None and ohms >= A_LEAK_OHMS and not steady:
                text = f"{who} by a leak of {ohms_text(ohms)}: {both(pins)}{spare}"
                yield Finding("leakage", text, pins, CLEAN)
                continue
            yield Finding(
                "intermittent",
                f"{who} in some looks and not in others: {both(pins)}{spare}",
                pins,
                "Look for a whisker or a strand that moves between these pins, and for a wet or dirty spot, "
                "then scan again.",
            )

    def _whole_at_times(self, pins: Sequence[Pin]) -> bool:
        """Whether doubtful pairs join all pieces of what belongs together."""
        links = [set(one) for one in (*self.facts.nets, *self.facts.doubtful)] if self.facts.doubtful else []
        reached = {pins[0]}
        while more := [link for link in links if link & reached and not link <= reached]:
            reached.update(*more)
        return reached.issuperset(pins)

    def _ohms_of(self, pins: Sequence[Pin]) -> float | None:
        return min((leak.ohms for leak in self.facts.leaks if set(leak.pins) & set(pins)), default=None)

    # Words

    def _named(self, pin: Pin) -> str:
        """`GND (A.3)` or `A.3`."""
        return f"{self.signal[pin]} ({pin})" if pin in self.signal else str(pin)

    def _also(self, cause: Cause) -> str:
        """What else would look the same, to be said of it."""
        told = [
            self._short_of(one)
            for one in cause.also
            if not (one.kind == cause.kind == "wrong-cable") and (one.moves != cause.moves or not one.moves)
        ]
        if not told:
            return ""
        return f"; or {'; or '.join(told)}: {'these look' if len(told) > 1 else 'the two look'} the same"

    def _short_of(self, cause: Cause) -> str:
        """A cause in a few words."""
        end = cause.ends[0] if cause.ends else ""
        match cause.kind:
            case "turned":
                return f"end {end} is turned round"
            case "rows":
                return f"every conductor sits on the opposite row of {end}"
            case "mirrored":
                return f"end {end} is wired as seen from the wrong side, left and right exchanged"
            case "off":
                return f"end {end} is plugged in {cause.detail}"
            case "exchanged":
                return f"ends {both(cause.ends)} are exchanged"
            case "absent":
                return f"end {end} is not plugged in"
            case "wrong-cable":
                return f"it is wired as `{cause.detail}`"
            case "slipped":
                run = (
                    f"of {cause.pins[0]}"
                    if len(cause.pins) == 1
                    else f"from {cause.pins[0]} to {cause.pins[-1]}"
                )
                each = "the conductor" if len(cause.pins) == 1 else "every conductor"
                verb = "sits"
                return f"{each} {run} {verb} one contact further {cause.detail}"
            case "open-run":
                count = len(cause.pins)
                return f"{count} neighbours of end {end}, {cause.detail}, are open: {span(cause.pins)}"
            case "swap":
                return f"{both(cause.pins)} are exchanged"
            case "cycle":
                return f"{both(cause.pins[:MANY])} are exchanged in a circle"
            case "moved":
                return f"the conductor of {cause.pins[0]} is on {cause.pins[1]}"
            case "open" | "link-missing":
                return f"{in_pieces(cause.pieces)} are apart"
            case "tied":
                return f"{both(cause.pins[:MANY])} are tied together"
        return f"{both(cause.joins[0])} are joined"


def _said(cause: Cause) -> tuple[object, ...]:
    return cause.kind, cause.ends, cause.pins
