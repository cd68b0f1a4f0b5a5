"""stories(): what happened to a cable, found by the cheapest story that gives the measured nets exactly.

The search is greedy, bounded and deterministic. First come guesses about the whole cable: as it should be, a
plug turned or shifted, plugs exchanged, another cable of the library. Of the few that leave least to explain
each is finished with causes read off the nets themselves: where a conductor is whose other end is known. What
then is left is told as opens and joins. A story that does not give the measured nets is never told; the plain
one, of opens and joins alone, always does.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, combinations, pairwise, permutations, zip_longest

from pinwright.cable.geometry import Order, columns, neighbours, orders, shifts, ways
from pinwright.cable.pins import Pin, in_order
from pinwright.cable.profile import End, Joined, Profile
from pinwright.cable.wiring import RULES
from pinwright.verdict.causes import BY_RULE, COSTS, Cause, Group, Story, applied, gives, groups_of, linked

Nets = Sequence[Sequence[Pin]]
Pieces = tuple[tuple[Pin, ...], ...]
Beyond = Mapping[str, Mapping[tuple[int, int], Pin]]  # end → row and place off the plug → what is there

MOST_STORIES = 3
_MOST_GUESSES = 5  # about the whole cable, that are finished
_MOST_ALSO = 4
_MOST_ENDS_IN_ANY_ORDER = 4  # of another cable
_MOST_ROUNDS = 12
_LEAST, _LEAST_EACH = min(COSTS["open"], COSTS["bridge"]), 5
_LEAST_SHARE = 0.2  # of what opens and joins alone cost, exchanges and ties cost so much at least
_MOST_OF_A_MOVE = COSTS["open"] + 2 * COSTS["bridge"]  # what one conductor in its place can save
_FEW, _A_GOOD_PART = 160, 0.75
_MOST_WORK, _MOST_WORK_IF_SMALL = 14_000, 80_000  # looks at what is left, times pins that conduct
_WORST = 1 << 30
_A_PLUG = 3  # conductors that are all open at one end are more likely a plug that is not in
_RUN = 3  # opens side by side from which on they are one thing
_COUNTED = 4  # contacts of a run whose last conductor was put at its beginning
_MANY_CAUSES = 5  # that look as if a run had slipped
_MOST_INTERVALS = 8  # runs that may have slipped, of each order and way
_MOST_SLIPS = 5  # of them all, that are finished
_SMALL = 40  # pins of a cable in which a few causes easily hide each other: it gets more of both
_MOST_INTERVALS_IF_SMALL, _MOST_SLIPS_IF_SMALL = 12, 30


def stories(
    profile: Profile,
    nets: Nets,
    library: Iterable[Profile] = (),
    beyond: Beyond | None = None,
    doubtful: Iterable[tuple[Pin, Pin]] = (),
) -> tuple[Story, ...]:
    """The cheapest explanations of these nets, all of the same cost; none where nothing is wrong.

    Pure. nets: measured pieces of two or more pins. library: other cables it may be. beyond: for plugs that
    may stand one place off, the positions next to them. doubtful: pairs that conduct in some looks only.
    """
    return _Search(profile, nets, tuple(library), beyond or {}, doubtful).stories()


def plain(profile: Profile, nets: Nets) -> Story:
    """Nothing but opens and joins."""
    search = _Search(profile, nets, (), {})
    return Story(tuple(search.told_plainly(groups_of(profile))))


@dataclass(slots=True)
class _Guess:
    """Causes so far, and what they make of the profile's nets. left: about what the rest costs."""

    causes: tuple[Cause, ...]
    groups: list[Group]
    left: int

    @property
    def cost(self) -> int:
        return sum(cause.cost for cause in self.causes)

    @property
    def state(self) -> frozenset[frozenset[Pin]]:
        return _state(self.groups)


