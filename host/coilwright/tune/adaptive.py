"""A sweep that asks for few points: a coarse pass over the band, then points where they count.

The coarse pass has its points so close that a peak of the expected Q stands out wherever it lies
between them. Where it leaves the peak too vague for a fit, a bracket of evenly spaced points
follows. After that every batch goes where the Fisher matrix of the fit so far says that the
frequency of the maximum gains most (`design`). Points are asked for in batches, since a request to
the driver costs more time than a point.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.quantities import show, show_percent
from coilwright.sensors import UNKNOWN

from .choose import CLEAR
from .design import fisher, next_points, possible_shapes
from .detect import NoPeak, Reason, Trace, guess, in_noise
from .lineshape import Array, Shape
from .resonance import ResonanceFit, fit_resonance, mean_sd
from .search import search

COARSE_WIDTHS = 2.0
"""Distance of the coarse points in widths (f/Q) of the narrowest peak expected. Half-way between
two points such a peak still shows 1/sqrt(1 + 2²) = 45 % of its height on both."""

REACH = 3.0
"""How far from the centre batches may go, in half-widths: beyond, other resonances bend the
curve, and little is to be learnt of the maximum."""

WORTH_A_LOOK = 14.0
"""Gain of `search` from which points are spent around a hidden peak."""

AT_EDGE = (Reason.EDGE_LOW, Reason.EDGE_HIGH, Reason.MONOTONE)
"""Refusals that points in the last gap of the band may overturn."""

BRACKETS = 3
"""Most batches around places that look like a peak, before the fit has the last word."""

BRACKET_POINTS = 5
"""Points of such a batch: evenly spaced ones tell half as much of the maximum as placed ones."""

LOWEST_Q = 4.0

OnBatch = Callable[[str, int], None]
"""Told what a batch is for and how many points it has, just before it is measured."""


class Stopped(enum.Enum):
    """Why an adaptive sweep ended."""

    WANTED = "the frequency is known as well as wanted"
    POINTS = "the points allowed are used up"
    BATCHES = "the batches allowed are used up"
    MISFIT = "the curve's misfit, not the noise, limits the frequency"
    NO_PEAK = "there is no peak to measure"


@dataclass(frozen=True, slots=True)
class SweepOptions:
    """What an adaptive sweep may spend and wants to know. SI units.

    Attributes:
        band_hz: Lowest and highest frequency.
        duty: Duty of all points, a fraction of the period.
        least_duty: Where the probe saturates the duty is halved, but never below this; None
            refuses instead.
        expected_q: Highest Q that the coarse pass must not miss.
        wanted_relative: Half-width of the maximum's 95 % interval, relative to its frequency, at
            which the sweep ends.
        most_points: Points allowed, the coarse pass included.
        most_batches: Batches allowed after the coarse pass.
        batch_points: Points a batch.
        probe_step_v: Step of the probe's converter, the least spread that is believed.
        achievable: The frequency a chip sets, Hz, for a whole number of hertz asked for: then
            only different frequencies are asked for. None takes every hertz as achievable.
    """

    band_hz: tuple[float, float] = (100e3, 250e3)
    duty: float = 0.2
    least_duty: float | None = None
    expected_q: float = 60.0
    wanted_relative: float = 5e-4
    most_points: int = 80
    most_batches: int = 6
    batch_points: int = 9
    probe_step_v: float = UNKNOWN.step_v
    achievable: Callable[[int], float] | None = None

    def __post_init__(self) -> None:
        low, high = self.band_hz
        if not 0 < low < high:
            raise ValueError(f"the band {low} to {high} Hz is empty")
        if not 0 < self.duty <= 1 or not 0 < (self.least_duty or self.duty) <= self.duty:
            raise ValueError("duties must rise: 0 < least <= duty <= 1")
        if self.expected_q <= 0 or self.wanted_relative <= 0:
            raise ValueError("expected Q and wanted interval must be above zero")
        if self.batch_points < 5 or self.most_batches < 1:
            raise ValueError("a batch needs 5 points, and one batch at least must be allowed")


@dataclass(frozen=True, slots=True)
class AdaptiveSweep:
    """What an adaptive sweep found.

    Attributes:
        fit: The resonance; None where there is none, then `refusal` says why.
        refusal: Why there is no resonance.
        stopped: Why the sweep ended.
        reason: The same as a sentence with figures.
        duty: Duty that the fitted points were asked for at.
        points: Everything measured, in order.
        used: The points the fit rests on: those at `duty`.
        batches: How often points were asked for, the coarse pass included.
    """

    fit: ResonanceFit | None
    refusal: NoPeak | None
    stopped: Stopped
    reason: str
    duty: float
    points: tuple[Point, ...]
    used: tuple[Point, ...]
    batches: int

    def trace(self, step_v: float = 0.0) -> Trace:
        """The points the fit rests on, as it saw them."""
        return probe_trace(self.used, step_v)


def adaptive_sweep(
    measure: Measure, options: SweepOptions | None = None, *, on_batch: OnBatch | None = None
) -> AdaptiveSweep:
    """Find the pickup's resonance with few points.

    Args:
        measure: Measures setpoints with the output on.
        options: Band, duty, wanted uncertainty, budget.
        on_batch: Told of every batch just before it is measured.

    Returns:
        The fit, or the refusal: a missing peak raises nothing, the points are of use all the same.
    """
    run = _Sweep(measure, options if options is not None else SweepOptions(), on_batch)
    run.ask("coarse sweep", coarse_grid(run.options))
    try:
        run.unsaturate()
        run.bracket()
        stopped = run.refine()
    except NoPeak as refusal:
        return run.result(None, refusal, Stopped.NO_PEAK)
    return run.result(run.fit, None, stopped)


def coarse_grid(options: SweepOptions) -> Array:
    """Frequencies of the coarse pass, Hz: `COARSE_WIDTHS`·f/Q apart, nine at least."""
    low, high = options.band_hz
    count = math.ceil(math.log(high / low) * options.expected_q / COARSE_WIDTHS) + 1
    return np.geomspace(low, high, max(9, count))


def probe_trace(points: Sequence[Point], step_v: float = 0.0) -> Trace:
    """The pickup over the achieved frequency, with the spread of each mean.

    The achieved duty differs a little from point to point by the chip's steps. How much of that
    shows in the pickup depends on the driver (nothing where the tank clamps the drain, in
    proportion where it does not), so the spread is widened by what it could do at most.
    """
    value = np.array([p.probe_v for p in points])
    duty = np.array([p.duty for p in points])
    noise = mean_sd([p.probe_sd_v for p in points], [p.averages for p in points], step_v)
    aside = value * (duty / max(float(np.median(duty)), 1e-9) - 1)
    over = [Flag.PROBE_OVER in p.flags for p in points]
    return Trace.sorted([p.frequency_hz for p in points], value, np.hypot(noise, aside), over)


@dataclass
class _Sweep:
    """An adaptive sweep under way."""

    measure: Measure
    options: SweepOptions
    on_batch: OnBatch | None
    points: list[Point] = field(default_factory=list)
    used: list[Point] = field(default_factory=list)
    batches: int = 0
    duty: float = 0.0
    fit: ResonanceFit | None = None

    def __post_init__(self) -> None:
        self.duty = self.options.duty

    @property
    def left(self) -> int:
        """Points that may still be asked for."""
        return self.options.most_points - len(self.points)

    def ask(self, purpose: str, frequencies: Array) -> list[Point]:
        """Measure a batch at the present duty and keep it."""
        asked = [round(float(f)) for f in np.sort(frequencies)]
        if self.on_batch is not None:
            self.on_batch(purpose, len(asked))
        found = list(self.measure([Setpoint(f, self.duty) for f in asked]))
        self.points += found
        self.used += found
        self.batches += 1
        return found

    def trace(self) -> Trace:
        return probe_trace(self.used, self.options.probe_step_v)

    def unsaturate(self) -> None:
        """Sweep the part around the saturated points again at half the duty, while there is any."""
        while self._over() and self._halve():
            over = [p.frequency_hz for p in self._over()]
            grid = coarse_grid(self.options)
            aside = 4 * float(np.max(np.diff(grid)))
            near = (grid > min(over) - aside) & (grid < max(over) + aside)
            self.used = []
            self.ask("sweep at less duty", _evenly(grid[near], 15))

    def _over(self) -> list[Point]:
        return [p for p in self.used if Flag.PROBE_OVER in p.flags]

    def _halve(self) -> bool:
        """Half the duty; False where that is not allowed or the points are used up."""
        least = self.options.least_duty
        if least is None or self.duty / 2 < least or self.left < 15:
            return False
        self.duty /= 2
        return True

    def bracket(self) -> None:
        """Make the peak clear enough for a fit: evenly spaced points between its neighbours.

        Raises:
            NoPeak: There is none.
        """
        start = self._located()
        for _ in range(BRACKETS):
            self.fit = self._tried()
            if self.fit is not None and self._clear(self.fit):
                return
            f = np.unique([p.frequency_hz for p in self.used])
            at = int(np.searchsorted(f, start.centre_hz))
            low, high = f[max(0, at - 2)], f[min(f.size - 1, at + 1)]
            if self.left < BRACKET_POINTS:
                break
            self.ask("around the peak", np.linspace(low, high, BRACKET_POINTS + 2)[1:-1])
            self.unsaturate()
            start = _start(self.trace(), self.options.expected_q)
        self.fit = self._fitted()

    def _tried(self) -> ResonanceFit | None:
        """A fit where one is possible yet; a peak at the edge or a saturated probe is final."""
        try:
            return self._fitted()
        except NoPeak as refusal:
            if refusal.reason in (Reason.SATURATED, Reason.EDGE_LOW, Reason.EDGE_HIGH):
                raise
            return None

    def _located(self) -> Shape:
        """Where the coarse pass shows a peak; more points where it shows nothing.

        Raises:
            NoPeak: Those do not show one either.
        """
        trace, grid = self.trace(), coarse_grid(self.options)
        try:
            return _start(trace, self.options.expected_q)
        except NoPeak as refusal:
            at = int(np.argmax(trace.amplitude_v))
            if in_noise(trace, refusal) and self.left > grid.size + 10:
                self.ask("closer sweep", np.sqrt(grid[1:] * grid[:-1]))
            elif min(at, len(trace) - 1 - at) < 3 and refusal.reason in AT_EDGE and self.left > 10:
                # The peak may lie in the last gap of the band.
                end = grid[:3] if at < 3 else grid[-3:]
                self.ask("end of the band", np.linspace(end[0], end[-1], 10)[1:-1])
            else:
                raise
            return _start(self.trace(), self.options.expected_q)

    def _clear(self, fit: ResonanceFit) -> bool:
        """Whether the fit says well enough where the next points belong."""
        f = np.array([p.frequency_hz for p in self.used])
        near = np.count_nonzero(np.abs(f - fit.frequency_hz) < 1.5 * fit.shape.half_width_hz)
        known = fit.frequency_sd_hz < fit.shape.half_width_hz / 3
        return bool(fit.nfree >= 2 and near >= 3 and known)

    def _fitted(self) -> ResonanceFit:
        trace = self.trace()
        return fit_resonance(trace.frequency_hz, trace.amplitude_v, trace.sd_v, over=trace.over)

    def refine(self) -> Stopped:
        """Batches where they count, until one of the ends is reached."""
        stalled = 0
        while True:
            fit = self.fit if self.fit is not None else self._fitted()
            if self._wanted(fit):
                return Stopped.WANTED
            if stalled >= 2:
                return Stopped.MISFIT
            if self.left < 1:
                return Stopped.POINTS
            if self.batches > self.options.most_batches:
                return Stopped.BATCHES
            self.ask("refine", self._next(fit))
            self.unsaturate()
            self.fit = self._fitted()
            gained = _half_interval(self.fit) < 0.9 * _half_interval(fit)
            limited = self.fit.frequency_misfit_hz > 0.7 * self.fit.frequency_sd_hz
            stalled = stalled + 1 if limited and not gained else 0

    def _wanted(self, fit: ResonanceFit) -> bool:
        """Interval small enough, and the top itself covered by points."""
        f = np.array([p.frequency_hz for p in self.used])
        near = np.count_nonzero(np.abs(f - fit.frequency_hz) < fit.shape.half_width_hz)
        enough = _half_interval(fit) < self.options.wanted_relative * fit.frequency_hz
        return bool(enough and near >= 4)

    def _next(self, fit: ResonanceFit) -> Array:
        """The batch that lowers the bound of the maximum's frequency most."""
        free = tuple(np.flatnonzero(np.diagonal(fit.covariance) > 0).tolist())
        trace = self.trace()
        low, high = fit.window_hz
        inside = trace.part((trace.frequency_hz >= low) & (trace.frequency_hz <= high))
        known = [
            (shape, fisher(inside.frequency_hz, inside.sd_v, shape, free))
            for shape in possible_shapes(fit.shape, fit.covariance)
        ]
        sd = float(np.median(inside.sd_v))
        count = min(self.options.batch_points, self.left)
        return next_points(candidates(self.options, fit.shape), count, sd, known, free)

    def result(
        self, fit: ResonanceFit | None, refusal: NoPeak | None, stopped: Stopped
    ) -> AdaptiveSweep:
        return AdaptiveSweep(
            fit, refusal, stopped, self._sentence(fit, refusal, stopped), self.duty,
            tuple(self.points), tuple(self.used), self.batches,
        )  # fmt: skip

    def _sentence(self, fit: ResonanceFit | None, refusal: NoPeak | None, stopped: Stopped) -> str:
        spent = f"{len(self.points)} points in {self.batches} batches"
        if self.duty < self.options.duty:
            spent += f", the last at a duty of {show_percent(self.duty)} since the probe saturated"
        if fit is None:
            why = refusal.message if refusal is not None else stopped.value
            return f"{why} ({spent})"
        half = show(_half_interval(fit), "Hz", 2)
        return f"After {spent} {stopped.value}: within {half}."


