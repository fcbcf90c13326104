"""Is a difference within repeatability, explained by part tolerances, or larger than that?

The differences of all figures are taken together, as natural logarithms of ratios. Three
explanations are tried, the simplest first:

1. nothing differs: every figure lies within its repeatability;
2. one part differs: the pattern of all differences is that of one part of the circuit, changed by
   one amount; then this amount is held against the part's tolerance;
3. every part that may differ does: the differences are held against those of builds drawn within
   the tolerances and solved.

Every decision has its share of the 5 % of false alarms.
"""

from __future__ import annotations

import copy
import enum
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import chdtri

from coilwright.build import Build
from coilwright.compare.figures import (
    EDGE,
    FLANK,
    LEAST,
    LIGHT,
    PER_AMPERE,
    QUALITY,
    RESONANCE,
    SUPPLY,
)
from coilwright.compare.parts import PartOf, chance_of, drawn, parts_of
from coilwright.compare.pooled import student
from coilwright.compare.side_by_side import Comparison, Difference
from coilwright.compare.solved import SOLVED, Solver, Values
from coilwright.compare.together import FiguresSeen, Pair, found_together
from coilwright.errors import NoResult
from coilwright.identify.sensors import sensors_of

Reals = NDArray[np.float64]
Progress = Callable[[str], None]

FALSE_ALARM = 0.05
"""Of all figures together, for "within repeatability"."""
PART_ALARM = 0.04
"""Share of pairs of one part within its tolerance that are called larger."""
PATTERN_ALARM = 0.01
"""Share of true changes of one part whose pattern is not recognised as that."""
JOINT_ALARM = 0.02
"""Share of pairs of whole builds called larger by all figures together."""
SINGLE_ALARM = 0.01
"""Share of pairs of whole builds called larger by one figure alone."""

MODEL = 0.05
"""Standard deviation of what the circuit says of a change, as a share of that change: what it is
changed from is not known exactly, and the solver is an idealisation (common practice, no
source)."""

FLOOR = {
    RESONANCE: 3e-4,
    EDGE: 3e-4,
    FLANK: 1e-3,
    QUALITY: 5e-3,
    LEAST: 0.012,
    PER_AMPERE: 0.012,
}
USUAL_FLOOR = 2e-3
"""Standard deviation of that where it says that a figure hardly changes. A valley that is a kink
is read from a sweep one or two per cent too high, by where the points happen to lie."""

ABSOLUTE = {
    RESONANCE: 2e-3,
    FLANK: 4e-3,
    EDGE: 4e-3,
    QUALITY: 0.03,
    LIGHT: 0.5,
    PER_AMPERE: 0.5,
}
USUAL_ABSOLUTE = 0.03
"""Standard deviation with which the first group's own figures tell its parts: errors of sensors
and of the model; how much the light sensor sees is hardly known."""

APART = 6.0
"""Difference of chi-square from which one part explains the pattern clearly better than another
(a likelihood ratio of 20)."""

STEP = 0.02
"""Change of a logarithm for a derivative."""

SHOWN = 3e-3
"""A part that moves no figure by so much, within what is expected of it, cannot be told."""

GUESSES = 4
"""Sets of parts that the first group may have, for how sure the circuit's changes are."""

HOPELESS = 60.0
"""Chi-square a figure from which no such doubt makes a part explain the pattern."""

LARGEST = 1.2
"""Largest change of a logarithm that is tried: a factor of 3.3."""

CURVE = np.array([-1.2, -0.7, -0.45, -0.28, -0.14, 0.0, 0.14, 0.28, 0.45, 0.7, 1.2])
"""Changes of a logarithm at which a part's curve is solved, where slopes lead to no part."""

CLOSER = ((0.12, 3), (0.03, 2))
"""How far around the best of them it is solved again, and for how many of the parts."""

TOLD = 2
"""Parts said to be exchanged up to which each is found together with the first group's parts."""


class Case(enum.StrEnum):
    """The cases, in the words they are told with."""

    WITHIN = "within repeatability"
    EXPLAINED = "explained by part tolerances"
    LARGER = "larger than tolerance explains"
    BEYOND = "larger than repeatability"