class _Search:
    """home: measured pin → its piece; a pin alone is not in it. beside: pin → its later neighbours, and how
    they lie. least: what the cheapest story so far costs. looks: how often it was asked what is left.
    at_times: pins that conduct to their own nets in some looks: no conductor of theirs is elsewhere."""

    def __init__(
        self,
        profile: Profile,
        nets: Nets,
        library: tuple[Profile, ...],
        beyond: Beyond,
        doubtful: Iterable[tuple[Pin, Pin]] = (),
    ) -> None:
        self.profile = profile
        self.ends = {end.name: end for end in profile.ends}
        self.library = library
        self.beyond = beyond
        self.pieces = [frozenset(net) for net in nets]
        self.nets = nets
        self.small = sum(len(net.pins) for net in profile.nets) <= _SMALL
        self.least = _WORST
        self.looks = 0
        self.most_slips = _MOST_SLIPS_IF_SMALL if self.small else _MOST_SLIPS
        self.most_intervals = _MOST_INTERVALS_IF_SMALL if self.small else _MOST_INTERVALS
        self.home = {pin: piece for piece in self.pieces for pin in piece}
        net_of = {pin: net for net in profile.nets for pin in net.pins}
        own = (pair for pair in doubtful if net_of.get(pair[0], 0) is net_of.get(pair[1], 1))
        self.at_times = {pin for pair in own for pin in pair}
        self._most_joins = sum(len(piece) - 1 for piece in self.pieces)
        self._parts: dict[frozenset[Pin], tuple[int, int, tuple[frozenset[Pin], ...]]] = {}
        self.near = {end.name: neighbours(end.connector) for end in profile.ends}
        self.beside: dict[Pin, list[tuple[Pin, str]]] = defaultdict(list)
        for end, near in self.near.items():
            for pair, how in near.items():
                one, other = sorted((Pin(end, pin) for pin in pair), key=in_order)
                self.beside[one].append((other, how))
        self.orders = {end.name: self._orders(end) for end in profile.ends}

    def stories(self) -> tuple[Story, ...]:
        first = _Guess((), groups_of(self.profile), 0)
        first.left = self.left(first.groups)
        if not first.left:
            return ()
        guesses = self._about_the_whole(first)
        exact = [guess for guess in guesses if not guess.left and len(guess.causes) == 1]
        told: dict[int, list[Story]] = defaultdict(list)
        chosen = [guess for guess in guesses[:_MOST_GUESSES] if self._tells(guess, first)]
        for guess in chosen if first in chosen else [*chosen, first]:
            if guess is first:
                self.looks = 0  # it has a right to its share
            if guess.cost + self.at_least(guess) > self.least or (told and self.tired):
                continue
            for end in self._finished(guess):
                shared = _shared(end.causes)
                rest = self.told_plainly(end.groups, shared)
                for causes in (end.causes, self._in_circles(end.causes)):
                    story = Story((*causes, *rest))
                    if (
                        story.cost <= self.least
                        and _possible(rest, shared)
                        and gives(story, self.profile, self.nets)
                    ):
                        told[story.cost].append(story)
                        self.least = story.cost
        opens_and_joins = Story(tuple(self.told_plainly(first.groups)))
        if not told or opens_and_joins.cost < min(told):  # exchanges pay by the single open, not by the run
            return (opens_and_joins,) if gives(opens_and_joins, self.profile, self.nets) else ()
        best = _different(told[min(told)])
        others = [cause for guess in exact for one in guess.causes for cause in (one, *one.also)]
        others = [cause for cause in others if not cause.detail.startswith(BY_RULE)]
        if any(story.causes[0].kind in ("slipped", "cycle") for story in best if len(story.causes) == 1):
            others += self._all_of_it(first)
        for number, story in enumerate(best):
            if len(story.causes) == 1:  # whatever else does all of it by itself looks the same
                best[number] = Story((_with_also(story.causes[0], others),))
        return tuple(self._only_proven(story) for story in best[:MOST_STORIES])

    def _only_proven(self, story: Story) -> Story:
        """Without those that look the same only as long as what may be linked is not."""
        if Joined.OPTIONAL not in self.profile.common.values():
            return story
        causes = list(story.causes)
        for number, cause in enumerate(story.causes):
            others = ((*story.causes[:number], other, *story.causes[number + 1 :]) for other in cause.also)
            proven = [gives(Story(other), self.profile, self.nets) for other in others]
            also = tuple(other for other, right in zip(cause.also, proven, strict=True) if right)
            causes[number] = replace(cause, also=also)
        return Story(tuple(causes))

    def _all_of_it(self, first: _Guess) -> Iterator[Cause]:
        """Slipped runs that explain everything by themselves, and as what else they may be seen: circles."""
        for cause in self._slips(first):
            if not self.left(applied(cause, first.groups)):
                yield cause
                if cause.moves[-1][1] == cause.pins[0]:
                    yield self._exchange(cause.ends[0], cause.pins)

    def _tells(self, guess: _Guess, first: _Guess) -> bool:
        """Whether a guess explains a good part of what is wrong, so that it is worth to be finished."""
        return first.left <= _FEW or guess.cost + guess.left <= _A_GOOD_PART * first.left

    # Guesses about the whole cable

    def _about_the_whole(self, first: _Guess) -> list[_Guess]:
        """The cable as it should be, and every way in which all of it may be wrong, the likeliest first.

        Those that come to the same nets are one guess, told by its cheapest cause.
        """
        by_state: dict[frozenset[frozenset[Pin]], _Guess] = {first.state: first}
        for cause in self._whole_causes():
            groups = applied(cause, first.groups)
            guess = _Guess((cause,), groups, 0)
            known = by_state.get(guess.state)
            if known is first:
                continue
            guess.left = self.left(groups)
            if known and guess.left > known.left:  # other conductors of it may be linked
                continue
            if known and guess.left == known.left:
                one = known.causes[0]
                cheapest, other = (one, cause) if one.cost <= cause.cost else (cause, one)
                known.causes = (_with_also(cheapest, [*one.also, other, *other.also]),)
                continue
            by_state[guess.state] = guess
        return sorted(by_state.values(), key=lambda guess: guess.cost + guess.left)

    def _whole_causes(self) -> Iterator[Cause]:
        # Crimped plugs are more often turned round, soldered ones more often begun at the wrong row.
        for end in sorted(self.profile.ends, key=lambda end: not end.connector.conductors):
            for way in ways(end.connector):
                if way.kind == "turned":
                    yield _whole(way.kind, (end.name,), _pins_moved(end.name, way.goes))
        for end in sorted(self.profile.ends, key=lambda end: bool(end.connector.conductors)):
            for way in ways(end.connector):
                if way.kind != "turned":
                    yield _whole(way.kind, (end.name,), _pins_moved(end.name, way.goes))
        for end in self.profile.ends:
            yield from self._off(end)
            leading = sum(any(pin.end == end.name for pin in net.pins) for net in self.profile.nets)
            if leading >= _A_PLUG and not any(pin.end == end.name for pin in self.home):
                yield _whole("absent", (end.name,), dict.fromkeys(end.pins()))
        for one, other in combinations(self.profile.ends, 2):
            if one.connector == other.connector:
                pairs = list(zip(one.pins(), other.pins(), strict=True))
                moves = {a: b for pair in pairs for a, b in (pair, pair[::-1])}
                yield _whole("exchanged", (one.name, other.name), moves)
        if len(self.profile.nets) >= _A_PLUG and not any(pin.end in self.ends for pin in self.home):
            yield _whole("absent", tuple(self.ends), dict.fromkeys(self.profile.pins()))
        yield from self._other_cables()
        yield from self._by_rules()

    def _off(self, end: End) -> Iterator[Cause]:
        rows = end.connector.rows
        beyond = self.beyond.get(end.name, {})
        for shift in shifts(end.connector):
            moves: dict[Pin, Pin | None] = {}
            for pin, (row, place) in shift.goes.items():
                if 0 <= row < len(rows) and 0 <= place < len(rows[row]):
                    moves[Pin(end.name, pin)] = Pin(end.name, rows[row][place])
                else:
                    moves[Pin(end.name, pin)] = beyond.get((row, place))
            yield _whole("off", (end.name,), moves, shift.text)

    def _other_cables(self) -> Iterator[Cause]:
        """Every profile of the library with the same connectors, its ends in every way that fits."""
        kinds = [end.connector.name for end in self.profile.ends]
        own = {frozenset(net.pins) for net in self.profile.nets}
        for other in self.library:
            if other.id == self.profile.id or sorted(end.connector.name for end in other.ends) != sorted(
                kinds
            ):
                continue
            seen = set()
            for way in permutations(other.ends) if len(kinds) <= _MOST_ENDS_IN_ANY_ORDER else [other.ends]:
                if [end.connector.name for end in way] != kinds:
                    continue
                named = dict(zip((end.name for end in way), self.ends, strict=True))
                nets = tuple(
                    tuple(sorted((Pin(named[pin.end], pin.name) for pin in net.pins), key=in_order))
                    for net in other.nets
                )
                state = frozenset(map(frozenset, nets))
                if state != own and state not in seen:
                    seen.add(state)
                    order = tuple(end.name for end in way)
                    yield Cause(
                        "wrong-cable",
                        () if order == tuple(self.ends) else order,
                        self.profile.pins(),
                        COSTS["wrong-cable"],
                        other.id,
                        nets=nets,
                    )

    def _by_rules(self) -> Iterator[Cause]:
        """A cable of two ends laid by another rule than it should be."""
        if len(self.profile.ends) != 2:
            return
        one, other = (end.pins() for end in self.profile.ends)
        laid = {"pin to pin": RULES["straight"].lay([one], other).nets}
        for plug in self.profile.ends:
            ribbon = one if plug is self.profile.ends[1] else other
            if plug.connector.outline == "notched":
                for first, row in (("high", plug.connector.pins[-1]), ("low", plug.connector.pins[0])):
                    nets = RULES["alternate"].lay([ribbon], plug.pins(), first=first).nets
                    laid[f"side by side alternately, begun at {plug.name}.{row}"] = nets
        own = {frozenset(net.pins) for net in self.profile.nets}
        for how, nets in laid.items():
            if {frozenset(net) for net in nets} != own:
                pins = self.profile.pins()
                yield Cause("wrong-cable", (), pins, COSTS["wrong-cable"], f"{BY_RULE}{how}", nets=nets)

    # Causes read off the nets

    def _finished(self, guess: _Guess) -> Iterator[_Guess]:
        """With and without slipped runs, and all exchanges that make the rest cheaper."""
        first = self._exchanged(guess)
        yield first
        if self.tired:
            return
        if guess.causes and len(first.causes) < _MANY_CAUSES:
            return  # a run that slipped as well would show as many exchanges
        # A run saves of what the rest costs by exchanges, which is less than by opens and joins.
        share = min(1.0, (self.cost_of(first) - guess.cost) / guess.left) if guess.left else 1.0
        for slipped in self._with_slips(guess)[: 1 if guess.causes else self.most_slips]:
            if not self.small and (guess.left - slipped.left) * share < COSTS["slipped"]:
                continue
            if self.tired:
                return
            if slipped.cost + max(self.at_least(slipped), _LEAST_SHARE * slipped.left) > self.least:
                continue
            once = self._exchanged(slipped)
            yield once
            if once.left and slipped.cost + 2 * COSTS["slipped"] <= self.least:
                for twice in self._with_slips(slipped)[:1]:
                    yield self._exchanged(twice)

    def _exchanged(self, guess: _Guess) -> _Guess:
        """All conductors back on their contacts whose place can be read off the nets, if that pays."""
        for _ in range(_MOST_ROUNDS):
            found = self._paying(guess) if guess.left else []
            if not found:
                break
            taken: set[Pin] = set()
            for _, cause, _ in found:
                touched = self._touched(cause, guess.groups)
                if taken.isdisjoint(touched):
                    taken |= touched
                    groups = applied(cause, guess.groups)
                    guess = _Guess((*guess.causes, cause), groups, self.left(groups))
        return guess

    def _paying(self, guess: _Guess) -> list[tuple[int, Cause, list[Group]]]:
        """Exchanges that save more than they cost: how much, and what they lead to; the best first."""
        found: dict[frozenset[frozenset[Pin]], tuple[int, Cause, list[Group]]] = {}
        for cause in self._exchanges(guess.groups):
            groups = applied(cause, guess.groups)
            gain = guess.left - self.left(groups) - cause.cost
            if gain <= 0:
                continue
            state = _state(groups)
            if state not in found:
                found[state] = gain, cause, groups
                continue
            known_gain, known, _ = found[state]
            # The same pins together, but other conductors of them may be linked.
            more = gain + cause.cost - known_gain - known.cost
            if more > 0:
                found[state] = gain, cause, groups
            elif more < 0:
                continue
            elif cause.cost < known.cost:
                found[state] = gain, _with_also(cause, [known, *known.also]), groups
            else:
                found[state] = known_gain, _with_also(known, [cause]), groups
        return sorted(found.values(), key=lambda one: -one[0])

    def _touched(self, cause: Cause, groups: Sequence[Group]) -> set[Pin]:
        moved = {pin for pair in cause.moves for pin in pair if pin}
        near = {pin for group in groups if not moved.isdisjoint(group.pins) for pin in group.pins}
        return near | moved | {other for pin in near | moved for other in self.home.get(pin, ())}

    def _exchanges(self, groups: Sequence[Group]) -> Iterator[Cause]:
        for end in self.profile.ends:
            goes, lost = self._displaced(end.name, groups)
            for chain, closed in _chains(goes):
                yield from self._of_chain(end, chain, closed, lost, groups)
        yield from self._across(groups)

    def _across(self, groups: Sequence[Group]) -> Iterator[Cause]:
        """Two conductors exchanged at contacts of different ends, where no end can be blamed alone."""
        pairs = {group.pins for group in groups if len(group.pins) == 2}
        for pair in sorted(pairs, key=lambda pins: min(map(in_order, pins))):
            one, two = sorted(pair, key=in_order)
            met = [self.home.get(pin, frozenset((pin,))) - {pin} for pin in (one, two)]
            if [len(others) for others in met] != [1, 1]:
                continue
            (first,), (second,) = met
            if frozenset((first, second)) not in pairs or in_order(first) < in_order(one):
                continue
            if one.end != second.end and two.end != first.end:
                for a, b in ((one, second), (two, first)):
                    moves = ((a, b), (b, a))
                    yield Cause("swap", (), (a, b), COSTS["swap-far"], moves=moves)

    def _of_chain(
        self, end: End, chain: Sequence[Pin], closed: bool, lost: Mapping[Pin, Group], groups: Sequence[Group]
    ) -> Iterator[Cause]:
        """A circle of contacts is an exchange; so is a path whose last conductor has no other contact."""
        steps = list(pairwise(chain))
        if closed or chain[-1] in lost:
            yield self._exchange(end.name, chain)
        used = {pin for group in groups if len(group.pins) > 1 for pin in group.pins}
        if not closed and chain[-1] not in used:
            if len(chain) == 2:
                yield self._moved_to_spare(end.name, chain)
            else:
                yield self._exchange(end.name, chain)
        if len(chain) == 2 and not closed:
            for order in self.orders[end.name]:
                one, other = (order.pins.index(pin.name) if pin.name in order.pins else -9 for pin in chain)
                if abs(one - other) == 1:
                    yield _slip(end.name, steps, order, 1 if other > one else -1)
                    break

    def _exchange(self, end: str, chain: Sequence[Pin]) -> Cause:
        moves = (*pairwise(chain), (chain[-1], chain[0]))
        if len(chain) == 2:
            near = self.near[end].get(frozenset(pin.name for pin in chain), "")
            cost = COSTS["swap" if near else "swap-far"]
            return Cause("swap", (end,), tuple(chain), cost, near, moves=moves)
        cost = COSTS["cycle"] + COSTS["cycle-more"] * (len(chain) - 3)
        return Cause("cycle", (end,), tuple(chain), cost, moves=moves)

    def _in_circles(self, causes: Sequence[Cause]) -> Sequence[Cause]:
        """With exchanges of one end told as one circle where that costs no more: two contacts of one group
        may change their conductors, so that circles through them are one."""
        groups = groups_of(self.profile)
        made = list(causes)
        number = 0
        while number < len(made):
            one = made[number]
            several = [group.pins for group in groups if len(group.pins) > 2] if one.kind in _CIRCLES else []
            for after in range(number + 1, len(made)) if several else ():
                if circle := self._one_circle(one, made[after], several):
                    made[number] = circle
                    del made[after]
                    break
            else:
                groups = applied(one, groups)
                number += 1
        return made

    def _one_circle(self, one: Cause, other: Cause, groups: Iterable[frozenset[Pin]]) -> Cause | None:
        first, second = one.pins, other.pins
        if other.kind not in _CIRCLES or one.ends != other.ends or not set(first).isdisjoint(second):
            return None
        for group in groups if one.ends else ():
            begin, on = (
                next((n for n, pin in enumerate(way) if pin in group), -1) for way in (first, second)
            )
            if min(begin, on) >= 0:
                chain = (*first[: begin + 1], *second[on + 1 :], *second[: on + 1], *first[begin + 1 :])
                circle = self._exchange(one.ends[0], chain)
                return circle if circle.cost <= one.cost + other.cost else None
        return None

    def _moved_to_spare(self, end: str, chain: Sequence[Pin]) -> Cause:
        near = self.near[end].get(frozenset(pin.name for pin in chain), "")
        return Cause("moved", (end,), tuple(chain), COSTS["moved"], near, moves=tuple(pairwise(chain)))

    def _displaced(self, end: str, groups: Sequence[Group]) -> tuple[dict[Pin, Pin], dict[Pin, Group]]:
        """Where conductors are at this end, as their other ends show: contact they belong on → contact.

        Second, the contacts whose conductor is elsewhere or nowhere, each with its group.
        """
        goes: dict[Pin, Pin] = {}
        lost: dict[Pin, Group] = {}
        homes: list[tuple[Group, frozenset[Pin], list[Pin]]] = []
        stays: dict[frozenset[Pin], set[Pin]] = defaultdict(set)
        claimed: set[frozenset[Pin]] = set()
        for group in groups:
            here = [pin for pin in group.pins if pin.end == end]
            if not here or len(group.pins) == 1:
                continue
            home = self._home_of(group, end, claimed)
            homes.append((group, home, here))
            claimed.add(home)
            stays[home].update(pin for pin in here if pin in home)
        for group, home, here in homes:
            gone = sorted((pin for pin in here if pin not in home), key=in_order)
            if not gone:
                continue
            lost |= dict.fromkeys(gone, group)
            free = [
                pin for pin in home if pin.end == end and pin not in stays[home] and pin not in goes.values()
            ]
            free.sort(key=in_order)
            for pin in gone:
                if not free:
                    break
                nearest = min(free, key=lambda other: (not self._near(pin, other), in_order(other)))
                goes[pin] = nearest
                free.remove(nearest)
        return goes, {pin: group for pin, group in lost.items() if pin not in goes}

    def _near(self, one: Pin, other: Pin) -> bool:
        return frozenset((one.name, other.name)) in self.near[one.end]

    def _home_of(self, group: Group, end: str, claimed: set[frozenset[Pin]]) -> frozenset[Pin]:
        """The measured piece that holds most of a group's pins at other ends; of a group at this end alone,
        most of its pins, and rather one that is no other group's."""
        others = [pin for pin in group.pins if pin.end != end]
        if len(others) == 1:
            return self.home.get(others[0], frozenset(others))
        counts: Counter[frozenset[Pin]] = Counter()
        for pin in sorted(others or group.pins, key=in_order):
            counts[self.home.get(pin, frozenset((pin,)))] += 1
        most = max(counts.values())
        return max(
            (home for home, count in counts.items() if count == most),
            key=lambda home: (bool(others) or home not in claimed, any(pin.end == end for pin in home)),
        )

    # A run that slipped

    def _with_slips(self, guess: _Guess) -> list[_Guess]:
        """The slipped runs that pay, those that explain most first."""
        found: dict[frozenset[frozenset[Pin]], _Guess] = {}
        for cause in self._slips(guess) if guess.left else ():
            groups = applied(cause, guess.groups)
            left = self.left(groups)
            if left + cause.cost >= guess.left:
                continue
            state = _state(groups)
            if state in found and left > found[state].left:
                continue
            if state in found and left == found[state].left:
                found[state].causes = (*guess.causes, _with_also(found[state].causes[-1], [cause]))
            else:
                found[state] = _Guess((*guess.causes, cause), groups, left)
        return sorted(found.values(), key=lambda one: (one.left, -len(one.causes[-1].pins)))

    def _slips(self, guess: _Guess) -> Iterator[Cause]:
        """Runs that seem to have slipped, by how many contacts show it, each with the ends it may have."""
        groups = guess.groups
        runs: list[tuple[int, str, Order, int, list[Pin], int]] = []
        # Runs too short to leave little enough are not worth a try.
        enough = (_LEAST_SHARE * guess.left + guess.cost + COSTS["slipped"] - self.least) / _LEAST_SHARE
        for end in self.profile.ends:
            goes, lost = self._displaced(end.name, groups)
            if not (goes or lost):
                continue
            group_of = {
                pin: group.pins
                for group in groups
                if len(group.pins) > 1
                for pin in group.pins
                if pin.end == end.name
            }
            home_of = {pins: self._home_of(Group(pins), end.name, set()) for pins in group_of.values()}
            piece_of = {pin: home_of[pins] for pin, pins in group_of.items()}
            for order in self.orders[end.name]:
                line = [Pin(end.name, pin) for pin in order.pins]
                for step in (1, -1):
                    way = line[::step]
                    hits = [
                        pin not in piece_of.get(pin, (pin,)) and after in piece_of.get(pin, ())
                        for pin, after in zip_longest(way, way[1:])
                    ]
                    # those whose conductor may be one contact further, though it may be elsewhere as well
                    may = [
                        pin in lost or pin in goes or after in piece_of.get(pin, ())
                        for pin, after in zip_longest(way, way[1:])
                    ]
                    stays = [
                        pin in piece_of.get(pin, ()) and after not in piece_of.get(pin, ())
                        for pin, after in zip_longest(way, way[1:])
                    ]
                    # the last of a run of one net's contacts, which is seen at its two ends only
                    beside = [
                        {pin, after} <= piece_of.get(pin, frozenset()) and after not in group_of[pin]
                        for pin, after in zip_longest(way, way[1:])
                    ]
                    shown = [
                        2 * hit + near - stay for hit, near, stay in zip(hits, beside, stays, strict=True)
                    ]
                    for score, begin, last in _intervals(may, shown, self.most_intervals):
                        if begin == last and way[begin] in self.at_times:
                            continue
                        if (last - begin + 2) * _MOST_OF_A_MOVE >= enough:
                            run = way[begin : last + 2]
                            runs.append((score, end.name, order, step, run, len(way) - last))
        best = max((score for score, *_ in runs), default=0)
        for score, name, order, step, run, left in sorted(runs, key=lambda one: -one[0]):
            if score * 2 >= best:
                yield from self._run(name, order, step, run, left)

    def _run(self, end: str, order: Order, step: int, way: Sequence[Pin], left: int) -> Iterator[Cause]:
        """A slipped run, its last conductor wherever that may be: on the next contact (the last of `way`,
        unless none is left), hanging free, or on the contact that was left empty."""
        run, over = (way[:-1], way[-1]) if left > 1 else (way, None)
        ways: list[Pin | None] = [over, None, run[0]] if len(run) > 1 else [over]
        if 1 < len(run) < _COUNTED:
            ways.remove(run[0])  # rather a circle than a run
        for onto in dict.fromkeys(ways):
            if onto != run[0] or over is not None:
                yield _slip(end, [*pairwise(run), (run[-1], onto)], order, step)

    def _orders(self, end: End) -> tuple[Order, ...]:
        """The orders of an end's own, and those in which the ribbons crimped on other ends come to it."""
        made = {order.pins: order for order in orders(end.connector)}
        ribbons = [
            other for other in self.profile.ends if other.name != end.name and other.connector.conductors
        ]
        places: dict[str, tuple[int, str]] = {}
        laid: list[Order] = []
        for other in ribbons:
            at = {Pin(other.name, pin): number for number, pin in enumerate(other.connector.conductors)}
            own: dict[str, tuple[int, str]] = {}
            for net in self.profile.nets:
                here = [pin for pin in net.pins if pin.end == end.name]
                there = [pin for pin in net.pins if pin in at]
                if len(here) == len(there) == 1:
                    own[here[0].name] = at[there[0]], other.name
            places |= own
            if len(own) > 1:
                pins = tuple(sorted(own, key=lambda pin: own[pin]))
                laid.append(Order(f"as they lie on the ribbon of {other.name}", pins))
        if laid and not end.connector.conductors:  # how this cable is laid is known
            made = {pins: order for pins, order in made.items() if order.text != "along the ribbon"}
        for order in laid:
            made.setdefault(order.pins, order)
        if len(ribbons) > 1 and len(places) > 1:
            pins = tuple(sorted(places, key=lambda pin: places[pin]))
            made.setdefault(pins, Order("along the woven ribbons", pins))
        return tuple(made.values())

    # What is left: opens and joins

    @property
    def tired(self) -> bool:
        """Whether so much was tried that no short story is to be hoped for: wiring at random."""
        return self.looks * len(self.home) > (_MOST_WORK_IF_SMALL if self.small else _MOST_WORK)

    def cost_of(self, guess: _Guess) -> int:
        """Of the story that ends with opens and joins now."""
        return guess.cost + sum(cause.cost for cause in self.told_plainly(guess.groups))

    def at_least(self, guess: _Guess) -> int:
        """About the least that the rest can cost: an exchange of two makes two pieces right, a longer one
        hardly more for each, a slipped run any number."""
        whole = {group.pins for group in guess.groups}
        wrong = sum(piece not in whole for piece in self.pieces)
        return max(_LEAST if guess.left else 0, min(COSTS["slipped"], _LEAST_EACH * (wrong - 1)))

    def left(self, groups: Sequence[Group]) -> int:
        """About what opens and joins cost that turn these groups into the measured pieces."""
        self.looks += 1
        cuts, joins = 0, self._most_joins
        linked_here: set[tuple[str, frozenset[Pin]]] = set()
        for group in groups:
            cut, joined, pieces = self._parts.get(group.pins) or self._part(group.pins)
            cuts += cut
            joins -= joined
            if group.optional:
                for piece in pieces:
                    keys = {(signal, piece) for signal in group.optional}
                    joins -= not keys.isdisjoint(linked_here)
                    linked_here |= keys
        return COSTS["open"] * cuts + COSTS["bridge"] * joins

    def _part(self, pins: frozenset[Pin]) -> tuple[int, int, tuple[frozenset[Pin], ...]]:
        """Into how many pieces less one these pins fall; how many joins they spare, being together; and the
        measured pieces they are in."""
        counts = Counter(piece for pin in pins if (piece := self.home.get(pin)))
        together = sum(counts.values())
        cuts = max(0, len(counts) + len(pins) - together - 1)
        told = self._parts[pins] = cuts, together - len(counts), tuple(counts)
        return told

    def told_plainly(self, groups: Sequence[Group], shared: Collection[Pin | None] = ()) -> list[Cause]:
        """Opens and joins that turn these groups into the measured pieces, runs and ties of them as one.

        shared: contacts with two conductors, which are no part of a run.
        """
        split = [self._split(group) for group in groups]
        broken = [pieces for pieces in split if len(pieces) > 1]
        opens = list(self._opens(broken, shared))
        # The contacts of an open run have no conductor any more that may be linked.
        free = {(pin,) for cause in opens if cause.kind == "open-run" for pin in cause.pins}
        parts = [
            Group(frozenset(piece)) if piece in free else group.part(piece)
            for group, pieces in zip(groups, split, strict=True)
            for piece in pieces
        ]
        return [*opens, *self._joins(parts)]

    def _split(self, group: Group) -> Pieces:
        """A group's pins, together as they were measured."""
        split: dict[frozenset[Pin], list[Pin]] = {}
        for pin in sorted(group.pins, key=in_order):
            split.setdefault(self.home.get(pin, frozenset((pin,))), []).append(pin)
        return tuple(map(tuple, split.values()))

    def _opens(self, broken: Sequence[Pieces], shared: Collection[Pin | None]) -> Iterator[Cause]:
        """Runs of open contacts at one end first, as long as that is cheaper than each by itself."""
        left = list(broken)
        while runs := [run for run in self._open_runs(left, shared) if run[0] > COSTS["open-run"]]:
            best = max(runs, key=lambda run: run[0])
            fewer = [_without(pieces, best[1].pins) for pieces in left]
            same = [run[1] for run in runs if [_without(pieces, run[1].pins) for pieces in left] == fewer]
            covers = [run[1] for run in runs if run[0] == best[0] and self._covers(left, run[1], best[1])]
            yield _with_also(best[1], [*same, *covers])
            left = [pieces for pieces in fewer if len(pieces) > 1]
        for pieces in left:
            pins = tuple(pin for piece in pieces for pin in piece)
            # whole conductors: what is missing is the link between them
            linkless = all(len({pin.end for pin in piece}) > 1 for piece in pieces)
            kind, count = ("link-missing", 1) if linkless else ("open", len(pieces) - 1)
            yield Cause(kind, (), pins, COSTS[kind] * count, pieces=pieces)

    def _covers(self, broken: Sequence[Pieces], one: Cause, other: Cause) -> bool:
        """Whether two runs make the same groups whole."""

        def left(run: Cause) -> list[int]:
            return [len(_without(pieces, run.pins)) for pieces in broken]

        return left(one) == left(other) and max(left(one)) < 2

    def _open_runs(
        self, broken: Sequence[Pieces], shared: Collection[Pin | None]
    ) -> Iterator[tuple[int, Cause]]:
        """Open contacts side by side at one end, unused ones between them not counted, each run with what
        its opens cost by themselves."""
        for end in self.profile.ends:
            alone = {
                piece[0].name: number
                for number, pieces in enumerate(broken)
                for piece in pieces
                if len(piece) == 1 and piece[0].end == end.name and piece[0] not in shared
            }
            if len(alone) < _RUN:
                continue
            used = {pin.name for net in self.profile.nets for pin in net.pins if pin.end == end.name}
            for order in (columns(end.connector), *self.orders[end.name]):
                run: list[str] = []
                for name in (*(pin for pin in order.pins if pin in used or pin in alone), ""):
                    if name in alone:
                        run.append(name)
                        continue
                    if len(run) >= _RUN:
                        of = Counter(alone[pin] for pin in run)
                        cuts = sum(min(count, len(broken[number]) - 1) for number, count in of.items())
                        pins = tuple(Pin(end.name, pin) for pin in run)
                        moves = tuple((pin, None) for pin in pins)
                        cost = COSTS["open-run"]
                        yield (
                            COSTS["open"] * cuts,
                            Cause("open-run", (end.name,), pins, cost, order.text, moves=moves),
                        )
                    run = []

    def _joins(self, parts: Sequence[Group]) -> Iterator[Cause]:
        """What joins parts into the measured pieces: bridges between neighbours first, then any."""
        inside: dict[frozenset[Pin], list[Group]] = defaultdict(list)
        covered: set[Pin] = set()
        for part in parts:
            home = self.home.get(next(iter(part.pins))) if part.pins else None
            covered |= part.pins
            if home:
                inside[home].append(part)
        for piece in self.pieces:
            blocks = [part.pins for part in linked(inside[piece])]
            blocks += [frozenset((pin,)) for pin in piece if pin not in covered]
            if len(blocks) > 1:
                yield from self._join(sorted(blocks, key=lambda block: min(map(in_order, block))))

    def _join(self, blocks: Sequence[frozenset[Pin]]) -> Iterator[Cause]:
        if self._of_one_never(blocks):
            pairs = self._spanning(blocks)
            joins = tuple(pair for pair, _ in pairs)
            yield Cause("link-extra", (), _pins_of(blocks), COSTS["link-extra"], joins=joins)
            return
        bridges = [
            Cause(
                "bridge", (pair[0].end,), pair, COSTS["bridge" if near else "bridge-far"], near, joins=(pair,)
            )
            for pair, near in self._spanning(blocks)
        ]
        tied = self._tied(blocks)
        if tied and tied.cost < sum(bridge.cost for bridge in bridges):
            yield tied
        else:
            yield from bridges

    def _tied(self, blocks: Sequence[frozenset[Pin]]) -> Cause | None:
        """All of them joined at one end, if each has a pin there."""
        if len(blocks) < _RUN:
            return None
        ends = [end for end in self.ends if all(any(pin.end == end for pin in block) for block in blocks)]
        if not ends:
            return None
        made = []
        for end in ends:
            pins = [min((pin for pin in block if pin.end == end), key=in_order) for block in blocks]
            joins = tuple((pins[0], pin) for pin in pins[1:])
            made.append(Cause("tied", (end,), tuple(pins), COSTS["tied"], joins=joins))
        return _with_also(made[0], made[1:])

    def _of_one_never(self, blocks: Sequence[frozenset[Pin]]) -> bool:
        """Whether these are conductors of one signal that must not be linked."""
        net_of = {pin: net for net in self.profile.nets for pin in net.pins}
        signals = set()
        for block in blocks:
            nets = {id(net_of.get(pin)): net_of.get(pin) for pin in block}
            net = next(iter(nets.values()))
            if len(nets) > 1 or net is None or self.profile.common.get(net.common) is not Joined.NEVER:
                return False
            signals.add(net.common)
        return len(signals) == 1

    def _spanning(self, blocks: Sequence[frozenset[Pin]]) -> list[tuple[tuple[Pin, Pin], str]]:
        """Pairs of pins that join all blocks: neighbours where there are, else the first pins of one end."""
        of = {pin: number for number, block in enumerate(blocks) for pin in block}
        parent = list(range(len(blocks)))

        def root(number: int) -> int:
            while parent[number] != number:
                number = parent[number]
            return number

        found = [
            ((pin, other), how)
            for pin in of
            for other, how in self.beside.get(pin, ())
            if of.get(other, of[pin]) != of[pin]
        ]
        chosen = []
        for pair, how in sorted(
            found, key=lambda one: (_KIND_OF_NEAR.get(one[1][:9], 2), *map(in_order, one[0]))
        ):
            one_root, other_root = (root(of[pin]) for pin in pair)
            if one_root != other_root:
                parent[other_root] = one_root
                chosen.append((pair, how))
        for one_block, other_block in pairwise(blocks):
            one_root, other_root = (
                root(of[min(one_block, key=in_order)]),
                root(of[min(other_block, key=in_order)]),
            )
            if one_root != other_root:
                parent[other_root] = one_root
                chosen.append((_nearest_ends(one_block, other_block), ""))
        return chosen


