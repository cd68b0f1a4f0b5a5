"""The modules of hardware/ that make the board: they belong to no package and find each other by name."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
sys.path[:0] = [str(HARDWARE), str(HARDWARE / "spice")]

import boardfile  # noqa: E402
import build  # noqa: E402
import circuit  # noqa: E402
import electrical  # noqa: E402
import guide  # noqa: E402
import netlist  # noqa: E402
import router  # noqa: E402
import run as spice  # noqa: E402
import sexpr  # noqa: E402

# fmt: off
__all__ = [
    "HARDWARE", "ROOT", "boardfile", "build", "circuit", "electrical", "guide", "netlist", "router", "sexpr",
    "spice",
]
# fmt: on
