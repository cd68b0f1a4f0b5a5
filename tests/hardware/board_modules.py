"""The modules of hardware/ that make the board: they belong to no package and find each other by name."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
sys.path.insert(0, str(HARDWARE))

import boardfile  # noqa: E402
import build  # noqa: E402
import circuit  # noqa: E402
import electrical  # noqa: E402
import netlist  # noqa: E402
import router  # noqa: E402
import sexpr  # noqa: E402

__all__ = ["HARDWARE", "ROOT", "boardfile", "build", "circuit", "electrical", "netlist", "router", "sexpr"]
