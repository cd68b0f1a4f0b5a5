"""What is really plugged into the virtual tester, and what is wrong with that tester."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pinwright.cable.pins import Pin, parse_pin
from pinwright.cable.profile import End, Profile
from pinwright.cable.tables import seen, ticked
from pinwright.cable.wiring import printable
from pinwright.errors import BenchError, PlacementError
from pinwright.tester.adapter import Adapter
from pinwright.tester.fixture import Fixture, Socket, place, seat

from .spread import POCKET_POINTS, POINTS_PER_CHIP

LANES = ("calibrated", "uncalibrated", "none")
FIXTURES = {"tester": "tester-128", "pocket": "pocket-24"}  # `kind` in a bench file → the fixture it has
MOST_BYTES = 1_000_000
DEAD_SHORT_OHMS = 1e-3  # `ohms = 0` in a bench file
_DATE = "%Y-%m-%dT%H:%M:%SZ"  # RFC 3339, section 5.6, in UTC and without parts of a second
_OF_EXPANDERS = ("fitted", "dead_chips", "moved_chips", "flip_bits")
_MOST_LISTED = 12
_OF_THE_LANE = ("lane", "converter", "calibrated", "kelvin", "spread", "drift")


@dataclass(frozen=True, slots=True)
class Link:
    """Resistors between neighbours in `pins`. closed: the share of each period in which they conduct."""

    pins: tuple[Pin, ...]
    ohms: float = 0.1
    closed: float = 1.0
    period_ms: float = 10.0


@dataclass(frozen=True, slots=True)
class TesterSpec:
    """Which virtual board, and its faults. Points and chips are numbers; outside is in volts.

    lane, converter: the ohms lane and its faults; a number is a gain. calibrated: when, UTC; None: now.
    kelvin: how much warmer it is than it was then. spread, drift: how many times the assumed.
    """

    seed: int = 1
    fitted: int = 8
    lane: str = "calibrated"
    stuck_low: tuple[int, ...] = ()
    stuck_high: tuple[int, ...] = ()
    bridged: tuple[tuple[int, ...], ...] = ()
    cut: tuple[int, ...] = ()
    dead_chips: tuple[int, ...] = ()
    moved_chips: Mapping[int, int] = field(default_factory=lambda: MappingProxyType({}))
    no_pullup: tuple[int, ...] = ()
    converter: str | float | None = None
    flip_bits: float = 0.0
    outside: Mapping[Pin, float] = field(default_factory=lambda: MappingProxyType({}))
    drop_reply: int | None = None
    kind: str = "tester"
    calibrated: datetime | None = None
    kelvin: float = 0.0
    spread: float = 1.0
    drift: float = 1.0

    @property
    def fixture(self) -> str:
        """The id of the fixture whose sockets this board has."""
        return FIXTURES[self.kind]

    @property
    def points(self) -> int:
        """How many points it has."""
        return POCKET_POINTS if self.kind == "pocket" else POINTS_PER_CHIP * self.fitted

    def board_file(self) -> dict[str, object]:
        """What stands in board.json on the board."""
        about: dict[str, object] = {"fixture": self.fixture, "name": "virtual"}
        if self.kind == "pocket":
            return about
        return about | {"fitted": self.fitted, "lane": self.lane != "none"}


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench: only what is listed conducts.

    sockets: end → the socket it is really in, where that is not the one it should be in.
    adapters: socket → id of the adapter that is really in it, or `none`; elsewhere sits what is needed.
    """

    links: tuple[Link, ...] = ()
    tester: TesterSpec = TesterSpec()
    sockets: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    adapters: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @staticmethod
    def from_dict(data: Mapping[str, object]) -> Bench:
        """A bench from the document of a bench file. Raises BenchError at the first key that is wrong."""
        _known(data, ("link", "tester", "sockets", "adapters"), "")
        tables = data.get("link", [])
        if not isinstance(tables, list):
            raise BenchError("link", f"a link is a table under `[[link]]`, not {_kind(tables)}")
        tester = data.get("tester", {})
        links = tuple(_link(table, f"link[{index}]") for index, table in enumerate(tables, 1))
        return Bench(
            links, _tester(_table(tester, "tester")), _words(data, "sockets"), _words(data, "adapters")
        )


