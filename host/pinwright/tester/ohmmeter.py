"""From what the converter read to ohms, and how far they can be trusted.

The board drives one point high and others low and reads the current through its shunt. All resistances are
worked out here: `Ohmmeter` takes away the tester's own part of each path and says what is left.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import fmean

from pinwright.errors import SelfCheckFailed
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
# tolerances. 3.9: drift over 5 K where the references take away what all chips share; 8.5: where there are
# none. `python tests/campaign/resistances.py` measures all of them on simulated boards.
UNCALIBRATED_OHMS, CALIBRATED_OHMS, WITHOUT_REFERENCES_OHMS = 64.0, 3.9, 8.5
OF_THE_READING = 0.02  # the shunt's and the converter's tolerances
KELVIN = 5.0  # from the calibration's temperature; the uncertainty grows in proportion beyond
MOST_KELVIN = 20.0
MOST_DRIFT_OHMS = 20.0  # of a reference path since the calibration
MOST_ZERO_STEPS = 20.0  # of one conversion with no point high
MOST_OHMS = 1e7  # more is not told from nothing
# A path of the tester's own, uncalibrated: both drivers and both resistors at their limits (data sheet
# DS20001952C: 111 and 345 ohms; 2 %), none below half of its typical value.
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
    against all others. calibration: the board's, if it has one.
    """

    before: Lane
    after: Lane
    parts: bytes
    high: tuple[int, ...]
    leak: tuple[int, ...]
    calibration: Calibration | None


class Ohmmeter:
    """Resistances from one scan's readings. Raises SelfCheckFailed where the lane cannot be trusted."""

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
        self._drift_ohms = 0.0
        if calibration:
            self._check_calibration(calibration)

    def _check_calibration(self, calibration: Calibration) -> None:
        again = "`pinwright tester calibrate` measures it anew"
        now = [self._lane.path_ohms(reading) for reading in self._lane.references]
        if len(now) != len(calibration.references):
            raise SelfCheckFailed("the calibration on the tester is one of another tester", hint=again)
        self._kelvin = abs(self.celsius - calibration.celsius)
        if not self._kelvin <= MOST_KELVIN:
            raise SelfCheckFailed(
                f"the tester is at {self.celsius:.0f} °C and was calibrated at {calibration.celsius:.0f} °C",
                hint=f"let it come to that temperature, or calibrate it as it is: {again}",
            )
        drifts = [ohms - then for ohms, then in zip(now, calibration.references, strict=True)]
        if not drifts:
            return
        self._drift_ohms = fmean(drifts)
        half = len(drifts) // 2
        apart = fmean(drifts[half:]) - fmean(drifts[:half])  # of the 10 ohm pair, from that of 0 ohm
        if abs(self._drift_ohms) > MOST_DRIFT_OHMS or abs(apart) > CALIBRATED_OHMS:
            raise SelfCheckFailed(
                f"the tester's own 10 Ω reads {10 + apart:.1f} Ω, and its own paths have drifted by "
                f"{self._drift_ohms:.1f} Ω since the calibration",
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
            base = WITHOUT_REFERENCES_OHMS * max(1.0, self._kelvin / KELVIN)
        return base + OF_THE_READING * ohms

    def link(
        self,
        reading: int,
        point: int,
        others: Collection[int],
        beyond: Collection[int] = (),
        beyond_ohms: float = MOST_OHMS,
    ) -> float:
        """The ohms between a point that was high and what it was found joined to: others, all low.

        beyond: what it reaches besides by a wrong contact, of so many ohms.
        """
        onward = [self._low(other) for other in others]
        if beyond:
            onward.append(beyond_ohms + _parallel([self._low_or_typical(other) for other in beyond]))
        own = self._high(point) + _parallel(onward)
        return max(0.0, self._lane.path_ohms(reading) - own - self._drift(point, len(others)))

    def leak(self, reading: int, point: int, others: Collection[int]) -> float:
        """The ohms between a part, whose lowest point was high, and everything else, which was low.

        others: what else the part was found joined to, so that the current's way on is known.
        """
        empty = self.calibration.empty[point] if self.calibration else 0
        path = self._lane.path_ohms(reading - empty)
        if path >= MOST_OHMS:
            return MOST_OHMS
        onward = [self._low_or_typical(other) for other in others] or [SERIES_OHMS + DRIVER_LOW_OHMS]
        return max(0.0, path - self._high(point) - _parallel(onward))

    def _high(self, point: int) -> float:
        if self.calibration is None:
            return SERIES_OHMS + DRIVER_HIGH_OHMS
        return _known(self.calibration.high_ohms[point])

    def _low(self, point: int) -> float:
        if self.calibration is None:
            return SERIES_OHMS + DRIVER_LOW_OHMS
        return _known(self.calibration.low_ohms[point])

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
        driver = self._high(point) - self._low(point) + DRIVER_LOW_OHMS
        return self._drift_ohms * (driver + DRIVER_LOW_OHMS / others) / (DRIVER_HIGH_OHMS + DRIVER_LOW_OHMS)


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
