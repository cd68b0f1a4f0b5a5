"""What a conductor's copper should measure, from its length and gauge."""

from __future__ import annotations

import math
import re

# IACS copper at 20 °C, and how it changes: NBS Handbook 100 (from memory; HyperPhysics and others agree).
RESISTIVITY_OHM_M = 1.7241e-8
PER_KELVIN = 0.00393
_GAUGE = re.compile(
    r"(?<![0-9.])([0-9]{1,2}) *AWG(?![A-Za-z0-9])|(?<![A-Za-z])AWG *([0-9]{1,2})(?![0-9.])", re.IGNORECASE
)
_THINNEST = 50


def gauge_of(wire: str) -> int | None:
    """The gauge that a description of a wire names, as `28 AWG ribbon` or `AWG 28` do; None where it names
    none, or several."""
    named = {int(one or other) for one, other in _GAUGE.findall(wire)}
    return named.pop() if len(named) == 1 and max(named) <= _THINNEST else None


def diameter_mm(gauge: int) -> float:
    """Of a solid wire of that American wire gauge. Source: the formula of ASTM B258."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def ohms_per_km(gauge: int, celsius: float = 20.0) -> float:
    """Of solid copper wire. Stranded wire of the same gauge has some per cent more or less."""
    area_mm2 = math.pi / 4 * diameter_mm(gauge) ** 2
    return RESISTIVITY_OHM_M * 1e9 / area_mm2 * (1 + PER_KELVIN * (celsius - 20))


def expected_ohms(length_mm: float | None, wire: str | None, celsius: float = 20.0) -> float | None:
    """What one conductor of a cable should measure, joints aside; None where length or gauge is not known."""
    gauge = gauge_of(wire) if wire else None
    if length_mm is None or gauge is None:
        return None
    return ohms_per_km(gauge, celsius) * length_mm / 1e6