def good_bench(profile: Profile) -> Bench:
    """The cable as the profile describes it: each net joined pin to pin, nothing else."""
    return Bench(tuple(Link(net.pins) for net in profile.nets))


def bar_bench(bench: Bench, socket: Socket | None) -> Bench:
    """The same tester with a shorting bar in that socket, or in none, and nothing else plugged in."""
    if socket is None:
        return Bench(tester=bench.tester)
    pins = tuple(Pin(f"@{socket.name}", str(n)) for n in range(1, len(socket.points) + 1))
    return Bench((Link(pins, DEAD_SHORT_OHMS),), bench.tester)


def plugged(
    bench: Bench,
    ends: Sequence[End],
    fixture: Fixture,
    fitted_points: int,
    by_hand: Mapping[str, str],
    adapters: Sequence[Adapter],
) -> tuple[Mapping[Pin, int], tuple[Link, ...]]:
    """How the cable is really plugged in, whatever the scan is told: the point of every pin, of the cable's
    (`A.1`) and of every position that no end occupies (`@J2.7`); and the links that the adapters make.

    Through an adapter that does not take its connector, an end has pin k at position k, as through the
    generic one. Raises BenchError where [sockets] or [adapters] cannot be, PlacementError where the ends
    find no sockets in the first place.
    """
    due = place(ends, fixture, fitted_points, by_hand, adapters)
    cable_sockets = {
        socket.name: socket
        for socket in fixture.sockets
        if socket.takes_cables and max(socket.points) < fitted_points
    }
    for moved, name in bench.sockets.items():
        key = f"sockets.{printable(moved)}"
        if moved not in due.sockets:
            raise BenchError(key, f"the cable has no such end; it has {ticked(due.sockets)}")
        _one_of(name, cable_sockets, key)
    known = {adapter.id: adapter for adapter in adapters}
    for name, id in bench.adapters.items():
        key = f"adapters.{printable(name)}"
        if name not in cable_sockets:
            raise BenchError(key, f"the tester has no such socket; it has {ticked(cable_sockets)}")
        kind = cable_sockets[name].kind
        _one_of(id, ("none", *(one.id for one in adapters if one.fits == kind)), key)
    try:
        real = place(ends, fixture, fitted_points, {**due.sockets, **bench.sockets}, adapters)
    except PlacementError as error:
        raise BenchError("sockets", error.message) from None

    own = {point for pair in fixture.references for point in pair}
    pin_at = {
        point: Pin(f"@{socket.name}", str(position))
        for socket in fixture.sockets
        for position, point in enumerate(socket.points, start=1)
        if point < fitted_points and point not in own
    }
    adapter_in = {**{real.sockets[end]: id for end, id in real.adapters.items()}, **bench.adapters}
    for end in ends:
        socket = cable_sockets[real.sockets[end.name]]
        adapter = known.get(adapter_in[socket.name])
        takes = adapter is not None and end.connector.name in adapter.takes
        points = seat(end.connector, socket, adapter if takes else None)
        pin_at |= dict(zip(points, end.pins(), strict=True))
    links = tuple(
        Link(tuple(pin_at[point] for point in cable_sockets[name].at(group)))
        for name, id in adapter_in.items()
        if id in known
        for group in known[id].joined
    )
    return {pin: point for point, pin in pin_at.items()}, links


