"""Groups of sweeps side by side: means, differences, and whether repeatability explains them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from coilwright.compare.figures import (
    LEAST,
    LIGHT,
    PER_AMPERE,
    PICKUP,
    PICKUP_SQUARE,
    SUPPLY,
    UNITS,
    Estimate,
    Figures,
    Sweep,
    figures,
)
from coilwright.compare.pooled import Pooled, pool
from coilwright.results import VERSION, Shown
from coilwright.tune.resonance import ResonanceFit

SENSOR = 0.01 / math.sqrt(3)
"""Standard deviation of a sensor's gain that is expected where groups come from different
drivers: 1 % at most, taken as uniform (JCGM 100:2008, 4.3.7; the 1 % is common practice, no
source)."""

_BY_SENSOR = frozenset((PICKUP, SUPPLY, LEAST, LIGHT, PER_AMPERE, PICKUP_SQUARE))


@dataclass(frozen=True, slots=True)
class Group:
    """Sweeps of one thing. `bench` tells benches apart: whose sensors measured it."""

    label: str
    sweeps: tuple[Sweep, ...]
    bench: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """Second minus first.

    Attributes:
        estimate: The difference with its 95 % interval.
        sd: Its standard deviation.
        freedom: Degrees of freedom of that; infinite where only stated noise counts.
        differs: True where the interval leaves out zero.
        relative: Natural logarithm of second over first; NaN where one is not above zero.
        relative_sd: Standard deviation of that.
    """

    estimate: Estimate
    sd: float
    freedom: float
    differs: bool
    relative: float
    relative_sd: float


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over all groups.

    Attributes:
        name, unit: What it is; the unit is empty for a pure number.
        estimates: One a group, None where the group has none.
        differences: Of each group to the first, one a group after the first.
        between: Standard deviation between repeated sweeps beyond their noise; None where
            nothing was repeated or stated.
    """

    name: str
    unit: str
    estimates: tuple[Estimate | None, ...]
    differences: tuple[Difference | None, ...]
    between: float | None = None


@dataclass(frozen=True, slots=True)
class Comparison(Shown):
    """Result of `compare`.

    Attributes:
        labels: Of the groups.
        rows: The quantities that at least one group has.
        sweeps: Labels of all sweeps, group after group.
        fits: The fitted curves, None where a sweep has no peak.
        remarks: Why a sweep has no peak, or what to know about its fit; empty otherwise.
        left_out: Quantities that are not compared, with the reason.
        repeated: Whether a group has more than one sweep.
        dark: Labels of the groups whose light was measured and not seen at any peak.
    """

    labels: tuple[str, ...]
    rows: tuple[Row, ...]
    sweeps: tuple[str, ...]
    fits: tuple[ResonanceFit | None, ...] = field(repr=False)
    remarks: tuple[str, ...]
    left_out: Mapping[str, str]
    repeated: bool
    dark: tuple[str, ...] = ()

    def row(self, name: str) -> Row | None:
        """The row of a quantity."""
        return next((row for row in self.rows if row.name == name), None)

    def to_json(self) -> dict[str, Any]:
        """The comparison as plain dicts, lists, numbers and strings."""
        return {
            "version": VERSION,
            "groups": list(self.labels),
            "sweeps": [
                {"label": label, "remark": remark}
                for label, remark in zip(self.sweeps, self.remarks, strict=True)
            ],
            "rows": [_row_json(row) for row in self.rows],
            "left_out": dict(self.left_out),
            "repeated": self.repeated,
        }


def _row_json(row: Row) -> dict[str, Any]:
    return {
        "name": row.name,
        "unit": row.unit,
        "repeatability": row.between,
        "estimates": [None if e is None else _estimate(e) for e in row.estimates],
        "differences": [
            None
            if d is None
            else {**_estimate(d.estimate), "differs": d.differs, "relative": d.relative}
            for d in row.differences
        ],
    }


def _estimate(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "low": found.low, "high": found.high}


def compare(sweeps: Sequence[Sweep]) -> Comparison:
    """Put single sweeps side by side, each a group of its own.

    Raises:
        ValueError: No sweep, or the arrays of one differ in length.
    """
    return compare_groups([Group(sweep.label, (sweep,)) for sweep in sweeps])


