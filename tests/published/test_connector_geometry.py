"""The places of pins against pad positions that other people drew: Debian's `kicad-footprints`.

Which side is which. A footprint is drawn as the board is seen from above, x right and y down. The
connectors compared here stand upright on the board, so whoever looks at the board looks into their
mating face, and their pads lie straight below their contacts. Therefore:

- A connector of ours is compared in its own mating-face view with the footprint of the *same* gender: a
  plug with the male footprint, a header with headers, a crimped socket with sockets. Whether the
  connector sits on a board or on a cable does not change its face.
- It is compared from behind with the footprint of the *other* gender: plugged into the board's
  connector, it turns its back to whoever looks at the board, and its pins lie over their partners.
- A DIP is drawn from the top, and the top is what is seen of a DIP on a board.
"""

from __future__ import annotations

from collections.abc import Callable
from math import dist
from pathlib import Path

import pytest

from pinwright.cable.connectors import Connector, connector

from .footprints import (
    BOX_HEADER,
    DSUB,
    DSUB_HD,
    GENDERS,
    HEADER,
    SOCKET,
    folder,
    from_pin_1,
    pads_of,
)


@pytest.fixture(scope="session")
def footprints() -> Path:
    return folder()


def in_front(this: Connector) -> Connector:
    return this


def behind(this: Connector) -> Connector:
    return this.from_behind()


BOX_HEADERS = (3, 4, 5, 6, 7, 8, 10, 12, 13, 15, 17, 20, 25, 30, 32)
NARROW_DIPS, WIDE_DIPS = (4, 6, 8, 10, 12, 14, 16, 18, 20, 22), (24, 28, 32, 40, 42, 48, 64)

CASES: list[tuple[str, Callable[[Connector], Connector], str]] = [
    *((f"header-2x{n}", in_front, HEADER.format(f"2x{n:02}")) for n in range(1, 41)),
    *((f"header-2x{n}", in_front, BOX_HEADER.format(f"2x{n:02}")) for n in BOX_HEADERS),
    *((f"header-2x{n}", behind, SOCKET.format(f"2x{n:02}")) for n in range(1, 41)),
    *((f"idc-2x{n}", in_front, SOCKET.format(f"2x{n:02}")) for n in range(3, 33)),
    *((f"idc-2x{n}", behind, BOX_HEADER.format(f"2x{n:02}")) for n in BOX_HEADERS),
    *((f"row-{n}", in_front, HEADER.format(f"1x{n:02}")) for n in range(1, 41)),
    *((f"row-{n}", behind, SOCKET.format(f"1x{n:02}")) for n in range(1, 41)),
    *((f"dip-{n}", in_front, f"Package_DIP.pretty/DIP-{n}_W7.62mm") for n in NARROW_DIPS),
    *((f"dip-{n}", in_front, f"Package_DIP.pretty/DIP-{n}_W15.24mm") for n in WIDE_DIPS),
    *((f"dsub-{n}-{g}", in_front, DSUB.format(n, same)) for n in (9, 15, 25, 37) for g, same, _ in GENDERS),
    *((f"dsub-{n}-{g}", behind, DSUB.format(n, other)) for n in (9, 15, 25, 37) for g, _, other in GENDERS),
    *((f"dsub-15hd-{g}", in_front, DSUB_HD.format(same)) for g, same, _ in GENDERS),
    *((f"dsub-15hd-{g}", behind, DSUB_HD.format(other)) for g, _, other in GENDERS),
]


@pytest.mark.parametrize(("name", "side", "footprint"), CASES)
def test_pins_lie_where_the_pads_of_the_footprint_lie(
    footprints: Path, name: str, side: Callable[[Connector], Connector], footprint: str
) -> None:
    pads = from_pin_1(pads_of(footprints / f"{footprint}.kicad_mod"))
    seen = side(connector(name)).positions
    assert set(pads) == set(seen)
    far = {pin: (pads[pin], seen[pin]) for pin in seen if dist(pads[pin], seen[pin]) > 0.02}
    assert not far


# Crimped on a ribbon, the contacts of both rows take the conductors in the order in which they lie across
# it. Sorting the pads across the ribbon therefore gives the conductors: 1 is at the edge of pin 1.
@pytest.mark.parametrize("count", [9, 15, 25, 37])
def test_conductors_meet_a_dsub_in_the_order_in_which_its_pads_lie_across_the_ribbon(
    footprints: Path, count: int
) -> None:
    pads = from_pin_1(pads_of(footprints / f"{DSUB.format(count, 'Male')}.kicad_mod"))
    assert sorted(pads, key=lambda pin: pads[pin]) == list(connector(f"dsub-{count}-plug").conductors)


# A footprint of a jack does not say which way up the jack lies, so it tells the order of the contacts
# but not whether 1 is at the left; and its pads are staggered where the contacts are in one line.
# Jacks with further numbered pads (lamps, transformers) are left aside. RJ12 and RJ25: six contacts of 6P6C.
@pytest.mark.parametrize(("name", "jack", "at_least"), [("8p8c", "RJ45_*", 5), ("6p6c", "RJ[12][25]_*", 2)])
def test_contacts_of_modular_jacks_follow_each_other_in_one_line(
    footprints: Path, name: str, jack: str, at_least: int
) -> None:
    pins = connector(name).pins
    folder = footprints / "Connector_RJ.pretty"
    jacks = [pads_of(path) for path in sorted(folder.glob(f"{jack}.kicad_mod"))]
    plain = [from_pin_1(pads) for pads in jacks if set(pads) == set(pins)]
    assert len(plain) >= at_least
    for pads in plain:
        x, y = pads[pins[-1]]
        along = [place[0] if abs(x) > abs(y) else place[1] for place in map(pads.__getitem__, pins)]
        assert along in (sorted(along), sorted(along, reverse=True))
        assert len(along) == len(set(along))


# Upright receptacles again, so same gender, same face. How far pin 3 lies below the others differs between
# male (3.81 mm) and female (4.45 mm) pads and is not the distance of the contacts: 0.7 mm are let pass.
@pytest.mark.parametrize(("name", "gender"), [("xlr-3-plug", "male"), ("xlr-3-socket", "female")])
def test_pins_of_an_xlr_lie_as_those_of_upright_receptacles(footprints: Path, name: str, gender: str) -> None:
    upright = sorted((footprints / "Connector_Audio.pretty").glob("Jack_XLR_*_Vertical.kicad_mod"))
    same = [path for path in upright if f"3 pole {gender} " in path.read_text(encoding="utf-8")]
    assert len(same) >= 5
    seen = connector(name).positions
    for path in same:
        pads = from_pin_1(pads_of(path))
        assert pads["2"] == pytest.approx(seen["2"], abs=0.02)
        assert pads["3"][0] == pytest.approx(seen["3"][0], abs=0.02)
        assert pads["3"][1] == pytest.approx(seen["3"][1], abs=0.7)