_CIRCLES = ("swap", "cycle")
_KIND_OF_NEAR = {"neighbour": 0, "opposite ": 1}


def _without(pieces: Pieces, pins: Iterable[Pin]) -> Pieces:
    """The pieces without those of a single one of these pins."""
    off = set(pins)
    return tuple(piece for piece in pieces if len(piece) > 1 or piece[0] not in off)


def _shared(causes: Iterable[Cause]) -> set[Pin | None]:
    """Contacts on which a slipped run may have left two conductors; None where these went off it since."""
    shared: set[Pin | None] = set()
    for cause in causes:
        goes = dict(cause.moves)
        shared = {goes.get(pin, pin) if pin else None for pin in shared}
        if cause.kind == "slipped":
            shared |= {onto for _, onto in cause.moves[-1:] if onto}
    return shared


def _possible(opens: Iterable[Cause], shared: Collection[Pin | None]) -> bool:
    """Whether no contact with two conductors is open, and they still together."""
    off = any(len(piece) == 1 and piece[0] in shared for cause in opens for piece in cause.pieces)
    return not off and None not in shared


def _whole(kind: str, ends: tuple[str, ...], moves: Mapping[Pin, Pin | None], detail: str = "") -> Cause:
    return Cause(kind, ends, tuple(moves), COSTS[kind], detail, moves=tuple(moves.items()))


