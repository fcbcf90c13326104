"""A tune under way: asks for points, remembers them, and lays them out as traces."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from coilwright.errors import NoResult
from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.rest import rest_of, warnings
from coilwright.tune.detect import Trace
from coilwright.tune.lineshape import Array
from coilwright.tune.lit import Lit, light_level
from coilwright.tune.resonance import mean_sd
from coilwright.tune.result import OnProgress, Stage, TuneOptions

LONG_S = 0.05
"""How long a long reading lasts: five cycles of 100 Hz, six of 120 Hz."""


@dataclass
class Run:
    """The measurement under way: everything seen and said so far.

    Attributes:
        ask: Measures setpoints.
        ask_long: Measures them with readings that last `LONG_S`.
        flickers: Whether all readings are long, since the room's light flickers.
        points: Every point measured, those at a duty of 0 (the room's light alone) left out.
    """

    ask: Measure
    options: TuneOptions
    on_progress: OnProgress | None
    ask_long: Measure
    flickers: bool = False
    points: list[Point] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def stage(self, name: str, planned_points: int) -> None:
        """Announce a stage."""
        if self.on_progress is not None:
            self.on_progress(Stage(name, planned_points))

    def measure(self, setpoints: Sequence[Setpoint]) -> Sequence[Point]:
        """Measure and remember."""
        return self._keep((self.ask_long if self.flickers else self.ask)(setpoints))

    def measure_long(self, setpoints: Sequence[Setpoint]) -> Sequence[Point]:
        """The same with long readings."""
        return self._keep(self.ask_long(setpoints))

    def _keep(self, found: Sequence[Point]) -> Sequence[Point]:
        self.points.extend(p for p in found if p.requested_duty > 0)
        return found

    def sweep(self, name: str, frequencies: Array, duty: float) -> list[Point]:
        """A stage that measures the frequencies at one duty."""
        asked = sorted({round(float(f)) for f in frequencies})
        self.stage(name, len(asked))
        return list(self.measure([Setpoint(f, duty) for f in asked]))


def light_trace(points: Sequence[Point], options: TuneOptions) -> Trace:
    noise = mean_sd(
        [p.light_sd_v for p in points], [p.averages for p in points], options.light_step_v
    )
    over = [Flag.LIGHT_OVER in p.flags for p in points]
    return Trace.sorted([p.frequency_hz for p in points], [p.light_v for p in points], noise, over)


def supply_trace(points: Sequence[Point], options: TuneOptions) -> Trace:
    noise = mean_sd(
        [p.supply_sd_a for p in points], [p.averages for p in points], options.supply_step_a
    )
    return Trace.sorted([p.frequency_hz for p in points], [p.supply_a for p in points], noise)


def default_lit(options: TuneOptions, rest: Point | None) -> Lit:
    if rest is None:
        raise ValueError("without a rest reading, options.lit must say what counts as lit")
    if Flag.SENSOR_FAULT in rest.flags and not math.isfinite(rest.light_v):
        raise NoResult(
            "The light sensor does not answer.",
            "Check its wiring, or choose another way to tell lit from dark.",
        )
    return light_level(rest, options.light_rise_v)


def check_rest(run: Run, rest: Point | None) -> None:
    """Warn of a supply sensor that is off zero with the output off."""
    options = run.options
    if rest is not None:
        run.warnings += warnings(rest_of(rest, options.supply_step_a, options.supply_noise_a))
