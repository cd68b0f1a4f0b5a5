"""A story of causes, told as findings: what happened, where, and what to do, in the words of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from pinwright.cable.geometry import columns, neighbours
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import Profile
from pinwright.verdict.causes import BY_RULE, Cause, Group, Story, applied, groups_of
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
)

_MOST_OTHERS = 2
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
_RENAMING = ("wrong-cable", "exchanged", "turned", "rows", "mirrored", "off")
_NAMED_AS_NOW = (
    "First put right what stands above, and scan again: contacts are named here as they are plugged now."
)
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
        # Where a whole plug is wrong, contacts have other conductors than their names say.
        self.renamed = bool(self.story.causes) and self.story.causes[0].kind in _RENAMING

    def findings(self) -> list[Finding]:
        of_causes = list(self._of_causes())
        if self.renamed:
            of_causes = [of_causes[0], *(replace(one, remedy=_NAMED_AS_NOW) for one in of_causes[1:])]
        made = [*of_causes, *self._at_times()]
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
        many = any(cause.kind == "cycle" for cause in scattered) or len(scattered) > _SCATTERED // 2
        if not many or sum(len(cause.pins) for cause in scattered) <= _SCATTERED:
            scattered = []
        joined: dict[tuple[Pin, ...], list[Cause]] = {}
        for cause in self.story.causes:
            if cause in scattered:
                if cause is scattered[0]:
                    yield self._scattered(scattered)
            elif cause.joins:
                joined.setdefault(self.home[cause.joins[0][0]], []).append(cause)
            else:
                kind = "reversed" if _KIND_OF[cause.kind] == "reversed" else cause.kind
                yield getattr(self, "_" + kind.replace("-", "_"))(cause)  # the method of its name
        self.joined_pieces = list(joined)
        for piece, causes in joined.items():
            yield self._joined(piece, causes)

    def _with_others(self, first: Finding) -> Finding:
        """Stories that cost the same, in short: what is in them, and in the first instead."""
        told = []
        for story in self.others[:_MOST_OTHERS]:
            names = set(map(_said, story.causes)), set(map(_said, self.story.causes))
            own = [self._short_of(cause) for cause in self.story.causes if _said(cause) not in names[0]]
            other = [self._short_of(cause) for cause in story.causes if _said(cause) not in names[1]]
            told.append(f"Just as likely: not that {', and '.join(own)}, but that {', and '.join(other)}.")
        return replace(first, remedy=" ".join((first.remedy, *told)))

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
        ends = [one.ends for one in ways if one.kind == "absent"]
        every = any(len(one) == len(self.plugs) for one in ends)
        where = "any end" if every else f"end {either([one[0] for one in ends])}"
        if any(pin.end in one for pair in self.facts.doubtful for pin in pair for one in ends):
            text = f"nothing at {where} conducts in every look: contacts come and go"
            remedy = "Press the plugs home, keep the cable still, and scan again."
            return Finding("intermittent", text, ordered(self.at_fault), remedy)
        off = " Or does it sit one place off?" if any(one.kind == "off" for one in ways) else ""
        remedy = (
            "Plug it in, press it home, and scan again. If it is in, look whether it is the right cable, and "
            "whether crimp or solder has reached any conductor."
        )
        return self._finding(cause, f"nothing conducts at {where}: is it plugged in?{off}", remedy)

    def _wrong_cable(self, cause: Cause) -> Finding:
        others = [one for one in (cause, *cause.also) if one.kind == "wrong-cable"]
        names = [f"{_cable(one)}{_in_order_of(one.ends)}" for one in others]
        text = f"it is wired {either(names)}, not as `{self.profile.id}`{self._also(cause)}"
        remedy = "Is this the right cable, and the right profile?"
        known = [one.detail for one in others if not one.detail.startswith(BY_RULE)]
        if known:
            remedy += f" `pinwright scan {known[0]}` tests it as that one."
        return self._finding(cause, text, remedy)

    def _exchanged(self, cause: Cause) -> Finding:
        one, other = cause.ends
        text = f"ends {one} and {other} are exchanged{self._also(cause)}"
        remedy = (
            f"Are plugs {one} and {other} in each other's sockets of the tester, or their labels exchanged? "
            "If not, their ribbons were laid in the wrong order: the cable has to be made anew at one end."
        )
        return self._finding(cause, text, remedy)

    def _reversed(self, cause: Cause) -> Finding:
        text = f"{self._short_of(cause)}: {self._where_first(cause)}{self._also(cause)}"
        kinds = {one.kind for one in (cause, *cause.also)}
        ways = sorted({one.ends[0] for one in (cause, *cause.also) if one.kind == cause.kind})
        on_a_ribbon = any(plug.conductors or plug.outline == "notched" for plug in self.plugs.values())
        if "turned" in kinds and on_a_ribbon:
            remedy = (
                "Hold the cable with the ribbon's marked edge at pin 1 of every plug: the one where it comes "
                "to the other end is the wrong one, make that anew. If all are right, one is turned round in "
                "the tester."
            )
        elif cause.kind == "rows":
            remedy = (
                f"Conductors were started from the other row of {either(ways)}. Soldered: exchange each with "
                "the one opposite. Crimped: it is the other kind of plug, take one that suits."
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
        own_first = Pin(end, self.plugs[end].conductors[0]) if self.plugs[end].conductors else None
        if own_first in used:
            return f"conductor 1 was started at {goes[own_first]}, the profile starts it at {own_first}"
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
        remedy = (
            f"Unplug {either(ends)}, plug it in pin 1 to pin 1, and scan again. If it was in right, its "
            "conductors are that much further on: make that plug anew."
        )
        return self._finding(cause, text, remedy)

    def _slipped(self, cause: Cause) -> Finding:
        last, onto = cause.moves[-1]
        later = self.story.causes[self.story.causes.index(cause) + 1 :]
        left = any(onto == pin for other in later for pin, _ in other.moves)
        used = any(onto in group.pins for group in groups_of(self.profile))
        if onto is None:
            tail = f"that of {last} hangs free"
        elif onto in cause.pins:
            tail = f"that of {last} is on {onto}"
        elif used and not left:
            tail = f"{onto} holds two"
        else:
            tail = f"that of {last} is on {onto}"
        first = cause.pins[0]
        text = f"{self._short_of(cause)}; {tail}{self._also(cause)}"
        starts = [
            first,
            *(one.pins[0] for one in cause.also if one.kind == "slipped" and one.ends != cause.ends),
        ]
        if onto in cause.pins:
            remedy = (
                f"Take the conductor off {onto}, move each of the others back by one, and put it on {last}."
            )
        else:
            remedy = (
                f"Start at {', or at the other end at '.join(map(str, starts[:2]))}: move each conductor of "
                "this run back by one, one conductor to a contact; a crimped plug has to be crimped anew."
            )
        return self._finding(cause, text, remedy)

    # Single conductors

    def _swap(self, cause: Cause) -> Finding:
        one, other = cause.pins
        nets = [next((net for net in self.profile.nets if pin in net.pins), None) for pin in (one, other)]
        first, second = nets
        places = [f"at {both(way.pins)}" for way in (cause, *cause.also) if way.kind == "swap"]
        remedy = f"Exchange the two conductors {places[0]}."
        if len(places) > 1:
            where = "at one end: " if cause.ends else ""
            remedy = f"Exchange the two conductors {where}{', or '.join(places)}. {WHICH_END}"
        if first and second and len(first.pins) == len(second.pins) == 2 and not self.whole:
            (a, b), (c, d) = sorted((first.pins, second.pins), key=lambda pins: in_order(pins[0]))
            signals = list(dict.fromkeys(net.signal for net in (first, second) if net.signal))
            who = " and ".join(signals) if len(signals) == 2 else f"{a}–{b} and {c}–{d}"
            text = f"{who} are exchanged: {a} belongs with {b} and {c} with {d}, but they are crossed"
            return self._finding(cause, text, remedy, (a, b, c, d))
        grounds = [net for net in (first, second) if net and len(net.pins) > 2]
        pair = ", ground and signal of a pair" if len(grounds) == 1 and first and second else ""
        lie = f", {cause.detail}" if cause.detail and not pair else ""
        text = f"{self._named(one)} and {self._named(other)} are exchanged{pair}{lie}{self._also(cause)}"
        return self._finding(cause, text, remedy)

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
            "Check the joint or the crimp at each end. Continuity cannot tell which is broken: pierce the "
            "insulation near one plug with a needle and measure from there to its pin."
        )
        crimped = sorted(
            {pin.end for pin in alone if pin.end in self.plugs and self.plugs[pin.end].conductors}
        )
        if crimped and len(cause.pieces) == 2:
            remedy += f" A blocked key hole in a salvaged plug {either(crimped)} looks the same."
        return remedy

    def _span(self, cause: Cause) -> str:
        """The pins of a run at one end; of many in several rows, where they begin and end in each."""
        rows = [[pin for pin in cause.pins if pin.name in row] for row in self.plugs[cause.ends[0]].rows]
        if len(cause.pins) <= MANY:
            return both(cause.pins)
        ranges = [ordered(row) for row in rows if row]
        return both([f"{row[0]} to {row[-1]}" if len(row) > 1 else row[0] for row in ranges])

    def _open_run(self, cause: Cause) -> Finding:
        nets = [net.pins for pin in cause.pins for net in self.profile.nets if pin in net.pins]
        if nets and all(map(self._whole_at_times, nets)):
            text = (
                f"{len(cause.pins)} neighbours of end {cause.ends[0]}, {cause.detail}, conduct in some looks "
                f"and not in others: {self._span(cause)}"
            )
            remedy = "Press the plugs home, keep the cable still, and scan again; then look at these joints."
            return Finding("intermittent", text, ordered(self._pins(cause)), remedy)
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
                "These carry the same signal, but this cable must keep its conductors apart: cut the link, "
                "or take a plug whose contacts are not tied inside."
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
        return f"{self.signal[pin]} ({pin})" if pin in self.signal and not self.renamed else str(pin)

    def _also(self, cause: Cause) -> str:
        """What else would look the same, to be said of it."""
        told = [
            self._short_of(one)
            for one in cause.also
            if (one.kind != cause.kind or (one.kind != "wrong-cable" and one.ends != cause.ends))
            and not one.detail.startswith(BY_RULE)
            and (one.moves != cause.moves or not one.moves)
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
                return f"end {end} is wired as a mirror image"
            case "off":
                return f"end {end} is plugged in {cause.detail}"
            case "exchanged":
                return f"ends {both(cause.ends)} are exchanged"
            case "absent":
                return f"end {end} is not plugged in"
            case "wrong-cable":
                return f"it is wired {_cable(cause)}"
            case "slipped":
                if len(cause.pins) == 1:
                    return f"the conductor of {cause.pins[0]} is one contact too far {cause.detail}"
                run = f"{cause.pins[0]} to {cause.pins[-1]}"
                return f"the conductors of {run} are each one contact too far {cause.detail}"
            case "open-run":
                count = len(cause.pins)
                where = "" if cause.detail == columns(self.plugs[end]).text else f", {cause.detail},"
                return f"{count} neighbours of end {end}{where} are open: {self._span(cause)}"
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


def _cable(cause: Cause) -> str:
    """`as `null-modem``, or `pin to pin`: another cable of the library, or a rule."""
    return cause.detail.removeprefix(BY_RULE) if cause.detail.startswith(BY_RULE) else f"as `{cause.detail}`"


def _in_order_of(ends: Sequence[str]) -> str:
    """What to say where the ends of another cable are not those of the same name."""
    return f" (its ends {both(ends)} in this order)" if ends else ""


def _said(cause: Cause) -> tuple[object, ...]:
    return cause.kind, cause.ends, cause.pins