@dataclass(frozen=True, slots=True)
class PartChange:
    """A change of one part as the explanation of all differences.

    Attributes:
        part: The part.
        change: Of its natural logarithm, from the first group to the second.
        sd: Standard deviation of that.
        chi_square: Squared weighted residuals of the pattern.
        fits: Whether the pattern is that of this part.
        chance: Probability of so large a change between two parts within tolerance.
    """

    part: PartOf
    change: float
    sd: float
    chi_square: float
    fits: bool
    chance: float

    @property
    def share(self) -> float:
        """Change as a share of the first value."""
        return math.expm1(self.change)

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of that."""
        return math.expm1(self.change - 1.96 * self.sd), math.expm1(self.change + 1.96 * self.sd)

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "part": self.part.label,
            "change": self.share,
            "interval": list(self.interval),
            "tolerance": self.part.tolerance,
            "chance_within_tolerance": self.chance,
            "chi_square": self.chi_square,
            "fits": self.fits,
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to say of one group against the first.

    Attributes:
        label: Of the group.
        case: Over all quantities together.
        cases: By quantity.
        explained: By quantity, the ratio's logarithm up to which tolerances explain it in 95 % of
            pairs of builds, where it was propagated.
        parts: Changes of single parts that explain the pattern, best first; where none does, the
            nearest.
        single: Whether one part alone explains the pattern.
        joint_chance: Probability of so large a difference of all figures together, and of the
            most unusual single one, between two builds within tolerance; None where not needed.
        patterns: Number of figures taken together.
        remarks: What else to know.
    """

    label: str
    case: Case
    cases: Mapping[str, Case]
    explained: Mapping[str, float]
    parts: tuple[PartChange, ...]
    single: bool
    joint_chance: tuple[float, float] | None
    patterns: int
    remarks: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "group": self.label,
            "verdict": str(self.case),
            "quantities": {name: str(case) for name, case in self.cases.items()},
            "tolerance_explains_ratio": {n: math.exp(v) for n, v in self.explained.items()},
            "one_part": self.single,
            "parts": [one.to_json() for one in self.parts],
            "chances": None if self.joint_chance is None else list(self.joint_chance),
            "remarks": list(self.remarks),
        }


def without_build(comparison: Comparison) -> list[Verdict]:
    """Verdicts as far as they go without tolerances: within repeatability or beyond it."""
    out = []
    for place, label in enumerate(comparison.labels[1:]):
        cases = _against_repeatability(comparison, place)
        case = Case.BEYOND if Case.BEYOND in cases.values() else Case.WITHIN
        verdict = Verdict(label, case, cases, {}, (), False, None, len(cases), ())
        out.append(_with_light(verdict, comparison, place, Case.BEYOND))
    return out


def _with_light(verdict: Verdict, comparison: Comparison, place: int, case: Case) -> Verdict:
    """A load that is lit in one group alone has no difference of a figure, and yet is one."""
    row = comparison.row(LIGHT)
    seen = [] if row is None else [row.estimates[0], row.estimates[place + 1]]
    pair = [comparison.labels[0], verdict.label]
    lit, dark = pair if seen and seen[0] is not None else pair[::-1]
    if seen.count(None) != 1 or dark not in comparison.dark:
        return verdict
    remark = f"The light sensor saw light at the peak of {lit}, and none in {dark}."
    cases = {**verdict.cases, LIGHT: case}
    return replace(verdict, case=case, cases=cases, remarks=(remark, *verdict.remarks))


def _against_repeatability(comparison: Comparison, place: int) -> dict[str, Case]:
    """By quantity; together they are called different in 5 % of cases where nothing is."""
    found = [(row.name, row.differences[place]) for row in comparison.rows]
    known = [(name, one) for name, one in found if one is not None]
    cases = {}
    for name, one in known:
        reach = student(1 - FALSE_ALARM, one.freedom, len(known)) * one.sd
        cases[name] = Case.BEYOND if abs(one.estimate.value) > reach else Case.WITHIN
    return cases


