"""Calibrations from readings of a meter: the straight line through them, or why there is none.

A driver computes value = (reading − offset) · gain, the reading in volts at its converter's pin
(at the shunt for an INA sensor). The line is an ordinary least-squares fit of the meter's values
over the readings; its standard errors and intervals are those of the textbooks (for instance
N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed., ch. 1), and never smaller than what
the noise of the readings alone gives.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from coilwright import sensors
from coilwright.averaging import mean_sd
from coilwright.errors import BadCalibration
from coilwright.link.facts import Board, Calibration
from coilwright.point import Flag, Point
from coilwright.quantities import show, show_percent

FARTHEST_GAIN = 2.0
"""A gain farther from the nominal one than by this factor is a mistake, not a tolerance."""
MOST_RESIDUAL = 0.02
"""Share of the span by which a reading may lie off the line."""
MOST_GAIN_NOISE = 0.005
"""Standard error of the gain, relative, that the noise of the readings may cause."""
CLEAR = 6.0
"""Standard errors by which a lit reading must lie above the one at rest."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """One of the three sensors: what it is called, and where its figures stand.

    Attributes:
        key: Word of the command line.
        name: What a person calls it.
        unit: Of its value.
        value, spread: Fields of a `Point`.
        offset, gain: Fields of a `Calibration`.
        over: Flag of a point at which the sensor is at its end.
        fault: Flag of a point at which it did not answer.
    """

    key: str
    name: str
    unit: str
    value: str
    spread: str
    offset: str
    gain: str
    over: Flag
    fault: Flag = Flag.NONE

    def gain_unit(self) -> str:
        """Unit of the gain."""
        return f"{self.unit}/V"

    def step_v(self, board: Board) -> float:
        """Step of its converter."""
        if self.key == "current":
            return sensors.supply_converter(board.supply_sensor, board.chip).step_v
        return sensors.adc_of(board.chip).step_v

    def with_line(self, calibration: Calibration, offset_v: float, gain: float) -> Calibration:
        """The calibration with another line of this sensor."""
        changed: dict[str, float] = {self.offset: offset_v, self.gain: gain}
        return replace(calibration, **changed)


CURRENT = Sensor(
    "current",
    "supply current",
    "A",
    "supply_a",
    "supply_sd_a",
    "supply_offset_v",
    "supply_gain_a_per_v",
    Flag.SUPPLY_OVER,
    Flag.SENSOR_FAULT,
)
PROBE = Sensor(
    "probe",
    "probe",
    "V",
    "probe_v",
    "probe_sd_v",
    "probe_offset_v",
    "probe_gain_v_per_v",
    Flag.PROBE_OVER,
)
LIGHT = Sensor(
    "light",
    "light sensor",
    "V",
    "light_v",
    "light_sd_v",
    "light_offset_v",
    "light_gain_v_per_v",
    Flag.LIGHT_OVER,
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a sensor read at one place, and what the meter showed there.

    Attributes:
        place: Where, in words: "165 kHz 20 %", "rest".
        reading_v: Mean reading at the converter.
        noise_v: Its standard error.
        meter: The meter's value in the sensor's unit.
    """

    place: str
    reading_v: float
    noise_v: float
    meter: float


@dataclass(frozen=True, slots=True)
class MeterLine:
    """A straight line through readings: meter = (reading − offset) · gain.

    Attributes:
        gain: In the sensor's unit a volt.
        gain_interval: 95 % interval of it.
        offset_v: Reading at which the value is 0.
        offset_interval_v: 95 % interval of it.
        residuals: Meter minus line, one a reading.
        span: From the smallest value of the meter to the largest.
        readings: What the line was drawn through.
    """

    gain: float
    gain_interval: tuple[float, float]
    offset_v: float
    offset_interval_v: tuple[float, float]
    residuals: tuple[float, ...]
    span: float
    readings: tuple[Reading, ...]

    @property
    def residual(self) -> float | None:
        """Farthest any reading lies off the line; None with two, which always lie on one."""
        return max(map(abs, self.residuals)) if len(self.residuals) > 2 else None

    @property
    def residual_share(self) -> float | None:
        """The same as a share of the span."""
        return None if self.residual is None else self.residual / self.span


