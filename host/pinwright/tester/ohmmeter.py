"""From what the converter read to ohms, and how far they can be trusted.

The board drives one point high and others low and reads the current through its shunt. All resistances are
worked out here: `Ohmmeter` takes away the tester's own part of each path and says what is left.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean

from pinwright.errors import OtherTemperature, SelfCheckFailed
from pinwright.tester.calibration import Calibration

# The circuit: hardware/README.md. Resistances of drivers assumed, of an uncalibrated tester.
SHUNT_OHMS = 22.0
SERIES_OHMS, DRIVER_LOW_OHMS, DRIVER_HIGH_OHMS = 680.0, 40.0, 100.0
SUPPLY_V, SUPPLY_TOLERANCE = 3.3, 0.05
# One step of the converter at ±0.256 V and at ±4.096 V: its data sheet, SBAS444, from memory.
STEP_V, SUPPLY_STEP_V = 7.8125e-6, 125e-6
CONVERSIONS = 4  # a reading is the sum of so many
OFFSET = 4096  # added to a reading, so that it has no sign

# Uncertainties, of 99.9 % of readings. 64: drivers that differ by 15 %, resistors and shunt within their
# tolerances. 3.9: drift where the references take away what all chips share; 8.5: where there are none.
# `python tests/campaign/measuring.py` measures them on simulated boards.
UNCALIBRATED_OHMS, CALIBRATED_OHMS, WITHOUT_REFERENCES_OHMS = 64.0, 3.9, 8.5
OF_THE_READING = 0.02  # the shunt's and the converter's tolerances
# So far from the calibration's temperature, with references and without; in proportion beyond.
KELVIN, WITHOUT_REFERENCES_KELVIN = 10.0, 5.0
MOST_KELVIN = 20.0
MOST_DRIFT_OHMS = 20.0  # of a reference path since the calibration
# Of one conversion with no point high. Eight expanders at rest may take 1 µA each: DS20001952C, from memory.
MOST_ZERO_STEPS = 30.0
MOST_OHMS = 1e7  # more is not told from nothing
# What a point with its resistor can have: the drivers' limits (data sheet DS20001952C; the least assumed half
# of the typical one), 680 Ω ± 2 %, the shunt's 1 %, and what a bar's contact may add.
HIGH_OHMS, LOW_OHMS = (700.0, 1060.0), (670.0, 825.0)
MOST_EMPTY_STEPS = 40  # of a leak reading with nothing plugged in: about 0.9 MΩ
# A path of the tester's own, uncalibrated: both drivers and both resistors at their limits (data sheet
# DS20001952C: 111 and 345 ohms; 2 %), none below half of its typical value.
_COARSE_BELOW_ZERO = 1.5  # uncertainties, of an uncalibrated tester: one in a thousand links is beyond one
_LEAST_LESS_OHMS = 100.0  # that the way to two points is less than to either: of sound ones it is some 360
_HALVINGS = 24  # of what may be 10 MΩ, to less than an ohm; of what is some ohms, to nothing
_LEAST_PATH, _MOST_PATH = 2 * 666.4 + 70, 2 * 693.6 + 456


@dataclass(frozen=True, slots=True)
class Lane:
    """The converter's readings while nothing but the tester itself matters.

    zero: every point low. supply: of VIO then, in steps of 125 uV. sensor: of the processor's temperature,
    16 bits. references: each point of the tester's own pairs high, everything else low; none where they are
    not fitted.
    """

    zero: int
    supply: int
    sensor: int
    references: tuple[int, ...]

    @property
    def supply_v(self) -> float:
        return self.supply * SUPPLY_STEP_V

    @property
    def celsius(self) -> float:
        """Of the processor. Source: RP2040 datasheet, section 4.9.5, from memory."""
        return 27 - (self.sensor / 65536 * 3.3 - 0.706) / 0.001721

    def path_ohms(self, reading: int) -> float:
        """All that a current passed on its way from VIO to 0 V, the shunt aside; MOST_OHMS where none did."""
        steps = (reading - self.zero) / CONVERSIONS
        volts = steps * STEP_V
        if volts * MOST_OHMS <= self.supply_v * SHUNT_OHMS:
            return MOST_OHMS
        return self.supply_v * SHUNT_OHMS / volts - SHUNT_OHMS


@dataclass(frozen=True, slots=True)
class Readings:
    """One scan's readings of resistance, as the board holds them; 0 = not read.

    before, after: the tester's own, around the others. parts: per point, the number of the part whose leak
    was read, or 0. high: each point high against all others. leak: per lowest point of a part, the part
    against all others. across: per other point of a part of more than two, from its lowest point to this one
    alone. calibration: the board's, if it has one. near: two points of a part, and the reading from its
    lowest to both of them, for all that `chain.questions` asks; None: nobody asked, as of older versions.
    """

    before: Lane
    after: Lane
    parts: bytes
    high: tuple[int, ...]
    leak: tuple[int, ...]
    across: tuple[int, ...]
    calibration: Calibration | None
    near: tuple[tuple[int, int, int], ...] | None = None


class Ohmmeter:
    """Resistances from one scan's readings. Raises SelfCheckFailed where the lane cannot be trusted.

    drift_ohms: what the references' paths have more than at the calibration, on average.
    """

    def __init__(self, before: Lane, after: Lane, calibration: Calibration | None) -> None:
        for lane in (before, after):
            _check_alive(lane)
        if len(before.references) != len(after.references):
            raise SelfCheckFailed("the tester's references were read once and then not again")
        self._lane = Lane(
            round(fmean((before.zero, after.zero))),
            round(fmean((before.supply, after.supply))),
            round(fmean((before.sensor, after.sensor))),
            tuple(round(fmean(pair)) for pair in zip(before.references, after.references, strict=True)),
        )
        self.calibration = calibration
        self.celsius = self._lane.celsius
        changed = [
            after.path_ohms(late) - before.path_ohms(early)
            for early, late in zip(before.references, after.references, strict=True)
        ]
        if any(abs(ohms) > CALIBRATED_OHMS for ohms in changed):
            raise SelfCheckFailed(
                "the tester's references changed during the scan, by "
                f"{max(changed, key=abs):.1f} Ω: its measurements cannot be trusted",
                hint="scan again; if it stays so, the tester needs repair",
            )
        self._kelvin = 0.0
        self.drift_ohms = 0.0
        if calibration:
            self._check_calibration(calibration)

    def _check_calibration(self, calibration: Calibration) -> None:
        again = "`pinwright tester calibrate --replace` measures it anew"
        for ohms, (least, most) in (
            *((one, HIGH_OHMS) for one in calibration.high_ohms),
            *((one, LOW_OHMS) for one in calibration.low_ohms),
            *((steps, (-MOST_EMPTY_STEPS, MOST_EMPTY_STEPS)) for steps in calibration.empty),
        ):
            if ohms is not None and not least <= ohms <= most:
                raise SelfCheckFailed("the calibration on the tester is of what no tester has", hint=again)
        now = [self._lane.path_ohms(reading) for reading in self._lane.references]
        if len(now) != len(calibration.references):
            raise SelfCheckFailed("the calibration on the tester is one of another tester", hint=again)
        self._kelvin = abs(self.celsius - calibration.celsius)
        if not self._kelvin <= MOST_KELVIN:
            raise OtherTemperature(
                f"the tester is at {self.celsius:.0f} °C and was calibrated at {calibration.celsius:.0f} °C",
                hint=f"let it come to that temperature, or calibrate it as it is: {again}",
            )
        drifts = [ohms - then for ohms, then in zip(now, calibration.references, strict=True)]
        if not drifts:
            return
        self.drift_ohms = fmean(drifts)
        half = len(drifts) // 2
        apart = fmean(drifts[half:]) - fmean(drifts[:half])  # of the 10 ohm pair, from that of 0 ohm
        if abs(self.drift_ohms) > MOST_DRIFT_OHMS or abs(apart) > CALIBRATED_OHMS:
            raise SelfCheckFailed(
                f"the tester's own 10 Ω reads {10 + apart:.1f} Ω, and its own paths have drifted by "
                f"{self.drift_ohms:.1f} Ω since the calibration",
                hint=f"is it much warmer or colder than then? {again}; if it stays so, it needs repair",
            )

    @property
    def references_ohms(self) -> float | None:
        """What the 10 ohm pair reads more than the 0 ohm pair; None where they are not fitted."""
        paths = [self._lane.path_ohms(reading) for reading in self._lane.references]
        half = len(paths) // 2
        raw = fmean(paths[half:]) - fmean(paths[:half]) if paths else None
        if raw is None or self.calibration is None:
            return raw
        then = self.calibration.references
        return 10 + raw - (fmean(then[half:]) - fmean(then[:half]))

    def uncertainty(self, ohms: float) -> float:
        """Half the width, in ohms, within which 99.9 % of such readings are right."""
        if self.calibration is None:
            base = UNCALIBRATED_OHMS
        elif self._lane.references:
            base = CALIBRATED_OHMS * max(1.0, self._kelvin / KELVIN)
        else:
            base = WITHOUT_REFERENCES_OHMS * max(1.0, self._kelvin / WITHOUT_REFERENCES_KELVIN)
        return base + OF_THE_READING * ohms

    def link(
        self,
        reading: int,
        point: int,
        others: Mapping[int, float],
        aside_ohms: float = MOST_OHMS,
        beyond_ohms: float = MOST_OHMS,
    ) -> float:
        """The ohms between a point that was high and what it was found joined to: others, all low.

        others: each with the ohms of its own way there. aside_ohms: from here to 0 V by another way, which
        takes its share of the current before the link does; where it really does so after it, the link reads
        a little more than it has. beyond_ohms: likewise, but taken as after it. Below zero by what the
        reading is wrong.
        """
        ways = [self.low_ohms(other) + max(0.0, ohms) for other, ohms in others.items()]
        if beyond_ohms < MOST_OHMS:
            ways.append(beyond_ohms)
        return self.onward_from(reading, point, len(others), aside_ohms) - _parallel(ways)

    def onward_from(self, reading: int, point: int, others: int, aside_ohms: float = MOST_OHMS) -> float:
        """From a point that was high through so many others, all low, to 0 V; aside_ohms as of `link`."""
        onward = self._lane.path_ohms(reading) - self._high(point) - self._drift(point, others)
        if onward >= aside_ohms:
            return MOST_OHMS  # nothing flows through the link
        if onward > 0 and aside_ohms < MOST_OHMS:
            return 1 / (1 / onward - 1 / aside_ohms)
        return onward

    def apart(
        self,
        first: int,
        pair: tuple[int, int],
        across: tuple[int, int],
        both: int,
        aside_ohms: float = MOST_OHMS,
    ) -> float:
        """The ohms between two points, of readings with a third high: each of them low by itself, both low.

        With s what their ways from there share, and x and y the rest of them with the points' own, the
        readings are s + x, s + y and s + x·y / (x + y); so (way - both) · (other way - both) = (both - s)².
        MOST_OHMS where these can be none of three such ways. An error of `both` counts four times.
        """
        one, other = (self.onward_from(reading, first, 1, aside_ohms) for reading in across)
        together = self.onward_from(both, first, 2, aside_ohms)
        less = one - together, other - together
        if min(less) < _LEAST_LESS_OHMS:
            return MOST_OHMS
        shared = together - sqrt(less[0] * less[1])
        return one + other - 2 * shared - sum(self.low_ohms(point) for point in pair)

    def legs(
        self,
        reading: int,
        point: int,
        across: Mapping[int, int],
        aside_ohms: float = MOST_OHMS,
        beyond_ohms: float = MOST_OHMS,
    ) -> Mapping[int, float]:
        """The ohms of every point of a larger part, to where they all meet.

        reading: of `point`, high against all others. across: of every other, `point` high and this one low by
        itself: the sum of two legs. How that sum divides follows from the first: the leg for which both fit
        is found by halving. Where a part has no such middle, a joint between its halves counts with the legs
        of the half that is farther from `point`.
        """
        ways = aside_ohms, beyond_ohms
        sums = {other: self.link(told, point, {other: 0.0}, *ways) for other, told in across.items()}
        low, high = 0.0, max(0.0, self.link(reading, point, dict.fromkeys(across, 0.0), *ways))
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            rest = {other: ohms - middle for other, ohms in sums.items()}
            if self.link(reading, point, rest, *ways) > middle:
                low = middle
            else:
                high = middle
        return {point: low, **{other: ohms - low for other, ohms in sums.items()}}

    def leak(self, reading: int, point: int, others: Collection[int]) -> float:
        """The ohms between a part, whose lowest point was high, and everything else, which was low.

        others: what else the part was found joined to, so that the current's way on is known.
        """
        empty = self.calibration.empty[point] if self.calibration else 0
        path = self._lane.path_ohms(reading - empty)
        if path >= MOST_OHMS:
            return MOST_OHMS
        return max(0.0, path - self._high(point) - self.onward(others))

    def onward(self, others: Collection[int]) -> float:
        """From what a wrong contact or a leak leads to, all of it low, to 0 V. None: nobody knows to what."""
        return _parallel([self._low_or_typical(other) for other in others] or [SERIES_OHMS + DRIVER_LOW_OHMS])

    def _high(self, point: int) -> float:
        if self.calibration is None:
            return SERIES_OHMS + DRIVER_HIGH_OHMS
        return _known(self.calibration.high_ohms[point])

    def low_ohms(self, point: int) -> float:
        """What a point has itself when it is low."""
        if self.calibration is None:
            return SERIES_OHMS + DRIVER_LOW_OHMS
        return _known(self.calibration.low_ohms[point])

    @property
    def least_ohms(self) -> float:
        """What no link of a sound tester reads less than."""
        return -self.uncertainty(0) * (1.0 if self.calibration else _COARSE_BELOW_ZERO)

    def _low_or_typical(self, point: int) -> float:
        """Of a point that a wrong contact leads to: it may be one that no bar reaches."""
        known = self.calibration.low_ohms[point] if self.calibration else None
        return SERIES_OHMS + DRIVER_LOW_OHMS if known is None else known

    def _drift(self, point: int, others: int) -> float:
        """How far a path has drifted since the calibration: as the references have, by its drivers' part.

        What the drivers have is not measured apart from the resistors, but the two drivers of a point are,
        from one another.
        """
        if self.calibration is None or not others:
            return 0.0
        driver = self._high(point) - self.low_ohms(point) + DRIVER_LOW_OHMS
        return self.drift_ohms * (driver + DRIVER_LOW_OHMS / others) / (DRIVER_HIGH_OHMS + DRIVER_LOW_OHMS)


def _known(ohms: float | None) -> float:
    if ohms is None:
        raise SelfCheckFailed(
            "the calibration on the tester lacks points that this cable needs",
            hint="`pinwright tester calibrate` measures them",
        )
    return ohms


def _parallel(ohms: Sequence[float]) -> float:
    return 1 / sum(1 / one for one in ohms)


def _check_alive(lane: Lane) -> None:
    """Raises SelfCheckFailed where these cannot be the readings of a sound lane."""
    repair = "the tester's ohms lane needs repair: its converter, the shunt, the wires between"
    zero = (lane.zero - OFFSET) / CONVERSIONS
    if abs(zero) > MOST_ZERO_STEPS:
        raise SelfCheckFailed(
            f"the tester's converter reads {zero:.0f} steps where no current flows", hint=repair
        )
    if abs(lane.supply_v / SUPPLY_V - 1) > SUPPLY_TOLERANCE:
        raise SelfCheckFailed(
            f"the tester's converter reads its supply as {lane.supply_v:.2f} V, not as {SUPPLY_V} V",
            hint=f"is the tester's USB supply sound? If it is, {repair}",
        )
    for reading in lane.references:
        if not _LEAST_PATH <= (ohms := lane.path_ohms(reading)) <= _MOST_PATH + 10:
            raise SelfCheckFailed(
                f"the path through one of the tester's references reads {ohms:.0f} Ω; "
                f"{_LEAST_PATH:.0f} to {_MOST_PATH + 10:.0f} Ω can be",
                hint=repair,
            )