def read_bench(path: Path) -> Bench:
    """The bench in a TOML file. Raises BenchError that names the file."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise BenchError("", f"is larger than {MOST_BYTES} bytes, which no bench is")
        return Bench.from_dict(tomllib.loads(content.decode("utf-8")))
    except BenchError as error:
        raise error.in_file(str(path)) from None
    except OSError as error:
        raise BenchError("", f"cannot be read: {error.strerror or error}", file=str(path)) from None
    except UnicodeDecodeError as error:
        raise BenchError("", f"is not UTF-8 text (byte {error.start})", file=str(path)) from None
    except (ValueError, RecursionError) as error:  # a null in the path, wrong TOML, or nested beyond measure
        raise BenchError("", f"is not TOML: {error}", file=str(path)) from None


_KINDS = {
    bool: "true or false", int: "a whole number", float: "a number",
    str: "a text", list: "a list", dict: "a table",
}  # fmt: skip


def _kind(value: object) -> str:
    return _KINDS.get(type(value), f"a {type(value).__name__}")


def _known(table: Mapping[str, object], keys: Iterable[str], where: str) -> None:
    for key in table:
        if key not in keys:
            raise BenchError(f"{where}.{key}" if where else key, f"unknown key; known are {ticked(keys)}")


def _table(value: object, key: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise BenchError(key, f"must be a table, not {_kind(value)}")
    return value


def _words(data: Mapping[str, object], key: str) -> Mapping[str, str]:
    """A table of words."""
    told = {}
    for name, value in _table(data.get(key, {}), key).items():
        if not isinstance(value, str):
            raise BenchError(f"{key}.{printable(name)}", f"must be a text, not {_kind(value)}")
        told[name] = value
    return MappingProxyType(told)


def _one_of(word: object, known: Iterable[str], key: str) -> str:
    allowed = tuple(known)
    if word not in allowed:
        listed, more = allowed, ""
        if len(allowed) > _MOST_LISTED:  # those that may be meant, and that there are more
            listed = (allowed[0], *get_close_matches(printable(str(word)), allowed[1:]))
            more = f", … ({len(allowed)} in all)"
        raise BenchError(key, f"must be one of {ticked(listed)}{more}, not {seen(word)}")
    return str(word)


def _list(value: object, key: str, of: str) -> list[Any]:
    if not isinstance(value, list):
        raise BenchError(key, f"must be a list of {of}, not {_kind(value)}")
    return value


def _number(value: object, key: str, low: float, high: float, unit: str = "") -> float:
    """A finite number from low to high. Wrong types, booleans and NaN are refused."""
    wanted = f"must be a number from {low:g} to {high:g}{unit}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BenchError(key, f"{wanted}, not {_kind(value)}")
    if not low <= value <= high:  # false for NaN too
        raise BenchError(key, f"{wanted}, not {_short(value)}")
    return float(value)


def _whole(value: object, key: str, low: int, high: int, what: str = "a whole number") -> int:
    wanted = f"must be {what} from {low} to {high}"
    if isinstance(value, bool) or not isinstance(value, int):
        raise BenchError(key, f"{wanted}, not {_kind(value)}")
    if not low <= value <= high:
        raise BenchError(key, f"{wanted}, not {_short(value)}")
    return value


def _moment(value: object, key: str) -> datetime:
    wanted = "must be a date and time such as `2026-01-31T09:00:00Z`"
    if not isinstance(value, str):
        raise BenchError(key, f"{wanted}, in quotes, not {_kind(value)}")
    try:
        moment = datetime.strptime(value, _DATE).replace(tzinfo=UTC)
    except ValueError:
        raise BenchError(key, f"{wanted}, not {seen(value)}") from None
    if moment.strftime(_DATE) != value:  # it takes `2026-1-31` too
        raise BenchError(key, f"{wanted}, not {seen(value)}")
    return moment


def _short(value: float) -> str:
    """A number as people would write it, and no page of digits."""
    if isinstance(value, int) and abs(value) >= 10**20:
        return f"a number of more than {int(math.log10(abs(value)))} digits"
    return str(value)


def _pin(value: object, key: str) -> Pin:
    if not isinstance(value, str):
        raise BenchError(key, f"a pin is written END.PIN, such as `A.15`, not {_kind(value)}")
    try:
        return parse_pin(value)
    except ValueError as error:
        raise BenchError(key, str(error)) from None


def _link(value: object, key: str) -> Link:
    table = _table(value, key)
    _known(table, ("pins", "ohms", "closed", "period_ms"), key)
    if "pins" not in table:
        raise BenchError(key, "a link needs `pins`, a list of two or more")
    names = _list(table["pins"], f"{key}.pins", "two or more pins")
    pins = tuple(_pin(name, f"{key}.pins[{index}]") for index, name in enumerate(names, 1))
    if len(pins) < 2:
        raise BenchError(f"{key}.pins", f"must be two or more pins, not {len(pins)}")
    for index, pin in enumerate(pins, 1):
        if pin in pins[: index - 1]:
            raise BenchError(f"{key}.pins[{index}]", f"`{pin}` stands in this link twice")
    return Link(
        pins,
        ohms=max(DEAD_SHORT_OHMS, _number(table.get("ohms", 0.1), f"{key}.ohms", 0, 1e9, " ohms")),
        closed=_number(table.get("closed", 1.0), f"{key}.closed", 0, 1),
        period_ms=_number(table.get("period_ms", 10.0), f"{key}.period_ms", 0.001, 3_600_000, " ms"),
    )


def _tester(table: Mapping[str, Any]) -> TesterSpec:
    default = TesterSpec()
    _known(table, TesterSpec.__dataclass_fields__, "tester")
    kind = _one_of(table.get("kind", default.kind), FIXTURES, "tester.kind")
    for key in _OF_EXPANDERS:
        if kind == "pocket" and key in table:
            raise BenchError(f"tester.{key}", "a pocket tester has no expanders")
    for key in _OF_THE_LANE:
        if kind == "pocket" and key in table:
            raise BenchError(f"tester.{key}", "a pocket tester does not measure ohms")
    fitted = _whole(table.get("fitted", default.fitted), "tester.fitted", 1, 8, "a number of expanders")
    last_point, last_chip = POINTS_PER_CHIP * fitted - 1, fitted - 1
    if kind == "pocket":
        last_point = POCKET_POINTS - 1

    def numbers(key: str, what: str, last: int) -> tuple[int, ...]:
        values = _list(table.get(key, []), f"tester.{key}", f"{what}s")
        return tuple(
            _whole(value, f"tester.{key}[{index}]", 0, last, f"a {what}")
            for index, value in enumerate(values, 1)
        )

    both = set(numbers("stuck_low", "point", last_point)) & set(numbers("stuck_high", "point", last_point))
    if both:
        raise BenchError("tester.stuck_high", f"point {min(both)} is in `stuck_low` too")

    bridged = []
    for index, value in enumerate(_list(table.get("bridged", []), "tester.bridged", "groups of points"), 1):
        key = f"tester.bridged[{index}]"
        group = [
            _whole(point, f"{key}[{place}]", 0, last_point, "a point")
            for place, point in enumerate(_list(value, key, "two or more points"), 1)
        ]
        if len(set(group)) < 2:
            raise BenchError(key, f"must be two or more different points, not {group}")
        bridged.append(tuple(group))

    moved = {}
    for name, value in _table(table.get("moved_chips", {}), "tester.moved_chips").items():
        key = f"tester.moved_chips.{name}"
        if not (name.isascii() and name.isdigit() and len(name) == 1 and int(name) <= last_chip):
            raise BenchError(key, f"must be a chip from 0 to {last_chip}, not `{name}`")
        moved[int(name)] = _whole(value, key, 0, 7, "an address")

    outside = {}
    for name, value in _table(table.get("outside", {}), "tester.outside").items():
        key = f"tester.outside.{name}"
        outside[_pin(name, key)] = _number(value, key, -30, 30, " volts")

    lane = _one_of(table.get("lane", default.lane), LANES, "tester.lane")
    converter = table.get("converter")
    if isinstance(converter, str):
        if converter not in ("missing", "stuck"):
            raise BenchError("tester.converter", f"must be `missing`, `stuck` or a gain, not `{converter}`")
    elif converter is not None:
        converter = _number(converter, "tester.converter", 0, 10)

    drop_reply, calibrated = table.get("drop_reply"), table.get("calibrated")
    return TesterSpec(
        seed=_whole(table.get("seed", default.seed), "tester.seed", 0, 2**63 - 1),
        fitted=fitted,
        lane=lane,
        stuck_low=numbers("stuck_low", "point", last_point),
        stuck_high=numbers("stuck_high", "point", last_point),
        bridged=tuple(bridged),
        cut=numbers("cut", "point", last_point),
        dead_chips=numbers("dead_chips", "chip", last_chip),
        moved_chips=MappingProxyType(moved),
        no_pullup=numbers("no_pullup", "point", last_point),
        converter=converter,
        flip_bits=_number(table.get("flip_bits", default.flip_bits), "tester.flip_bits", 0, 1),
        outside=MappingProxyType(outside),
        drop_reply=None if drop_reply is None else _whole(drop_reply, "tester.drop_reply", 1, 2**31),
        kind=kind,
        calibrated=None if calibrated is None else _moment(calibrated, "tester.calibrated"),
        kelvin=_number(table.get("kelvin", default.kelvin), "tester.kelvin", -60, 60, " kelvins"),
        spread=_number(table.get("spread", default.spread), "tester.spread", 0, 5),
        drift=_number(table.get("drift", default.drift), "tester.drift", 0, 5),
    )
