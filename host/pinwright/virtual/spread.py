"""No two boards are alike: the parts of one virtual board, drawn from its seed.

Typical values and limits are the figures of hardware/README.md: limits from Microchip DS20001952C or derived
from it; typical values and spreads assumed until a first board has been measured. The pocket tester's are
those of the RP2040 datasheet's pin specifications, from memory: inputs low below 0.8 V and high above 2.0 V
at 3.3 V with at least 0.2 V between the thresholds, pull-ups of 50 to 80 kΩ, outputs of some 40 Ω at 4 mA.

Drift with temperature is assumed too: the drivers of one board have one coefficient, and each chip one near
it; so have the resistor networks. The converter's offset and gain errors are those of its data sheet SBAS444,
from memory.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import partial

from .circuit import Point

POINTS_PER_CHIP = 16

OUT_LOW_OHMS, OUT_LOW_MAX = 40.0, 111.0
OUT_HIGH_OHMS, OUT_HIGH_MAX = 100.0, 345.0
OUT_MIN = 5.0
PULLUP_AMPS, PULLUP_MIN, PULLUP_MAX = 40e-6, 14e-6, 76e-6
CHIP_SPREAD, PIN_SPREAD = 0.15, 0.03
SERIES_OHMS, SERIES_TOLERANCE = 680.0, 0.02
SHUNT_OHMS, SHUNT_TOLERANCE = 22.0, 0.01
REFERENCE_OHMS, REFERENCE_TOLERANCE = 10.0, 0.001
# Schmitt thresholds as parts of VIO: centre of the two, half their distance, and the guaranteed limits.
SCHMITT_CENTRE, SCHMITT_CENTRE_SIGMA, SCHMITT_HALF_WIDTH = 0.42, 0.03, (0.02, 0.06)
SCHMITT_MIN, SCHMITT_MAX = 0.2, 0.8
POCKET_POINTS = 24
POCKET_PULLUP_OHMS = (50e3, 80e3)
POCKET_SCHMITT_CENTRE, POCKET_SCHMITT_SIGMA, POCKET_SCHMITT_HALF_WIDTH = 0.42, 0.02, 0.04
SUPPLY_V = 3.3
CALIBRATED_CELSIUS = 27.0  # of the processor, when the board was calibrated
# Parts per kelvin: of the drivers, one value a board and how far chips are from it (a part of it); of the
# resistor networks, each of eight resistors, that is of one port, likewise.
DRIVER_DRIFT, DRIVER_DRIFT_SPREAD = (0.0015, 0.0045), 0.1
NETWORK_DRIFT, NETWORK_DRIFT_APART = 200e-6, 20e-6
NETWORK_POINTS = 8
CONVERTER_OFFSET_STEPS = 3.0
CONVERTER_GAIN, CONVERTER_RANGE_GAIN, CONVERTER_RANGES = 0.0005, 0.0002, 8


@dataclass(frozen=True, slots=True)
class Parts:
    """What a board is made of. points: by number. schmitt: per chip, falling and rising threshold.

    converter_offset_steps, converter_gains: of the converter, the gains by range.
    """

    points: tuple[Point, ...]
    schmitt: tuple[tuple[float, float], ...]
    shunt_ohms: float
    reference_ohms: float
    converter_offset_steps: float = 0.0
    converter_gains: tuple[float, ...] = (1.0,) * CONVERTER_RANGES


def _clip(value: float, low: float, high: float) -> float:
    return min(high, max(low, value))


def parts_of(seed: int, chips: int, *, kelvin: float = 0.0, spread: float = 1.0, drift: float = 1.0) -> Parts:
    """The parts of the board with this seed. The first chips are the same whatever their number.

    kelvin: how much warmer it is than at the calibration. spread: how many times the assumed spread of
    drivers and pull-ups; tolerances of parts stay as they are sold. drift: how many times the assumed drift.
    Drivers stay within their limits, however warm.
    """
    board = random.Random(f"board {seed}")  # seeding with text does not depend on Python's hash seed
    shunt_ohms = SHUNT_OHMS * (1 + board.uniform(-SHUNT_TOLERANCE, SHUNT_TOLERANCE))
    reference_ohms = REFERENCE_OHMS * (1 + board.uniform(-REFERENCE_TOLERANCE, REFERENCE_TOLERANCE))
    warmth = random.Random(f"board {seed} drift")
    driver_drift = warmth.uniform(*DRIVER_DRIFT)
    network_drift = warmth.uniform(-NETWORK_DRIFT, NETWORK_DRIFT)
    points: list[Point] = []
    schmitt = []
    for number in range(chips):
        rng = random.Random(f"board {seed} chip {number}")
        around = partial(rng.gauss, 1.0)
        low = OUT_LOW_OHMS * around(spread * CHIP_SPREAD)
        high = OUT_HIGH_OHMS * around(spread * CHIP_SPREAD)
        pullup = PULLUP_AMPS * around(spread * CHIP_SPREAD)
        centre = rng.gauss(SCHMITT_CENTRE, SCHMITT_CENTRE_SIGMA)
        half = rng.uniform(*SCHMITT_HALF_WIDTH)
        schmitt.append((max(SCHMITT_MIN, centre - half), min(SCHMITT_MAX, centre + half)))
        warmer = driver_drift * warmth.gauss(1.0, DRIVER_DRIFT_SPREAD)
        of_driver = 1 + drift * kelvin * warmer
        of_series = [
            1 + drift * kelvin * (network_drift + warmth.uniform(-NETWORK_DRIFT_APART, NETWORK_DRIFT_APART))
            for _ in range(POINTS_PER_CHIP // NETWORK_POINTS)
        ]
        points += [
            Point(
                out_low_ohms=_clip(low * around(spread * PIN_SPREAD) * of_driver, OUT_MIN, OUT_LOW_MAX),
                out_high_ohms=_clip(high * around(spread * PIN_SPREAD) * of_driver, OUT_MIN, OUT_HIGH_MAX),
                pullup_amps=_clip(pullup * around(spread * PIN_SPREAD), PULLUP_MIN, PULLUP_MAX),
                series_ohms=SERIES_OHMS
                * (1 + rng.uniform(-SERIES_TOLERANCE, SERIES_TOLERANCE))
                * of_series[bit // NETWORK_POINTS],
            )
            for bit in range(POINTS_PER_CHIP)
        ]
    converter = random.Random(f"board {seed} converter")
    offset_steps = converter.uniform(-CONVERTER_OFFSET_STEPS, CONVERTER_OFFSET_STEPS)
    gain = 1 + converter.uniform(-CONVERTER_GAIN, CONVERTER_GAIN)
    gains = tuple(
        gain * (1 + converter.uniform(-CONVERTER_RANGE_GAIN, CONVERTER_RANGE_GAIN))
        for _ in range(CONVERTER_RANGES)
    )
    return Parts(tuple(points), tuple(schmitt), shunt_ohms, reference_ohms, offset_steps, gains)


def pocket_parts(seed: int) -> Parts:
    """The parts of the pocket tester with this seed: one chip, so one pair of thresholds for all points."""
    rng = random.Random(f"pocket {seed}")
    around = partial(rng.gauss, 1.0)
    pullup_ohms = rng.uniform(*POCKET_PULLUP_OHMS)
    centre = rng.gauss(POCKET_SCHMITT_CENTRE, POCKET_SCHMITT_SIGMA)
    thresholds = centre - POCKET_SCHMITT_HALF_WIDTH, centre + POCKET_SCHMITT_HALF_WIDTH
    low = OUT_LOW_OHMS * around(CHIP_SPREAD)
    points = [
        Point(
            out_low_ohms=_clip(low * around(PIN_SPREAD), OUT_MIN, OUT_LOW_MAX),
            out_high_ohms=_clip(low * around(PIN_SPREAD), OUT_MIN, OUT_LOW_MAX),
            pullup_amps=SUPPLY_V / _clip(pullup_ohms * around(PIN_SPREAD), *POCKET_PULLUP_OHMS),
            series_ohms=SERIES_OHMS * (1 + rng.uniform(-SERIES_TOLERANCE, SERIES_TOLERANCE)),
        )
        for _ in range(POCKET_POINTS)
    ]
    return Parts(tuple(points), (thresholds, thresholds), 0.0, REFERENCE_OHMS)
