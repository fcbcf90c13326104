"""Which points of a record were lit, by the rule its tune went by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilwright.errors import NoResult
from coilwright.kept_results import TuneKept
from coilwright.point import Flag
from coilwright.record import Record
from coilwright.report import told
from coilwright.report.told import noted
from coilwright.tune.lit import LightLevel, Lit, ProbeLevel, light_level


def seen_lit(record: Record, rows: NDArray[np.intp]) -> tuple[NDArray[np.int8], float | None, str]:
    """Lit or not of every row, the level, and what decided."""
    unknown = np.full(len(rows), -1, np.int8)
    plan = noted(record, "plan")
    if told.text(plan, "lit") == "ask":
        answers = _answers(told.results(record, TuneKept))
        times = record["time_s"][rows].tolist()
        return np.array([answers.get(t, -1) for t in times], np.int8), None, "operator"
    rule = _rule(record)
    if isinstance(rule, ProbeLevel):
        seen, over, level = record["probe_v"][rows], Flag.PROBE_OVER, rule.level_v
    elif isinstance(rule, LightLevel):
        seen, over = record["light_v"][rows], Flag.LIGHT_OVER
        level = rule.dark_v + rule.rise_v
    else:
        return unknown, None, ""
    beyond = (record["flags"][rows].astype(np.int64) & int(over)) != 0
    lit = np.where(np.isfinite(seen) | beyond, (seen >= level) | beyond, -1)
    return lit.astype(np.int8), level, rule.kind


def _answers(tune: TuneKept) -> dict[float, int]:
    return {
        answer.time_s: int(answer.lit)
        for answer in tune.answers
        if answer.time_s is not None and answer.lit is not None
    }


def _rule(record: Record) -> Lit | None:
    """The criterion that a tune with this plan and calibration uses; None where not known."""
    plan, calibration = noted(record, "plan"), noted(record, "calibration")
    by, asked = told.text(plan, "lit"), told.number(plan, "lit_level")
    if by == "probe":
        level = asked or told.number(calibration, "probe_level_v")
        return ProbeLevel(level) if level else None
    rise = asked or told.number(calibration, "light_level_v") or None
    if "rest" not in record.stages or (by != "light" and rise is None):
        return None
    # Since a tune reads the room's light over whole cycles of the mains, it goes by that reading.
    rest = record.stage("dark" if "dark" in record.stages else "rest").points[0]
    if not np.isfinite(rest.light_v) or (rest.light_v == 0 and rest.light_sd_v == 0):
        return None
    try:
        return light_level(rest, rise)
    except NoResult:
        return None