@dataclass(frozen=True)
class Observed:
    """Differences of a group to the first that the circuit can tell something of.

    `places` are columns of `SOLVED`; `ratio` the logarithms of ratios there, `sd` their standard
    deviations, widened by Student's t over the normal distribution.
    """

    places: NDArray[np.intp]
    ratio: Reals
    sd: Reals

    @classmethod
    def of(cls, comparison: Comparison, place: int) -> Observed:
        """Those of one group."""
        some: list[tuple[int, Difference]] = []
        for column, name in enumerate(SOLVED):
            row = comparison.row(name)
            one = None if row is None else row.differences[place]
            if one is not None and math.isfinite(one.relative):
                some.append((column, one))
        wide = [student(0.95, one.freedom) / student(0.95, math.inf) for _, one in some]
        return cls(
            np.array([column for column, _ in some], dtype=np.intp),
            np.array([one.relative for _, one in some]),
            np.array([one.relative_sd * w for (_, one), w in zip(some, wide, strict=True)]),
        )

    @property
    def floor(self) -> Reals:
        """Least deviation of what the circuit says of each (q,)."""
        return np.array([FLOOR.get(SOLVED[i], USUAL_FLOOR) for i in self.places.tolist()])

    def at(self, keep: NDArray[np.bool_]) -> Observed:
        """Some of them."""
        return Observed(self.places[keep], self.ratio[keep], self.sd[keep])


