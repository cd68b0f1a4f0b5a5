"""What a virtual tester keeps of itself: a calibration and a long check, as its parts would give them."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

from pinwright.tester.calibration import Calibration, LongCheck

from .bench import TesterSpec
from .board import TEN_OHM_REFERENCE, ZERO_REFERENCE
from .circuit import HARD_OHMS
from .spread import CALIBRATED_CELSIUS, SHUNT_OHMS, parts_of

CALIBRATION, CHECK = "calibration.bin", "check.bin"  # on the board's flash
MEASURING_OHMS, MEASURING_STEPS = 0.05, 2.0  # rms errors of a resistance, and of a leak reading
_SUPPLY_RANGE, _SHUNT_RANGE = 1, 5  # PGA: 4.096 V and 0.256 V
_SOCKETS = {"J1": 40, "S1": 80, "J2": 120}  # how many points there must be
_BAR_POINTS = 120  # those that a shorting bar in a socket reaches


def calibration_of(spec: TesterSpec, made: datetime) -> Calibration:
    """What a calibration found when the board was at that temperature and sound.

    Resistances come in the host's ohms, that is as if the shunt had 22 ohms and the converter no error: the
    path is the supply over the current, and both are read by the same converter, in two of its ranges.
    """
    parts = parts_of(spec.seed, spec.fitted, spread=spec.spread, drift=spec.drift)
    rng = random.Random(f"calibration {spec.seed}")
    scale = SHUNT_OHMS / parts.shunt_ohms
    scale *= parts.converter_gains[_SUPPLY_RANGE] / parts.converter_gains[_SHUNT_RANGE]

    def seen(ohms: float) -> float:
        return ohms * scale + rng.gauss(0.0, MEASURING_OHMS)

    high = [point.out_high_ohms + point.series_ohms for point in parts.points]
    low = [point.out_low_ohms + point.series_ohms for point in parts.points]
    references = []
    for (a, b), ohms in ((ZERO_REFERENCE, HARD_OHMS), (TEN_OHM_REFERENCE, parts.reference_ohms)):
        if TEN_OHM_REFERENCE[1] < len(parts.points):
            references += [seen(high[a] + ohms + low[b]), seen(high[b] + ohms + low[a])]
    return Calibration(
        made,
        tuple(seen(ohms) if point < _BAR_POINTS else None for point, ohms in enumerate(high)),
        tuple(seen(ohms) if point < _BAR_POINTS else None for point, ohms in enumerate(low)),
        tuple(round(rng.gauss(0.0, MEASURING_STEPS)) for _ in parts.points),
        tuple(references),
        CALIBRATED_CELSIUS,
    )


def keep(flash: Path, spec: TesterSpec) -> dict[str, bytes]:
    """Put both on a board's flash where it is to be calibrated and has none; returns the files written."""
    if spec.kind != "tester" or spec.lane != "calibrated":
        return {}
    made = (spec.calibrated or datetime.now(UTC)).replace(microsecond=0)
    sockets = tuple(name for name, points in _SOCKETS.items() if points <= spec.points)
    written = {}
    for name, content in (
        (CALIBRATION, calibration_of(spec, made).to_bytes()),
        (CHECK, LongCheck(made, passed=True, measured=True, sockets=sockets, text="").to_bytes()),
    ):
        if not (flash / name).exists():
            (flash / name).write_bytes(content)
            written[name] = content
    return written