def reading_v(point: Point, sensor: Sensor, calibration: Calibration) -> float:
    """The reading behind a point's value, by the calibration that was in force.

    Raises:
        BadCalibration: That calibration has no gain, so the reading is lost.
    """
    gain = _gain(sensor, calibration)
    value: float = getattr(point, sensor.value)
    offset_v: float = getattr(calibration, sensor.offset)
    return value / gain + offset_v


def noise_v(point: Point, sensor: Sensor, calibration: Calibration, step_v: float) -> float:
    """Standard error of that reading."""
    spread_v = getattr(point, sensor.spread) / abs(_gain(sensor, calibration))
    return float(mean_sd(spread_v, point.averages, step_v))


def _gain(sensor: Sensor, calibration: Calibration) -> float:
    gain: float = getattr(calibration, sensor.gain)
    if gain == 0 or not math.isfinite(gain):
        raise BadCalibration(
            f"The driver holds a gain of {gain} {sensor.gain_unit()} for the {sensor.name}: what it"
            " reads cannot be told.",
            "Set the nominal gain first, as in docs/calibrating.md.",
        )
    return gain


def check_point(point: Point, sensor: Sensor, place: str) -> None:
    """Refuse a point at which the sensor says nothing.

    Raises:
        BadCalibration: It is at the end of its range, or did not answer.
    """
    if point.flags & sensor.fault:
        raise BadCalibration(
            f"The {sensor.name} sensor did not answer at {place}.", "Check its wiring."
        )
    if point.flags & sensor.over:
        raise BadCalibration(
            f"At {place} the {sensor.name} is at the end of its range.",
            "Choose a setting with less, or a smaller shunt or divider.",
        )


def fit_line(
    readings: Sequence[Reading], sensor: Sensor, nominal_gain: float, least: int = 2
) -> MeterLine:
    """Draw the line through readings and make sure that it can be one.

    Args:
        readings: What the sensor and the meter said.
        sensor: Which sensor.
        nominal_gain: What its gain should be near to.
        least: Readings needed.

    Raises:
        BadCalibration: Too few or too close together, off a line, the wrong way round, or a gain
            far from the nominal one.
    """
    _check_readings(readings, sensor, least)
    line = straight(readings)
    if line.gain * nominal_gain < 0:
        raise BadCalibration(
            f"The {sensor.name} reads less where the meter shows more.",
            "Sensor or meter is the wrong way round, or the values are in the wrong order.",
        )
    _check_residual(line, sensor)
    factor = line.gain / nominal_gain
    if not 1 / FARTHEST_GAIN <= factor <= FARTHEST_GAIN:
        raise BadCalibration(
            f"The gain of the {sensor.name} comes to {line.gain:.4g} {sensor.gain_unit()}, which is"
            f" {factor:.3g} times the {nominal_gain:.4g} {sensor.gain_unit()} expected.",
            "Check unit and range of the meter. If shunt, amplifier or divider are others than the"
            " driver was told, say what to expect with --nominal-gain.",
        )
    return line


def _check_readings(readings: Sequence[Reading], sensor: Sensor, least: int) -> None:
    if len(readings) < max(least, 2):
        raise BadCalibration(
            f"{len(readings)} readings of the {sensor.name} are too few; {max(least, 2)} are"
            " needed.",
            "Add a setting with --at.",
        )
    for one in readings:
        if not (math.isfinite(one.reading_v) and math.isfinite(one.meter)):
            raise BadCalibration(f"The reading at {one.place} is no number.", "Read it again.")
    meter = [one.meter for one in readings]
    if max(meter) == min(meter):
        raise BadCalibration(
            f"The meter shows {show(meter[0], sensor.unit)} in all {len(meter)} readings.",
            "Choose settings that differ more.",
        )
    x = np.array([one.reading_v for one in readings])
    spread_v = float(np.sqrt(np.sum((x - x.mean()) ** 2)))
    error_v = _rms([one.noise_v for one in readings])
    if spread_v == 0 or error_v / spread_v > MOST_GAIN_NOISE:
        raise BadCalibration(
            f"The readings of the {sensor.name} lie within {show(float(np.ptp(x)), 'V', 3)}, too"
            f" close together for their noise of {show(error_v, 'V', 2)}: the gain would be known"
            f" to {'nothing' if spread_v == 0 else show_percent(error_v / spread_v, 1)} only.",
            "Choose settings that differ more, or --averages 1024.",
        )


