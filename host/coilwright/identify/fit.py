"""Fit of the circuit to the readings: most probable values and their covariance.

Least squares with every unknown's own expectation as one more reading (a maximum of the posterior
under Gaussian assumptions; for instance A. Tarantola, "Inverse Problem Theory", SIAM 2005, chapter
3), by Levenberg and Marquardt's method. A full derivative costs one solution of the circuit for
every value, so it is corrected after each step as C. G. Broyden did (Math. Comp. 19, 577, 1965)
and computed again only where steps no longer do what they should.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.steady_state import SteadyState
from coilwright.errors import NoResult
from coilwright.identify.model import Model, Solved
from coilwright.identify.sensors import LARGEST_MODEL_ERROR, Nuisance, Sensors, nuisance, sigma
from coilwright.identify.trend import Trend, trend

Reals = NDArray[np.float64]
Say = Callable[[str], None]

WILD = 4.0
"""Residual, in standard deviations, from which a reading counts less (Huber's weights)."""

_LARGEST = 2.0  # change in one step, in expected spreads
_MORE = (8.0, 100.0, 3000.0)  # how much more a step is damped where it did not help
_NEAR = 3.5  # step, in posterior standard deviations, at which the next temper begins
_HOPELESS = (0.5, 1.5)
"""Mean squared residual after each temper but the last beyond which a run is given up: beginnings
that led to the parts had at most 0.35 and 0.64, others at least 0.42 and 4 (drawn harbours)."""
_SETTLED = 0.1
"""Step, in posterior standard deviations, at which the fit has settled: what is left of the way
then widens no interval by more than half a per cent."""
_HELD = 0.5
"""Way, in the same, on which a derivative holds."""
_NOISE = 1.0
"""The same where no step gains anything any more, for what the solver errs; the way that is left
is then an error of its own in the covariance."""
_SHARES = (1.0, 0.4, 0.1)
"""Shares of a Gauss-Newton step that are tried together; the solver's time hardly grows."""
_SOLVED = 0.75  # share of the points that must be solved for a step to count
_STALE = 4.0  # posterior standard deviations at which a derivative computed before no longer helps


@dataclass(frozen=True, slots=True)
class FitStage:
    """How a run of the fit goes.

    Attributes:
        tempers: Shares of the readings that are added to their standard deviations, one after
            the other; large ones let the fit find its way from afar.
        steps: Most steps for each.
        derivatives: Most full derivatives of the run.
        rounds: Most Gauss-Newton steps at the end, each with a derivative of its own.
        abandon: Whether to give up before the last temper where there is no hope.
    """

    tempers: tuple[float, ...]
    steps: int
    derivatives: int
    rounds: int
    abandon: bool = True


USUAL = FitStage((0.1, 0.02, 0.0), 8, 4, 8)
SETTLE = FitStage((0.0,), 0, 0, 8)
"""Nothing but the Gauss-Newton steps at the end."""


@dataclass(frozen=True)
class Fitted:
    """Most probable values.

    Attributes:
        values: The P values, SI.
        unknown: The same in units of the expected spread about the expected logarithm (P,),
            followed by the sensors' unknowns (Q,).
        covariance: Of `unknown` (P + Q, P + Q).
        information: What the readings alone add to the inverse of `covariance`, which is this
            plus one.
        ideal: Readings of ideal sensors there (3, n) at the fitted points, and with the sensors'
            gains and offsets (3, n).
        predicted: See `ideal`.
        sigma: Standard deviation of each reading (3, n).
        weight: Share that each reading counted (3, n), 0 where there is none.
        chi_square: Sum of squared residuals over the readings in use.
        readings: Their number.
        solved: The circuit at the fitted points.
        slope, trend: Derivatives of the readings (P, 3, n) and of the solution.
        since: Way from where they were taken (P + Q,).
        steps, derivatives: Work done.
        converged: Whether another step, by a derivative computed within half a standard deviation
            of `values`, would be small.
    """

    values: Reals
    unknown: Reals
    covariance: Reals
    information: Reals
    ideal: Reals
    predicted: Reals
    sigma: Reals
    weight: Reals
    chi_square: float
    readings: int
    solved: Solved
    slope: Reals
    trend: Trend
    since: Reals
    steps: int
    derivatives: int
    converged: bool


class Fit:
    """The fit of one model to its observations.

    Args:
        model: Circuit at the points to fit.
        sensors: Errors to expect of the sensors.
        model_error: Of the circuit, as a share of the reading, by channel (3,).
    """

    def __init__(
        self, model: Model, sensors: Sensors, model_error: Sequence[float] = LARGEST_MODEL_ERROR
    ) -> None:
        self.model, self.seen, self.sensors = model, model.seen, sensors
        self.model_error = np.array(model_error)
        self.fine = self.sigma = sigma(self.seen, sensors, self.model_error)
        self.rough = False
        self.nuisance: Nuisance = nuisance(self.seen, sensors)
        self.centre = np.log([one.centre for one in model.fitted])
        self.spread = np.array([one.spread for one in model.fitted])
        self.step = np.array([one.step for one in model.fitted])
        self.parts = len(self.centre)

    def on(self, places: NDArray[np.int64]) -> Fit:
        """The same fit on some of its points."""
        model = Model(self.model.build, self.model.fitted, self.seen.at(places))
        return Fit(model, self.sensors, tuple(self.model_error))

    def temper(self, share: float) -> None:
        """Take the readings for less sure by a share of themselves and of their channel's size."""
        reading = np.nan_to_num(self.seen.reading)
        size = np.zeros((3, 1))
        for channel in range(3):
            some = reading[channel, self.seen.used[channel]]
            size[channel] = 0.3 * np.sqrt(np.mean(some**2)) if some.size else 0.0
        self.rough = share > 0
        self.sigma = np.sqrt(self.fine**2 + share**2 * (reading**2 + size**2))

    def values(self, unknown: Reals) -> Reals:
        """Values for unknowns (P + Q,)."""
        return np.asarray(np.exp(self.centre + self.spread * unknown[: self.parts]))

    def unknown(self, values: Reals) -> Reals:
        """Unknowns (P + Q,) for values, the sensors without error."""
        own = (np.log(values) - self.centre) / self.spread
        return np.concatenate([own, np.zeros(len(self.nuisance.spread))])

    def predicted(self, unknown: Reals, ideal: Reals) -> Reals:
        """Readings (3, n) with the sensors' gains and offsets."""
        sensors = unknown[self.parts :]
        offset = self.nuisance.offset(sensors, self.seen)
        return np.asarray(self.nuisance.gain(sensors)[:, None] * ideal + offset)

    def residual(self, unknown: Reals, ideal: Reals) -> Reals:
        """(reading − predicted) / sigma, flat (3 n,); 0 where there is none."""
        off = (self.seen.reading - self.predicted(unknown, ideal)) / self.sigma
        return np.nan_to_num(off, nan=0.0).ravel()

    def solve(self, unknown: Reals, start: SteadyState | None = None) -> Solved:
        """The solution at unknowns (P + Q,)."""
        return self.model.solve(self.values(unknown)[None, :], start, rough=self.rough)

    def derivative(self, unknown: Reals, at: Solved) -> tuple[Reals, Trend]:
        """d ideal / d unknown of each part (P, 3, n), by one batch of solutions; and theirs.

        NaN where a solution is missing, which leaves the point out; of rough solutions, which
        only find the way, 0.
        """
        values = self.values(unknown)
        sets = np.concatenate([values[None, :], values * np.exp(np.diag(self.step))])
        # Where it is taken is solved again among them: beginning alike, they err alike.
        solved = self.model.solve(sets, at.points, rough=self.rough)
        step = self.step / self.spread
        slope = (solved.reading[1:] - solved.reading[0]) / step[:, None, None]
        return np.nan_to_num(slope) if self.rough else slope, trend(solved.points, step)

    def known(self, ideal: Reals, slope: Reals) -> NDArray[np.bool_]:
        """Readings (3, n) that are there and of which the circuit tells all."""
        told = np.isfinite(ideal) & np.isfinite(slope).all(axis=0)
        return np.asarray(self.seen.used & told)

    def jacobian(self, unknown: Reals, ideal: Reals, slope: Reals) -> Reals:
        """d predicted / sigma / d unknown (3 n, P + Q)."""
        gain = self.nuisance.gain(unknown[self.parts :])
        parts = np.nan_to_num(slope) * gain[None, :, None]
        rows = np.concatenate([parts, self.nuisance.columns(self.seen, np.nan_to_num(ideal))])
        rows = np.where(self.known(ideal, slope), rows / self.sigma, 0.0)
        return np.asarray(rows.reshape(len(rows), -1).T)

    def run(
        self, first: Reals, stage: FitStage, say: Say, near: SteadyState | None = None
    ) -> Fitted:
        """Fit, beginning at unknowns (P + Q,) and, where one is known, near a solution."""
        self.temper(stage.tempers[0])
        solved = self.solve(first, near)
        _demand(solved)
        return _Run(self, first, stage, say, solved, self.derivative(first, solved)).finish()

    def go_on(self, found: Fitted, say: Say) -> Fitted:
        """Fit, beginning at the end of a fit of the same parts with other weights."""
        begun = found.slope, found.trend
        self.temper(0.0)
        run = _Run(self, found.unknown, SETTLE, say, found.solved, begun)
        run.since = found.since
        return run.finish()


class _Run:
    """One run of the method: the current point, its derivative, and how far to trust it."""

    def __init__(
        self,
        fit: Fit,
        unknown: Reals,
        stage: FitStage,
        say: Say,
        solved: Solved,
        derivative: tuple[Reals, Trend],
    ) -> None:
        self.fit, self.stage, self.say = fit, stage, say
        self.unknown, self.solved = unknown, solved
        self.slope, self.trend = derivative
        self.fresh, self.since = True, np.zeros_like(unknown)
        self.derivatives, self.steps = 1, 0
        self.damping = 0.0
        self.converged = False
        self.left = np.zeros_like(unknown)

    @property
    def ideal(self) -> Reals:
        """Readings of ideal sensors here (3, n)."""
        return np.asarray(self.solved.reading[0])

    def renew(self) -> None:
        """Compute the derivative here."""
        self.slope, self.trend = self.fit.derivative(self.unknown, self.solved)
        self.fresh = True
        self.since = np.zeros_like(self.unknown)
        self.derivatives += 1

    def finish(self) -> Fitted:
        """Run all tempers, the last to its end."""
        *early, last = self.stage.tempers
        for share, hopeless in zip(early, _HOPELESS, strict=False):
            self.fit.temper(share)
            self._approach(_NEAR)
            if self.stage.abandon and self._misfit() > hopeless:
                self.fit.temper(last)
                return self._fitted()
        self.fit.temper(last)
        if early:  # solved roughly so far
            self.solved = self.fit.solve(self.unknown, self.solved.points)
            _demand(self.solved)
            self.fresh = False
        self._approach(_NEAR)
        self._settle()
        return self._fitted()

    def _settle(self) -> None:
        """Gauss-Newton steps, each with a derivative of its own, until the next would be short.

        Derivatives corrected on the way lead near the least sum of squares, not to it, and say
        little of directions that no step went in: intervals want neither.
        """
        self.converged = False
        for round_ in range(self.stage.rounds):
            if not (round_ or self.fresh) or self._far(_HELD):
                self.renew()
            normal, pull, weight = self._normal()
            move = self._move(normal, pull, 0.0)
            if _length(move, normal) < _SETTLED:
                self.converged = True
                return
            self.steps += 1
            best = self._try([share * move for share in _SHARES], normal, pull, weight)
            if best is None:  # what is left is the solver's own noise, or no way was found
                self.converged = _length(move, normal) < _NOISE
                self.left = move
                return
            self._go(*best[:2])

    def _approach(self, close: float) -> None:
        """Steps until the next would be shorter than some standard deviations."""
        self.damping = 1e-3
        for _ in range(self.stage.steps):
            self.steps += 1
            if not self._step(close):
                break

    def _misfit(self) -> float:
        """Mean squared residual of the readings, which count as less sure."""
        _, _, weight = self._normal()
        residual = self.fit.residual(self.unknown, self.ideal)
        misfit = float(weight @ residual**2) / float(self.fit.seen.used.sum())
        self.say(f"misfit {misfit:.3g}")
        return misfit

    def _far(self, limit: float = _STALE) -> bool:
        """Whether the last derivative was computed more than some standard deviations away."""
        return _length(self.since, self._normal()[0]) > limit

    def _normal(self) -> tuple[Reals, Reals, Reals]:
        """Normal matrix, gradient, and the weights of the readings."""
        fit = self.fit
        jacobian = fit.jacobian(self.unknown, self.ideal, self.slope)
        known = fit.known(self.ideal, self.slope).ravel()
        residual = np.where(known, fit.residual(self.unknown, self.ideal), 0.0)
        weight = np.where(known, huber(residual), 0.0)
        normal = jacobian.T @ (weight[:, None] * jacobian) + np.eye(len(self.unknown))
        return normal, jacobian.T @ (weight * residual) - self.unknown, weight

    def _cost(self, unknown: Reals, ideal: Reals, weight: Reals) -> float:
        residual = self.fit.residual(unknown, ideal)
        return float(weight @ residual**2 + unknown @ unknown)

    def _step(self, close: float) -> bool:
        """One step; False where nothing more can be gained."""
        normal, pull, weight = self._normal()
        for dampings in ([self.damping], [max(self.damping, 1e-3) * many for many in _MORE]):
            moves = [self._move(normal, pull, damping) for damping in dampings]
            small = _length(moves[0], normal)
            if small < close:
                return False
            best = self._try(moves, normal, pull, weight)
            if best is not None:
                self._take(*best)
                return True
            if not self.fresh and self.derivatives < self.stage.derivatives:
                self.renew()
                return True
        return False

    def _move(self, normal: Reals, pull: Reals, damping: float) -> Reals:
        move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull)
        longest = float(np.abs(move[: self.fit.parts]).max())
        return np.asarray(move * min(1.0, _LARGEST / max(longest, 1e-12)))

    def _try(
        self, moves: list[Reals], normal: Reals, pull: Reals, weight: Reals
    ) -> tuple[Reals, Solved, float] | None:
        """The best of some moves, solved together: move, solution, gain over the gain expected."""
        fit = self.fit
        sets = np.array([fit.values(self.unknown + move) for move in moves])
        own = np.array([move[: fit.parts] for move in moves])
        start = self.trend.ahead(self.solved.points, own)
        solved = fit.model.solve(sets, start, rough=fit.rough)
        gains = [
            self._gain(self.unknown + move, reading, weight)
            for move, reading in zip(moves, solved.reading, strict=True)
        ]
        best = int(np.argmax(gains))
        move = moves[best]
        expected = float(2 * move @ pull - move @ normal @ move)
        ratio = gains[best] / max(expected, 1e-12)
        moved = _length(move, normal)
        self.say(f"step {self.steps}: gain {ratio:.2g}, moved by {moved:.2g} deviations")
        return (move, solved.of(best), ratio) if ratio > 0 else None

    def _gain(self, unknown: Reals, ideal: Reals, weight: Reals) -> float:
        """How much less the cost would be there, over the readings known both here and there."""
        if not np.isfinite(ideal[0]).mean() > _SOLVED:
            return -np.inf
        both = weight * (np.isfinite(ideal) & np.isfinite(self.ideal)).ravel()
        return self._cost(self.unknown, self.ideal, both) - self._cost(unknown, ideal, both)

    def _take(self, move: Reals, solved: Solved, ratio: float) -> None:
        """Go there; correct the derivative by what the step has shown."""
        parts = self.fit.parts
        own = move[:parts]
        change = solved.reading[0] - self.ideal
        missed = np.nan_to_num(change - np.tensordot(own, self.slope, axes=1))
        normal = self._normal()[0]
        scaled = np.diag(normal)[:parts] * own  # the stiffest values bend most
        if _length(move, normal) > 1.0:  # what a smaller step shows is the solver's own noise
            self.slope = self.slope + scaled[:, None, None] * missed / float(scaled @ own)
        self._go(move, solved)
        self.damping = self.damping / 5 if ratio > 0.5 else self.damping * 3
        poor = ratio < 0.5 and _length(move, normal) > _NEAR
        if poor and self._far() and self.derivatives < self.stage.derivatives:
            self.renew()

    def _go(self, move: Reals, solved: Solved) -> None:
        self.unknown, self.solved, self.fresh = self.unknown + move, solved, False
        self.since = self.since + move

    def _fitted(self) -> Fitted:
        fit = self.fit
        normal, _, weight = self._normal()
        residual = fit.residual(self.unknown, self.ideal)
        used = fit.known(self.ideal, self.slope)
        return Fitted(
            values=fit.values(self.unknown),
            unknown=self.unknown,
            covariance=np.asarray(np.linalg.inv(normal) + np.outer(self.left, self.left)),
            information=normal - np.eye(len(self.unknown)),
            ideal=self.ideal,
            predicted=fit.predicted(self.unknown, self.ideal),
            sigma=fit.sigma,
            weight=weight.reshape(used.shape),
            chi_square=float(weight @ residual**2),
            readings=int(used.sum()),
            solved=self.solved,
            slope=self.slope,
            trend=self.trend,
            since=self.since,
            steps=self.steps,
            derivatives=self.derivatives,
            converged=self.converged,
        )


def _length(move: Reals, normal: Reals) -> float:
    """Length of a move in posterior standard deviations."""
    return float(np.sqrt(move @ normal @ move))


def huber(residual: Reals) -> Reals:
    """Weights of residuals: 1, and less for those far beyond what is usual among them."""
    some = np.abs(residual[residual != 0])
    usual = max(1.0, float(np.median(some)) / 0.6745) if some.size else 1.0
    return np.asarray(np.minimum(1.0, WILD * usual / np.maximum(np.abs(residual), 1e-9)))


def _demand(solved: Solved) -> None:
    if not np.isfinite(solved.reading).mean() > 0.5:
        raise NoResult(
            "The circuit of the build file has no periodic state at most of the measured points.",
            "Check the build file against the driver: `coilwright predict` shows what it does.",
        )
