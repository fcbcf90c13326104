"""What `coilwright compare` says: figures of the groups, their differences, verdicts in words."""

from __future__ import annotations

from collections.abc import Sequence

from coilwright.compare.figures import Estimate
from coilwright.compare.parts import PartOf, explained_change
from coilwright.compare.records import Ground
from coilwright.compare.side_by_side import Comparison, Difference, Row
from coilwright.compare.verdict import PART_ALARM, Case, PartChange, Verdict
from coilwright.quantities import show, show_percent

NOT_REPEATED = (
    "Nothing was swept twice, so only the noise of the readings is known: putting the probe back "
    "or warming up may explain more. Repeat the sweeps, or give --repeatability."
)


def rows(found: Comparison, verdicts: Sequence[Verdict]) -> list[list[str]]:
    """Cells of the table: a line of values a quantity, a line of differences below it."""
    lines = []
    for row in found.rows:
        lines.append([row.name, *(_estimate(row, one) for one in row.estimates)])
        if any(one is not None for one in row.differences):
            cells = [
                _difference(row, one, verdict)
                for one, verdict in zip(row.differences, verdicts, strict=True)
            ]
            lines.append(["  difference", "", *cells])
    return lines


def _estimate(row: Row, estimate: Estimate | None) -> str:
    if estimate is None:
        return "none"
    reach = (estimate.high - estimate.low) / 2
    return f"{_number(estimate.value, row.unit)} ± {_number(reach, row.unit, 2)}"


def _difference(row: Row, difference: Difference | None, verdict: Verdict) -> str:
    if difference is None:
        return "none"
    estimate = difference.estimate
    sign = "+" if estimate.value > 0 else ""
    value = f"{sign}{_number(estimate.value, row.unit, 3)}"
    reach = _number((estimate.high - estimate.low) / 2, row.unit, 2)
    return f"{value} ± {reach}, {verdict.cases[row.name]}"


def _number(value: float, unit: str, digits: int = 6) -> str:
    if unit in ("Hz", "V", "A"):
        return show(value, unit, digits)
    return f"{value:.{min(digits, 4)}g}" + (f" {unit}" if unit else "")


def sentences(found: Comparison, verdicts: Sequence[Verdict], ground: Ground) -> list[str]:
    """Everything below the table, one sentence or two a line."""
    out = []
    for verdict in verdicts:
        out.append(f"{verdict.label} against {found.labels[0]}: {verdict.case}.")
        out += [*_why(verdict), *verdict.remarks]
    if verdicts and not found.repeated and not any(row.between is not None for row in found.rows):
        out.append(NOT_REPEATED)
    by_reason: dict[str, list[str]] = {}
    for name, reason in found.left_out.items():
        by_reason.setdefault(reason, []).append(name)
    out += [f"Not compared, since {why}: {', '.join(names)}." for why, names in by_reason.items()]
    out += [
        f"{one['record']}: least-drawing lit setting {show(one['frequency_hz'], 'Hz')}, duty "
        f"{show_percent(one['duty'])}, {show(one['supply_a'], 'A', 3)}."
        for one in ground.settings
    ]
    out += ground.remarks
    out += [
        f"{label}: {remark}"
        for label, remark in zip(found.sweeps, found.remarks, strict=True)
        if remark
    ]
    return out


def _why(verdict: Verdict) -> list[str]:
    if verdict.case is Case.WITHIN:
        count = len(verdict.cases)
        return [f"Noise and repeated sweeps explain all {count} figures (together at 95 %)."]
    if verdict.case is Case.BEYOND:
        return ["Give --build to hold the differences against the tolerances of its parts."]
    return _by_part(verdict) if verdict.single else _by_all(verdict)


def _by_part(verdict: Verdict) -> list[str]:
    best, *others = verdict.parts
    out = [f"All {verdict.patterns} differences are those of {_changed(best)}, the rest equal."]
    out.append(_against_tolerance(best))
    if others:
        told = "; ".join(_changed(one) for one in others)
        out.append(f"The figures do not tell that from {told}. {_against_tolerance(others[0])}")
    return out


def _by_all(verdict: Verdict) -> list[str]:
    out = []
    if verdict.joint_chance is not None:
        together, single = verdict.joint_chance
        out.append(
            "Of pairs of builds drawn within the tolerances "
            f"{show_percent(together, 2)} differ as much in all figures together, and "
            f"{show_percent(single, 2)} as much in their most unusual figure."
        )
    if verdict.parts and verdict.case is Case.LARGER:
        best = verdict.parts[0]
        out.append(
            f"No part alone explains the differences. Nearest comes {_changed(best)} (chi-square "
            f"{best.chi_square:.3g} for {verdict.patterns} figures)."
        )
    return out


def _changed(one: PartChange) -> str:
    low, high = one.interval
    return (
        f"{one.part.label} changed by {100 * one.share:+.3g} % "
        f"({100 * low:+.3g} to {100 * high:+.3g} %)"
    )


def _against_tolerance(one: PartChange) -> str:
    part: PartOf = one.part
    if not part.tolerance:
        return f"The build file states no tolerance for {part.label}."
    within = explained_change(part.tolerance, 1 - PART_ALARM)
    told = (
        f"Two parts within ±{show_percent(part.tolerance)} differ by more than "
        f"{show_percent(within, 2)} in {show_percent(PART_ALARM)} of pairs"
    )
    chance = "hardly ever" if one.chance < 1e-3 else f"in {show_percent(one.chance, 2)}"
    return f"{told}, and as much as this {chance}."