def _pins_moved(end: str, goes: Mapping[str, str]) -> dict[Pin, Pin | None]:
    return {Pin(end, pin): Pin(end, other) for pin, other in goes.items()}


def _slip(end: str, steps: Sequence[tuple[Pin, Pin | None]], order: Order, step: int) -> Cause:
    pins = tuple(pin for pin, _ in steps)
    towards = order.pins[-1] if step > 0 else order.pins[0]
    return Cause(
        "slipped",
        (end,),
        pins,
        COSTS["slipped"],
        f"{order.text}, towards {Pin(end, towards)}",
        moves=tuple(steps),
    )


def _chains(goes: Mapping[Pin, Pin]) -> Iterator[tuple[list[Pin], bool]]:
    """Paths from contact to contact, and circles (true), each once."""
    met = set(goes.values())
    done: set[Pin] = set()
    for start in sorted(goes, key=lambda pin: (pin in met, in_order(pin))):  # paths first
        if start in done:
            continue
        chain = [start]
        while chain[-1] in goes and (after := goes[chain[-1]]) != start and after not in done:
            chain.append(after)
        done |= set(chain)
        yield chain, chain[-1] in goes and goes[chain[-1]] == start


def _intervals(may: Sequence[bool], shown: Sequence[int], most: int) -> list[tuple[int, int, int]]:
    """Score, first and last of the runs that fit best. shown: of each contact, how much it speaks for a slip
    or against one."""
    ends = [number for number, fits in enumerate(may) if fits]
    sums = [0, *accumulate(shown)]
    found = [
        (sums[begin] - sums[last + 1], last - begin, begin, last)
        for place, begin in enumerate(ends)
        for last in ends[place:]
        if sums[last + 1] > sums[begin]
    ]
    return [(-least, begin, last) for least, _, begin, last in sorted(found)[:most]]