class Judge:
    """Holds groups of a comparison against the tolerances of a build.

    Args:
        build: The build of the first group, nominal values with tolerances.
        duty: Duty of the sweeps.
        changed: Parts that were exchanged between the groups; None where nobody said, then all
            with a tolerance may differ.
        draws: Number of builds drawn.
        seed: Of the draws.
        say: Told what goes on.
    """

    def __init__(
        self,
        build: Build,
        duty: float,
        *,
        changed: Sequence[PartOf] | None = None,
        draws: int = 150,
        seed: int = 1,
        say: Progress = lambda text: None,
    ) -> None:
        self.build, self.changed, self.draws, self.seed, self.say = (
            build, changed, draws, seed, say,
        )  # fmt: skip
        self.solver: Callable[[Sequence[Values]], Reals] = Solver(build, duty)
        self.parts = parts_of(build)
        self._nominal: tuple[Reals, Reals] | None = None
        self._whole: Reals | None = None
        self._bases: dict[int, tuple[Comparison, _Base]] = {}

    def alike(
        self, solver: Callable[[Sequence[Values]], Reals], changed: Sequence[PartOf] | None = None
    ) -> Judge:
        """A judge with another solver and other parts exchanged, and what this one has solved."""
        other = copy.copy(self)
        other.solver, other.changed = solver, changed
        return other

    def verdicts(self, comparison: Comparison) -> list[Verdict]:
        """A verdict on every group but the first.

        Raises:
            NoResult: The circuit of the build file has none of the figures that were measured.
        """
        cases = [_against_repeatability(comparison, i) for i in range(len(comparison.labels) - 1)]
        base = (
            _Base(self, comparison) if any(Case.BEYOND in one.values() for one in cases) else None
        )
        out = []
        for place, label in enumerate(comparison.labels[1:]):
            if base is None or Case.BEYOND not in cases[place].values():
                found = cases[place]
                verdict = Verdict(label, Case.WITHIN, found, {}, (), False, None, len(found), ())
            else:
                self.say(f"comparing {label} with {comparison.labels[0]} through the circuit")
                verdict = self._beyond(label, cases[place], Observed.of(comparison, place), base)
            # No build within tolerance loses its light wholly: every one drawn is solved with it.
            out.append(_with_light(verdict, comparison, place, Case.LARGER))
        return out

    def _base(self, comparison: Comparison) -> _Base:
        """The first group's parts; found once a comparison, which is kept so that its id stays."""
        if id(comparison) not in self._bases:
            self._bases[id(comparison)] = comparison, _Base(self, comparison)
        return self._bases[id(comparison)][1]

    def nominal(self) -> tuple[Reals, Reals]:
        """Figures of the nominal build (q,) and their derivatives by logarithms (P, q)."""
        if self._nominal is None:
            self.say("solving the build")
            every = np.arange(len(self.parts))
            self._nominal = self.slopes(np.zeros(len(self.parts)), every)
        return self._nominal

    def shown(self) -> NDArray[np.intp]:
        """The parts that show in some figure within what is expected of them."""
        expected = np.array([one.expected for one in self.parts])
        effect = np.nan_to_num(np.abs(self.nominal()[1])) * expected[:, None]
        return np.flatnonzero(effect.max(axis=1) > SHOWN)

    def values(self, x: Reals) -> dict[str, float]:
        """Values of the parts whose logarithms differ by x (P,) from the nominal ones."""
        return {
            one.key: one.nominal * math.exp(float(d)) for one, d in zip(self.parts, x, strict=True)
        }

    def slopes(self, x: Reals, which: NDArray[np.intp]) -> tuple[Reals, Reals]:
        """Figures (q,) and their derivatives by some parts (p, q) there."""
        steps = np.eye(len(self.parts))[which] * STEP
        found = self.solver([self.values(x), *(self.values(x + one) for one in steps)])
        return found[0], np.asarray((found[1:] - found[0]) / STEP)

    def drawn(self, base: Mapping[str, float]) -> Reals:
        """Figures of builds drawn within the tolerances of what may differ (N, q)."""
        if self.changed is None or all(p in self.changed for p in self.parts if p.tolerance):
            if self._whole is None:
                self._whole = self._solve_draws(self.parts, {})
            return self._whole
        return self._solve_draws(self.changed, dict(base))

    def _solve_draws(self, parts: Sequence[PartOf], base: dict[str, float]) -> Reals:
        sets = drawn(parts, base, self.draws, self.seed)
        out = []
        for begin in range(0, len(sets), 30):
            self.say(f"solving builds within tolerance, {begin} of {len(sets)}")
            out.append(self.solver(sets[begin : begin + 30]))
        return np.concatenate(out)

    def _beyond(
        self, label: str, cases: Mapping[str, Case], seen: Observed, base: _Base
    ) -> Verdict:
        """The verdict on a group that differs beyond repeatability."""
        known = np.isfinite(base.figures[seen.places])
        remarks = []
        if not known.all():
            lost = ", ".join(SOLVED[i] for i in seen.places[~known].tolist())
            remarks.append(f"The circuit of the build file does not show: {lost}.")
        seen = seen.at(known)
        if not len(seen.places):
            raise NoResult(
                "The circuit of the build file shows none of the figures that were measured.",
                "Compare without --build, or check the build file with `coilwright predict`.",
            )
        tried = base.single_changes(label, seen)
        fitting = [
            one for one in tried if one.fits and one.chi_square < tried[0].chi_square + APART
        ]
        may = None if self.changed is None else {one.key for one in self.changed}
        chances, explained = None, dict[str, float]()
        told_one = may is not None and len(may) == 1
        if not told_one:
            chances, explained = self._joint(seen, base, remarks)
        possible = [one for one in fitting if may is None or one.part.key in may]
        if possible:
            larger = all(one.chance < PART_ALARM for one in possible)
        elif told_one or fitting:
            larger = True  # the pattern is not that of what was exchanged
        else:
            assert chances is not None
            larger = chances[0] < JOINT_ALARM or chances[1] < SINGLE_ALARM
        case = Case.LARGER if larger else Case.EXPLAINED
        best = (possible or fitting) or tried[:1]
        return Verdict(
            label=label,
            case=case,
            cases=_by_quantity(cases, case, explained, seen),
            explained=explained,
            parts=tuple(best),
            single=bool(fitting),
            joint_chance=chances,
            patterns=len(seen.places),
            remarks=tuple(remarks),
        )

    def _joint(
        self, seen: Observed, base: _Base, remarks: list[str]
    ) -> tuple[tuple[float, float], dict[str, float]]:
        """Chances of all differences together and of the most unusual one; what is explained."""
        if not any(one.tolerance for one in self.changed or self.parts):
            remarks.append("The build file states no tolerance of what may differ.")
            return (0.0, 0.0), {}
        all_figures = self.drawn(base.values)
        good = np.isfinite(all_figures[:, seen.places])
        keep = good.mean(axis=0) > 0.8
        if not keep.all():
            lost = ", ".join(SOLVED[i] for i in seen.places[~keep].tolist())
            remarks.append(f"Many builds within tolerance do not show: {lost}; it is left out.")
        seen = seen.at(keep)
        figures = all_figures[:, seen.places][good[:, keep].all(axis=1)]
        if len(figures) < 10 * len(seen.places) or not len(seen.places):
            raise NoResult(
                f"Only {len(figures)} of {self.draws} builds within tolerance show the figures.",
                "Give more --draws, or smaller tolerances in the build file.",
            )
        pairs = _pairs(figures, self.seed)
        explained = {
            SOLVED[place]: float(np.quantile(np.abs(pairs[:, i]), 0.95))
            for i, place in enumerate(seen.places.tolist())
        }
        spread = np.hypot(np.hypot(seen.sd, seen.floor), MODEL * pairs)
        noisy = pairs + spread * np.random.default_rng(self.seed).standard_normal(pairs.shape)
        together = _together(noisy, seen.ratio, len(figures))
        return (together, _most_unusual(noisy, seen.ratio)), explained