def compare_groups(
    groups: Sequence[Group],
    *,
    repeatability: Mapping[str, float] | None = None,
    left_out: Mapping[str, str] | None = None,
    extra: Mapping[str, tuple[str, Sequence[Sequence[tuple[float, float]]]]] | None = None,
) -> Comparison:
    """Put groups of sweeps side by side.

    Args:
        groups: The first is what the others are compared to.
        repeatability: By quantity, the standard deviation between sweeps as a share of the value
            where it is known from elsewhere.
        left_out: Quantities not to compare, with the reason.
        extra: More quantities: unit, and for each group its values with their deviations.

    Raises:
        ValueError: No group, an empty one, or the arrays of a sweep differ in length.
    """
    if not groups or not all(group.sweeps for group in groups):
        raise ValueError("there is nothing to compare")
    found = [[figures(sweep) for sweep in group.sweeps] for group in groups]
    stated, left = repeatability or {}, left_out or {}
    rows = []
    for name, unit in UNITS.items():
        kept = [_kept(name, some) for some in found]
        if name not in left and any(kept):
            rows.append(_row(name, unit, groups, kept, stated.get(name)))
    for name, (unit, values) in (extra or {}).items():
        rows.append(_row(name, unit, groups, [_plain(some) for some in values], stated.get(name)))
    flat = [one for some in found for one in some]
    return Comparison(
        labels=tuple(group.label for group in groups),
        rows=tuple(rows),
        sweeps=tuple(one.label for one in flat),
        fits=tuple(one.fit for one in flat),
        remarks=tuple(one.remark for one in flat),
        left_out=dict(left),
        repeated=any(len(group.sweeps) > 1 for group in groups),
        dark=tuple(
            group.label
            for group, some in zip(groups, found, strict=True)
            if all(sweep.light_v is not None for sweep in group.sweeps) and not _kept(LIGHT, some)
        ),
    )


def _kept(name: str, some: Sequence[Figures]) -> list[Estimate]:
    return [one.estimates[name] for one in some if name in one.estimates]


def _plain(values: Sequence[tuple[float, float]]) -> list[Estimate]:
    return [Estimate(value, value - 1.96 * sd, value + 1.96 * sd) for value, sd in values]


def _row(
    name: str,
    unit: str,
    groups: Sequence[Group],
    kept: Sequence[Sequence[Estimate]],
    stated: float | None,
) -> Row:
    size = max((abs(one.value) for some in kept for one in some), default=0.0)
    between = None if stated is None else stated * size
    repeats = [[(one.value, one.sd) for one in some] for some in kept]
    pooled = pool(repeats, between)
    known = stated is not None or math.isfinite(pooled.freedom)
    estimates = [_mean(pooled, i, some, known) for i, some in enumerate(kept)]
    differences = [
        _difference(pooled, i, name in _BY_SENSOR and groups[i].bench != groups[0].bench)
        for i in range(1, len(groups))
    ]
    return Row(name, unit, tuple(estimates), tuple(differences), pooled.between if known else None)


def _mean(pooled: Pooled, index: int, some: Sequence[Estimate], known: bool) -> Estimate | None:
    if not some:
        return None
    if len(some) == 1 and not known:
        return some[0]  # its own interval need not be symmetric
    value, reach = float(pooled.mean[index]), pooled.factor() * float(pooled.sd[index])
    return Estimate(value, value - reach, value + reach)


def _difference(pooled: Pooled, index: int, other_sensors: bool) -> Difference | None:
    """Difference of two independent means: their variances add."""
    first, second = float(pooled.mean[0]), float(pooled.mean[index])
    if math.isnan(first) or math.isnan(second):
        return None
    sds = [float(pooled.sd[0]), float(pooled.sd[index])]
    if other_sensors:
        sds += [SENSOR * first, SENSOR * second]
    sd, value = math.hypot(*sds), second - first
    reach = pooled.factor() * sd
    relative, relative_sd = math.nan, math.nan
    if first > 0 and second > 0:
        relative = math.log(second / first)
        shares = [one / (first, second)[i % 2] for i, one in enumerate(sds)]
        relative_sd = math.hypot(*shares)
    return Difference(
        Estimate(value, value - reach, value + reach),
        sd,
        pooled.freedom,
        abs(value) > reach,
        relative,
        relative_sd,
    )
