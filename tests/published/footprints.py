"""Pad positions that other people drew: Debian's `kicad-footprints` (CC-BY-SA-4.0), never copied.

Read where it is installed; KICAD_FOOTPRINTS names another folder of the same layout.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

Place = tuple[float, float]
Pads = dict[str, list[Place]]

HEADER = "Connector_PinHeader_2.54mm.pretty/PinHeader_{}_P2.54mm_Vertical"
SOCKET = "Connector_PinSocket_2.54mm.pretty/PinSocket_{}_P2.54mm_Vertical"
BOX_HEADER = "Connector_IDC.pretty/IDC-Header_{}_P2.54mm_Vertical"
DSUB = "Connector_Dsub.pretty/DSUB-{}_{}_Vertical_P2.77x2.84mm"
DSUB_HD = "Connector_Dsub.pretty/DSUB-15-HD_{}_Vertical_P2.29x1.98mm_MountingHoles"
GENDERS = (("plug", "Male", "Female"), ("socket", "Female", "Male"))

MECHANICAL = {"", "0", "G", "MP", "SH"}  # pads for posts, shells and screws, none of them a contact
_PAD = re.compile(r'\(pad\s+"?([^"\s]*)"?\s+\S+\s+\S+\s+\(at\s+(\S+)\s+([^\s)]+)')


def folder() -> Path:
    """The folder of footprints. Without it a person's run skips and a run of CI fails."""
    place = Path(os.environ.get("KICAD_FOOTPRINTS", "/usr/share/kicad/footprints"))
    if not (place / "Connector_IDC.pretty").is_dir():
        reason = f"no footprints in {place}: install Debian's kicad-footprints, or set KICAD_FOOTPRINTS"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    return place


def pads_of(footprint: Path) -> Pads:
    """Pad name → its places in mm as the board is seen from above, contacts only."""
    pads: Pads = {}
    for name, x, y in _PAD.findall(footprint.read_text(encoding="utf-8")):
        if name not in MECHANICAL:
            pads.setdefault(name, []).append((float(x), float(y)))
    return pads


def from_pin_1(pads: Pads) -> dict[str, Place]:
    """Each pad's place seen from pad 1. Every contact must have one pad."""
    ((left, top),) = pads["1"]
    return {name: (x - left, y - top) for name, ((x, y),) in pads.items()}