def _nearest_ends(one: frozenset[Pin], other: frozenset[Pin]) -> tuple[Pin, Pin]:
    """The first pin of each, at one end where both have one."""
    shared = min({pin.end for pin in one} & {pin.end for pin in other}, default="")
    first, second = (
        min((pin for pin in block if shared in ("", pin.end)), key=in_order) for block in (one, other)
    )
    return first, second


def _pins_of(blocks: Iterable[frozenset[Pin]]) -> tuple[Pin, ...]:
    return tuple(sorted((pin for block in blocks for pin in block), key=in_order))


def _state(groups: Iterable[Group]) -> frozenset[frozenset[Pin]]:
    return frozenset(group.pins for group in groups if len(group.pins) > 1)


def _with_also(cause: Cause, others: Iterable[Cause]) -> Cause:
    """The cause, with others that look the same, each once."""
    known = {_name(cause)}
    also = []
    for other in (*cause.also, *others):
        if _name(other) not in known:
            known.add(_name(other))
            also.append(other.alone())
    return replace(cause, also=tuple(also[:_MOST_ALSO]))


def _name(cause: Cause) -> tuple[object, ...]:
    detail = cause.detail if cause.kind in ("wrong-cable", "off") else ""
    return cause.kind, cause.ends, detail, frozenset(cause.pins)


def _different(told: Sequence[Story]) -> list[Story]:
    """Stories of which no two say the same."""
    made: dict[frozenset[object], Story] = {}
    for story in told:
        made.setdefault(frozenset(map(_name, story.causes)), story)
    return list(made.values())