def candidates(options: SweepOptions, shape: Shape) -> Array:
    """Frequencies around the peak that a batch may hold, as they are to be asked for, Hz."""
    reach = REACH * shape.half_width_hz
    low = max(options.band_hz[0], shape.centre_hz - reach)
    high = min(options.band_hz[1], shape.centre_hz + reach)
    asked = np.asarray(np.unique(np.rint(np.linspace(low, high, 181))), dtype=np.float64)
    if options.achievable is None:
        return asked
    achieved = np.array([options.achievable(int(f)) for f in asked])
    _, first = np.unique(achieved, return_index=True)
    return np.asarray(asked[first], dtype=np.float64)


def _half_interval(fit: ResonanceFit) -> float:
    low, high = fit.frequency_ci_hz
    return (high - low) / 2


def _evenly(values: Array, most: int) -> Array:
    """At most so many of the values, evenly, both ends kept."""
    if values.size <= most:
        return values
    picked = np.rint(np.linspace(0, values.size - 1, most)).astype(int)
    return np.asarray(values[picked], dtype=np.float64)


def _start(trace: Trace, expected_q: float) -> Shape:
    """Where the peak is, by its highest points where they are clear, else by all points together.

    Raises:
        NoPeak: Nothing stands out.
    """
    shape: Shape | None = None
    refusal: NoPeak | None = None
    try:
        shape = guess(trace)
    except NoPeak as found:
        if not in_noise(trace, found):
            raise
        refusal = found
    if shape is not None and shape.height_v > CLEAR * float(np.median(trace.sd_v)):
        return shape
    hidden = search(trace, (LOWEST_Q, max(2 * LOWEST_Q, expected_q)))
    if hidden is not None and hidden.gain > WORTH_A_LOOK:
        return hidden.shape
    if shape is None:
        assert refusal is not None
        raise refusal
    return shape