def _check_residual(line: MeterLine, sensor: Sensor) -> None:
    share = line.residual_share
    if share is None or share <= MOST_RESIDUAL:
        return
    x = np.array([one.reading_v for one in line.readings])
    far = (x - x.mean()) ** 2
    # Deleted residuals (Draper and Smith, 8.1): an end draws the line to itself.
    others = np.array(line.residuals) / np.maximum(1 - 1 / len(x) - far / far.sum(), 1e-9)
    worst = int(np.argmax(np.abs(others)))
    one = line.readings[worst]
    raise BadCalibration(
        f"The readings of the {sensor.name} do not lie on a line: they are up to"
        f" {show_percent(share, 1)} of their span off it where {show_percent(MOST_RESIDUAL)} are"
        f" allowed. {show(one.meter, sensor.unit)} at {one.place} lies"
        f" {show(abs(float(others[worst])), sensor.unit, 3)} off the line of the others.",
        "Check the values typed and the meter's range; the lower end of an ESP32's converter bends,"
        " see docs/sensors.md.",
    )


def straight(readings: Sequence[Reading]) -> MeterLine:
    """The least-squares line through readings that differ, with 95 % intervals."""
    from scipy.special import stdtrit

    x = np.array([one.reading_v for one in readings])
    y = np.array([one.meter for one in readings])
    count, middle = len(x), float(x.mean())
    design = np.column_stack([np.ones(count), x - middle])
    (level, gain), *_ = np.linalg.lstsq(design, y, rcond=None)
    residuals = y - design @ np.array([level, gain])
    offset_v = middle - level / gain
    sxx = float(np.sum((x - middle) ** 2))
    wide = 1.96 * abs(gain) * _rms([one.noise_v for one in readings])
    if count > 2:
        scatter = math.sqrt(float(residuals @ residuals) / (count - 2))
        wide = max(wide, float(stdtrit(count - 2, 0.975)) * scatter)
    gain_wide = wide / math.sqrt(sxx)
    # First-order propagation to where the line meets zero (Draper and Smith, 1.7 and 3.2).
    offset_wide = wide / abs(gain) * math.sqrt(1 / count + (offset_v - middle) ** 2 / sxx)
    return MeterLine(
        gain=float(gain),
        gain_interval=(float(gain - gain_wide), float(gain + gain_wide)),
        offset_v=float(offset_v),
        offset_interval_v=(float(offset_v - offset_wide), float(offset_v + offset_wide)),
        residuals=tuple(map(float, residuals)),
        span=float(np.ptp(y)),
        readings=tuple(readings),
    )


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(sum(value * value for value in values) / len(values))


def edge(lit: Callable[[int], bool], first: int, last: int) -> tuple[int, int] | None:
    """The last dark and the first lit count of duty, asked from below.

    The duty rises by a quarter at a time, at least one count; where the load lights, the bracket is
    halved down to one count.

    Args:
        lit: Whether the load is lit at so many counts.
        first: Counts to begin at.
        last: Counts never exceeded.

    Returns:
        Both, or None where it is dark up to `last`. The first of both is below `first` where the
        load is lit there already.
    """
    dark, now = first - 1, first
    while not lit(now):
        if now >= last:
            return None
        dark, now = now, min(max(now + 1, now * 5 // 4), last)
    if now == first:
        return dark, now
    while now - dark > 1:
        middle = (dark + now) // 2
        if lit(middle):
            now = middle
        else:
            dark = middle
    return dark, now


def lit_level(rest: Point, dark: Point, lit: Point, sensor: Sensor, step: float) -> float | None:
    """The value halfway between a dark and a lit reading; for light, over that at rest.

    Args:
        rest: With the output off.
        dark, lit: The last dark and the first lit point.
        sensor: Probe or light sensor.
        step: Step of its converter, in the unit of its values.

    Returns:
        None where this sensor cannot tell: it is not there or at its end, does not rise clearly
        over rest, or falls from dark to lit.
    """
    at_rest, below, above = (getattr(point, sensor.value) for point in (rest, dark, lit))
    error = _rms(
        [float(mean_sd(getattr(p, sensor.spread), p.averages, step)) for p in (rest, dark, lit)]
    ) * math.sqrt(2)
    if (dark.flags | lit.flags) & sensor.over:
        return None
    if above - at_rest <= CLEAR * error or above < below - 3 * error:
        return None
    middle: float = (below + above) / 2
    level = middle - at_rest if sensor is LIGHT else middle
    return level if level > 0 else None
