"""A driver that is calibrated: read without haste, and put back where a calibration fails."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from coilwright.averaging import MOST, averages_for
from coilwright.calibrated import Calibrated, check_of, written
from coilwright.calibration import Reading, Sensor, check_point, noise_v, reading_v
from coilwright.errors import BadCalibration, CoilwrightError, OutOfRange, Refused
from coilwright.link.replies import tripped
from coilwright.point import Flag, Point
from coilwright.quantities import show

if TYPE_CHECKING:
    from coilwright.link import Calibration, Driver
    from coilwright.procedures.options import CalibrationWishes

RESOLUTION_V = 1e-4
"""Standard error aimed at for a mean reading of an ADC; 2 µV at the shunt of an INA sensor."""
INA_RESOLUTION_V = 2e-6
DRIFT = 0.01
"""Share by which a reading may change while a person looks at the meter."""
SETTLED, SETTLING_S, SETTLING_READINGS = 1e-3, 0.02, 50
"""A sensor has settled when two readings so long apart differ by so little; tried so often."""

RAMP_S = 0.004
"""Soft start between settings, from 0 to the duty cap, as in a tune."""


class SensorBench:
    """A driver that is calibrated: reads it, and puts back what a failure left half done.

    Attributes:
        driver, sensor: What is calibrated.
        before: Calibration in force at the beginning.
        now: Calibration in force now; with a dry run, what it would be.
        gain: The sensor's gain at the beginning.
        stored: Whether the new calibration is in the driver's flash.
        text: The driver's protected user data; None where its firmware keeps none.
    """

    def __init__(self, driver: Driver, sensor: Sensor, what: str, dry_run: bool) -> None:
        self._what = what
        self.driver, self.sensor, self._dry_run = driver, sensor, dry_run
        self.before = self.now = driver.calibration()
        self.gain: float = getattr(self.before, sensor.gain)
        self.stored = False
        self.text = _protected(driver)
        if self.text is not None:  # no room is told before anything is measured
            written(self.text, self._calibrated(what, 1.11e-11))

    def measure(self, place: str, *, on: bool) -> Point:
        """One point, at which the sensor says something."""
        point = self.driver.measure()
        trip = self.driver.trip()
        if trip.number:
            raise tripped(trip)
        if on and point.flags & Flag.OUTPUT_OFF:
            raise BadCalibration(f"The output went off at {place}.", "See `coilwright status`.")
        check_point(point, self.sensor, place)
        return point

    def reading(self, points: list[Point], place: str, meter: float) -> Reading:
        """The reading behind points at one place."""
        step_v = self.sensor.step_v(self.driver.board)
        volts = [reading_v(point, self.sensor, self.now) for point in points]
        noises = [noise_v(point, self.sensor, self.now, step_v) for point in points]
        return Reading(place, sum(volts) / len(volts), max(noises) / len(points) ** 0.5, meter)

    def rest(self) -> Reading:
        """The reading at rest, where nothing flows."""
        self.driver.output(False)
        point = self.measure("rest", on=False)
        reading = self.reading([point], "rest", 0.0)
        if point.flags & Flag.SUPPLY_UNDER:
            # So far off that the driver would take the sensor for dead: its zero comes first.
            self._set(replace(self.before, supply_offset_v=reading.reading_v))
        return reading

    def settled(self, place: str, *, on: bool) -> Point:
        """A point that is as the one before it: the sensor has settled."""
        last = self.measure(place, on=on)
        for _ in range(SETTLING_READINGS):
            time.sleep(SETTLING_S)
            before, last = last, self.measure(place, on=on)
            if self._agree(before, last, SETTLED):
                return last
        raise self._moved(before, last, place, "and does not settle")

    def _agree(self, one: Point, other: Point, share: float) -> bool:
        first, last = (getattr(point, self.sensor.value) for point in (one, other))
        spread = max(getattr(p, self.sensor.spread) / p.averages**0.5 for p in (one, other))
        step = self.sensor.step_v(self.driver.board) * abs(self.gain)
        return bool(abs(last - first) <= max(share * abs(first), 6 * spread, step / 2))

    def _moved(self, one: Point, other: Point, place: str, when: str) -> BadCalibration:
        first, last = (show(getattr(p, self.sensor.value), self.sensor.unit) for p in (one, other))
        return BadCalibration(
            f"At {place} the {self.sensor.name} went from {first} to {last} {when}.",
            "Let the driver warm up at that setting, or choose a smaller duty.",
        )

    def steady(self, points: list[Point], place: str) -> None:
        """Refuse a reading that moved while the meter was read."""
        before, after = points
        if not self._agree(before, after, DRIFT):
            raise self._moved(before, after, place, "while the meter was read")

    def _calibrated(self, what: str, residual: float | None) -> Calibrated:
        """What the driver keeps of a calibration now, with the values in force."""
        unit = "" if residual is None else self.sensor.unit
        check = check_of(what, self.now)
        return Calibrated(what, datetime.now(UTC).date(), residual, unit, check)

    def keep(self, new: Calibration, residual: float | None) -> None:
        """Write the calibration, keep it in flash with its date and residual, and make sure."""
        if self._dry_run:
            self.restore()
            self.now = new
            return
        self._set(new)
        self.now = self.driver.calibration()
        if self.text is None:
            self.driver.store_settings()
        else:
            self.text = written(self.text, self._calibrated(self._what, residual))
            self.driver.protect_data(self.text)
        state = self.driver.settings_state()
        if state != "OK":
            raise Refused(f"The driver's settings are {state} after storing.", "Store them again.")
        self.stored = True

    def _set(self, calibration: Calibration) -> None:
        self.now = calibration
        self.driver.set_calibration(calibration)

    def restore(self) -> None:
        """Put the first calibration in force again, where another one is and is not stored."""
        if not self.stored and self.now != self.before:
            self._set(self.before)


def _protected(driver: Driver) -> str | None:
    """The driver's protected user data; None where its firmware keeps none."""
    try:
        return driver.protected_data()
    except Refused:
        return None


@contextlib.contextmanager
def calibrating(
    driver: Driver, sensor: Sensor, how: CalibrationWishes, what: str = ""
) -> Iterator[SensorBench]:
    """A bench whose failure leaves the calibration as it was; averages are set back."""

    driver.take_over()
    averages = driver.averages
    bench = SensorBench(driver, sensor, what or sensor.key, how.dry_run)
    try:
        driver.set_averages(how.averages or _averages(driver, sensor, bench.before))
        with driver.ramping(RAMP_S):
            yield bench
            driver.output(False)
    except BaseException:
        driver.make_safe()
        with contextlib.suppress(CoilwrightError):
            bench.restore()
            driver.set_averages(averages)
        raise
    driver.set_averages(averages)


def _averages(driver: Driver, sensor: Sensor, calibration: Calibration) -> int:
    """Conversions that the noise at rest asks for, no fewer than are averaged now."""
    gain: float = getattr(calibration, sensor.gain)
    if gain == 0:
        return driver.averages
    step_v = sensor.step_v(driver.board)
    spread_v = getattr(driver.measure(), sensor.spread) / abs(gain)
    wanted_v = INA_RESOLUTION_V if step_v < 1e-4 else RESOLUTION_V
    try:
        return max(driver.averages, averages_for(wanted_v, spread_v, step_v))
    except OutOfRange:
        return max(driver.averages, MOST if spread_v > step_v else 32)