def _by_quantity(
    cases: Mapping[str, Case], case: Case, explained: Mapping[str, float], seen: Observed
) -> dict[str, Case]:
    """Each quantity for itself: beyond repeatability, is it beyond what tolerances explain?"""
    found = dict(cases)
    ratio = {SOLVED[place]: seen.ratio[i] for i, place in enumerate(seen.places.tolist())}
    for name, one in cases.items():
        if one is Case.BEYOND and name in explained:
            inside = abs(ratio[name]) <= explained[name]
            found[name] = Case.EXPLAINED if inside else Case.LARGER
        elif one is Case.BEYOND and not explained and name in ratio:
            found[name] = case
    return found


def _pairs(figures: Reals, seed: int) -> Reals:
    """Differences of pairs of draws, some thousand of them."""
    random, out = np.random.default_rng(seed), []
    for _ in range(max(1, 3000 // len(figures))):
        order = random.permutation(len(figures))
        out.append(figures - figures[np.roll(order, 1)][np.argsort(order)])
    return np.concatenate(out)


def _together(pairs: Reals, ratio: Reals, builds: int) -> float:
    """Share of pairs that lie at least as far out by the Mahalanobis distance.

    The drawn builds have made the matrix they are measured with, which draws it towards them: the
    distance of each pair is the one that the others' scatter alone gives (Sherman and Morrison's
    formula, the pair's own share taken out).

    Args:
        pairs: Differences of drawn pairs (n, q).
        ratio: The differences at hand (q,).
        builds: Number of builds the pairs are of.
    """
    scale = np.sqrt(np.mean(pairs**2, axis=0))
    pairs, ratio = pairs / scale, ratio / scale
    inverse = np.linalg.pinv(pairs.T @ pairs / len(pairs), rcond=1e-10, hermitian=True)
    far = np.einsum("ni,ij,nj->n", pairs, inverse, pairs)
    far = far / np.maximum(1 - far / (builds - 1), 1e-3)
    return float((1 + np.sum(far >= ratio @ inverse @ ratio)) / (1 + len(far)))


def _most_unusual(pairs: Reals, ratio: Reals) -> float:
    """Share of pairs of which some figure lies at least as far out as the farthest of these."""
    scale = np.sqrt(np.mean(pairs**2, axis=0))
    far = np.abs(pairs / scale).max(axis=1)
    return float((1 + np.sum(far >= np.abs(ratio / scale).max())) / (1 + len(far)))


class _Base:
    """The parts of the first group as far as its figures tell them, and changes from there."""

    def __init__(self, judge: Judge, comparison: Comparison) -> None:
        self.judge = judge
        target = np.full(len(SOLVED), math.nan)
        sd = np.array([ABSOLUTE.get(name, USUAL_ABSOLUTE) for name in SOLVED])
        for column, name in enumerate(SOLVED):
            row = comparison.row(name)
            one = None if row is None else row.estimates[0]
            if one is not None and one.value > 0:
                target[column] = math.log(one.value)
                sd[column] = math.hypot(sd[column], one.sd / one.value)
        self.target, self.sd = target, sd
        self.expected = np.array([one.expected for one in judge.parts])
        self.x, self.figures, self.slope = self._found()
        self.values = judge.values(self.x)
        self._tried: dict[str, list[PartChange]] = {}

    def _found(self) -> tuple[Reals, Reals, Reals]:
        """Most probable parts: two steps after Gauss and Newton."""
        judge = self.judge
        judge.say("finding the parts of the first group")
        figures, slope = judge.nominal()
        x, which = np.zeros(len(judge.parts)), judge.shown()
        first = self._step(x, figures, slope)
        lengths = (1.0, 0.5)
        found = judge.solver([judge.values(share * first) for share in lengths])
        costs = [self._cost(s * first, one) for s, one in zip(lengths, found, strict=True)]
        best = int(np.argmin(costs))
        if costs[best] >= self._cost(x, figures):
            return x, figures, slope
        x, slope = lengths[best] * first, slope.copy()
        figures, slope[which] = judge.slopes(x, which)
        second = self._step(x, figures, slope)
        there = judge.solver([judge.values(x + second)])[0]
        if self._cost(x + second, there) < self._cost(x, figures):
            return x + second, there, slope
        return x, figures, slope

    def _cost(self, x: Reals, figures: Reals) -> float:
        off = (self.target - figures) / self.sd
        off = np.where(np.isfinite(self.target) & ~np.isfinite(figures), 10.0, off)
        return float(np.nansum(off**2) + np.sum((x / self.expected) ** 2))

    def _rows(self, figures: Reals, slope: Reals) -> Reals:
        """Derivatives by parts in units of what is expected, of figures in deviations (P, q)."""
        rows = np.nan_to_num(slope / self.sd) * self.expected[:, None]
        return np.where(np.isfinite(self.target - figures), rows, 0.0)

    def _step(self, x: Reals, figures: Reals, slope: Reals) -> Reals:
        rows = self._rows(figures, slope)
        off = np.nan_to_num((self.target - figures) / self.sd)
        normal = rows @ rows.T + np.eye(len(x))
        scaled = np.linalg.solve(normal, rows @ off - x / self.expected)
        return np.asarray(np.clip(scaled, -3, 3) * self.expected)

    def _guesses(self) -> Reals:
        """Logarithms of parts that the first group may have (g, P), by the linear posterior."""
        rows = self._rows(self.figures, self.slope)
        factor = np.linalg.cholesky(np.linalg.inv(rows @ rows.T + np.eye(len(self.x))))
        normal = np.random.default_rng(self.judge.seed).standard_normal((GUESSES, len(self.x)))
        return np.asarray(self.x + (normal @ factor.T) * self.expected)

    def single_changes(self, label: str, seen: Observed) -> list[PartChange]:
        """Changes of single parts that come nearest to a group's pattern; found once a group."""
        if label not in self._tried:
            self._tried[label] = self._single_changes(seen)
        return self._tried[label]

    def _single_changes(self, seen: Observed) -> list[PartChange]:
        """For each part the change that comes nearest to the pattern, best first.

        Parts that hardly show in any figure are not tried. Where the nearest miss the pattern by
        not too much, the circuit is asked how much it changes otherwise if the first group's parts
        are others that its figures allow.
        """
        slope = np.nan_to_num(self.slope[:, seen.places])
        sd = np.hypot(seen.sd, seen.floor)
        weight = 1 / np.hypot(sd, MODEL * seen.ratio) ** 2
        strength = np.maximum(slope**2 @ weight, 1e-9)
        change = np.clip(slope @ (weight * seen.ratio) / strength, -LARGEST, LARGEST)
        left = ((seen.ratio - change[:, None] * slope) ** 2) @ weight
        order = self.judge.shown()
        order = order[np.argsort(left[order])]
        found, order, at, exact = self._nearer(order, change, sd, seen)
        if not (found and found[0].fits):
            curved = self._curved(sd, seen)
            if curved[0] and (not found or curved[0][0].chi_square < found[0].chi_square):
                found, order, at, exact = curved
            told = self._candidates()
            if self.judge.changed is not None and len(told) <= TOLD:
                both = [self._with_parts(i, sd, seen) for i in told.tolist()]
                both = [one for one in both if one.fits]
                if both:
                    return sorted(both, key=lambda one: one.chi_square)
        if found and found[0].chi_square < HOPELESS * len(sd) and not found[0].fits:
            found = self._with_doubt(order, at, exact, sd, seen)
        return found

    def _candidates(self) -> NDArray[np.intp]:
        """The parts that were exchanged, as far as they show; where nobody said, all that show."""
        shown, may = self.judge.shown(), self.judge.changed
        if may is None:
            return shown
        told = {one.key for one in may}
        return np.array([i for i in shown if self.judge.parts[i].key in told], dtype=np.intp)

    def _curved(
        self, sd: Reals, seen: Observed
    ) -> tuple[list[PartChange], NDArray[np.intp], Reals, Reals]:
        """As `_nearer`, by following the curves on which a change of each part moves the figures.

        A slope at zero says little of a change by a third: resonances then pass each other.
        """
        order, at = self._candidates(), np.zeros(len(self.x))
        slopes: dict[int, Reals] = {}
        grid = CURVE
        for reach, many in ((0.0, len(order)), *CLOSER):
            if reach:
                grid = np.linspace(-reach, reach, 9)
            costs = {}
            for i in order[:many].tolist():
                at[i], costs[i], slopes[i] = self._least(i, at[i] + grid, sd, seen)
            order = np.array(sorted(costs, key=lambda i: costs[i]), dtype=np.intp)
        exact = self._changed(order, at, seen)
        found = [
            self._judged(i, float(at[i]), exact[row], sd, seen, slopes[i])[0]
            for row, i in enumerate(order.tolist())
        ]
        places = np.argsort([one.chi_square for one in found], kind="stable")
        return [found[i] for i in places.tolist()], order[places], at, exact[places]

    def _with_parts(self, i: int, sd: Reals, seen: Observed) -> PartChange:
        """A part's change found together with the first group's parts."""
        judge, which = self.judge, self.judge.shown()
        judge.say(f"following {judge.parts[i].label} together with the other parts")
        unit = self.expected[which]
        measured = self._measured(sd, seen)
        wide = np.hypot(sd, measured.model_sd[seen.places])
        change, _, _ = self._least(i, CURVE, wide, seen)

        def solve(parts: Reals) -> Reals:
            rows = np.tile(self.x, (len(parts), 1))
            rows[:, which] = parts * unit
            return judge.solver([judge.values(x) for x in rows])

        pair = Pair(solve, unit, int(np.flatnonzero(which == i)[0]))
        start = np.append(self.x[which] / unit, change)
        slopes = np.nan_to_num(self.slope[which]) * unit[:, None]
        limit = float(chdtri(measured.freedom, PATTERN_ALARM))
        one = found_together(pair, measured, start, slopes, limit)
        part, fits = judge.parts[i], one.chi_square <= limit
        chance = chance_of(one.change, one.sd, part.tolerance)
        return PartChange(part, one.change, one.sd, one.chi_square, fits, chance)

    def _measured(self, sd: Reals, seen: Observed) -> FiguresSeen:
        """Both groups' figures; the supply sensor's zero moves a small current much."""
        zero_a = sensors_of(self.judge.build).offset[0]
        first_sd = self.sd.copy()
        for name in (SUPPLY, LEAST):
            at = SOLVED.index(name)
            first_sd[at] = math.hypot(first_sd[at], zero_a / math.exp(self.target[at]))
        ratio, ratio_sd = np.full((2, len(SOLVED)), math.nan)
        ratio[seen.places] = seen.ratio
        ratio_sd[seen.places] = np.hypot(sd, MODEL * seen.ratio)
        # What is not known of the light sensor is the same for both.
        model = [min(ABSOLUTE.get(name, USUAL_ABSOLUTE), USUAL_ABSOLUTE) for name in SOLVED]
        return FiguresSeen(self.target, first_sd, ratio, ratio_sd, np.array(model))

    def _least(
        self, i: int, changes: Reals, sd: Reals, seen: Observed
    ) -> tuple[float, float, Reals]:
        """Where on a part's curve, solved at some changes, the differences are nearest: change,
        chi-square and slope (q,) there."""
        sets = [self.judge.values(self.x + one * np.eye(len(self.x))[i]) for one in changes]
        solved = (self.judge.solver(sets) - self.figures)[:, seen.places]
        curve = PchipInterpolator(changes, np.where(np.isfinite(solved), solved, 1.0))
        fine = np.linspace(changes[0], changes[-1], 241)
        there = curve(fine)
        cost = ((seen.ratio - there) ** 2 / (sd**2 + (MODEL * there) ** 2)).sum(axis=1)
        best = int(np.argmin(cost))
        return float(fine[best]), float(cost[best]), np.asarray(curve(fine[best], 1))

    def _nearer(
        self,
        order: NDArray[np.intp],
        change: Reals,
        sd: Reals,
        seen: Observed,
    ) -> tuple[list[PartChange], NDArray[np.intp], Reals, Reals]:
        """Changes solved and bettered, fewer parts each round: best first, with their places, the
        changes they were solved at, and the ratios there."""
        found: list[PartChange] = []
        at, exact, change = change, np.empty((0, len(sd))), change.copy()
        for many in (6, 3, 2):
            order = order[:many]
            at = change.copy()
            exact = self._changed(order, at, seen)
            judged = [
                self._judged(i, float(at[i]), exact[row], sd, seen)
                for row, i in enumerate(order.tolist())
            ]
            for i, (_, better) in zip(order.tolist(), judged, strict=True):
                change[i] = better
            found = [one for one, _ in judged]
            places = np.argsort([one.chi_square for one in found], kind="stable")
            order, exact, found = order[places], exact[places], [found[i] for i in places.tolist()]
        return found, order, at, exact

    def _with_doubt(
        self,
        order: NDArray[np.intp],
        change: Reals,
        exact: Reals,
        sd: Reals,
        seen: Observed,
    ) -> list[PartChange]:
        """The same parts, with what is not known of the first group's parts."""
        guesses = self._guesses()
        moves = np.concatenate(
            [np.zeros((1, len(self.x))), np.eye(len(self.x))[order] * change[order][:, None]]
        )
        sets = [self.judge.values(x + move) for x in guesses for move in moves]
        figures = self.judge.solver(sets)[:, seen.places].reshape(GUESSES, len(moves), -1)
        others = figures[:, 1:] - figures[:, :1]
        spread = np.sqrt(np.nanmean((others - exact) ** 2, axis=0))
        found = []
        for row, i in enumerate(order.tolist()):
            wide = np.hypot(sd, np.nan_to_num(spread[row], nan=1.0))
            _, better = self._judged(i, float(change[i]), exact[row], wide, seen)
            chord = exact[row] / change[i] if abs(change[i]) > 1e-4 else 0.0
            moved = exact[row] + chord * (better - change[i])
            found.append(self._judged(i, better, moved, wide, seen)[0])
        return sorted(found, key=lambda one: one.chi_square)

    def _changed(self, order: NDArray[np.intp], change: Reals, seen: Observed) -> Reals:
        """Ratios that the circuit says for changes of some parts (p, q)."""
        moves = np.eye(len(self.x))[order] * change[order][:, None]
        found = self.judge.solver([self.judge.values(self.x + one) for one in moves])
        return np.asarray((found - self.figures)[:, seen.places])

    def _judged(
        self,
        i: int,
        change: float,
        exact: Reals,
        sd: Reals,
        seen: Observed,
        slope: Reals | None = None,
    ) -> tuple[PartChange, float]:
        """A part with its change as solved, and a better change by the chord, or by the slope of
        its curve there where that is known."""
        part = self.judge.parts[i]
        exact = np.where(np.isfinite(exact), exact, 1.0)  # a figure lost explains nothing
        spread = np.hypot(sd, MODEL * exact)
        chord = exact / change if abs(change) > 1e-4 else self.slope[i, seen.places]
        chord = chord if slope is None else slope
        off = seen.ratio - exact
        weight = 1 / spread**2
        strength = max(float(chord**2 @ weight), 1e-9)
        chi_square = float(off**2 @ weight)
        better = change + float(np.clip(chord @ (weight * off) / strength, -0.3, 0.3))
        own_sd = 1 / math.sqrt(strength)
        limit = float(chdtri(max(len(off) - 1, 1), PATTERN_ALARM))
        chance = chance_of(change, own_sd, part.tolerance)
        one = PartChange(part, change, own_sd, chi_square, chi_square <= limit, chance)
        return one, float(np.clip(better, -LARGEST, LARGEST))
