"""The matrix of faults and activities: its cases, what must come of each, and what did.

Every fault of the bench's table stands here in at least one strength. What is expected follows
from the fault and the activity; `GAPS` names what the project cannot do yet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from faults.scenarios import ACTIVITIES, Case, Outcome

_ON_ADC = (
    "coil-open",
    "turns-shorted",
    "turns-shorted=50%",
    "metal",
    "metal=30%",
    "tank-drift=10%/min,for=1s",
    "lamp-drift=10%/min,for=1s",
    "probe-drift=10%/min,for=1s",
    "supply-sag",
    "supply-sag=100%",
    "supply-over=100%",
    "supply-lead=5ohm",
    "extra-lamp=10%",
    "probe-open",
    "sensor-stuck",
    "sensor-dead",
    "sensor-reversed",
    "gate-stuck=high",
    "gate-stuck=low",
    "reset",
    "brown-out",
    "loss=1%",
    "loss-to-driver=2%",
    "loss-to-host=2%",
    "loss=100%",
    "bit-errors=1e-4",
    "bit-errors-to-driver=1e-3",
    "bit-errors-to-host=1e-3",
    "latency=16ms",
    "latency-to-driver=50ms",
    "latency-to-host=100ms",
    "stall,for=1s",
    "stall-to-driver,for=1s",
    "stall-to-host,for=2s",
)
_ON_INA226 = ("sensor-stuck", "sensor-dead", "sensor-reversed", "i2c-held")

CASES = [
    *(Case(fault, activity) for fault in _ON_ADC for activity in ACTIVITIES),
    *(Case(fault, activity, "esp32", "ina226") for fault in _ON_INA226 for activity in ACTIVITIES),
]

_TOGETHER = (
    "supply-lead=8ohm and probe-open",
    "lamps-at=20mm and loss=1%",
    "metal and bit-errors=1e-4",
    "sensor-stuck and loss=1%",
    "reset and latency=16ms",
    "extra-lamp=10% and probe-open",
)
PAIRS = [
    Case(faults, activity)
    for faults in _TOGETHER
    for activity in ("ramping", "frequency sweep", "tune")
]
"""Two at once, in the activities in which they can meet."""

_LIMIT_A = 1.0  # the driver's own, and the mean current that may flow while it is on
_NOT_TUNABLE = ("coil-open", "turns-shorted", "metal", "supply-sag", "supply-over", "gate-stuck")
_LINK_ENDS = {"NoAnswer", "LinkLost"}
_SENSOR_TRIPS = ("sensor-stuck", "sensor-dead", "sensor-reversed", "i2c-held")


@dataclass
class Expected:
    """Ends (`done` or a kind of failure) and causes of a trip (0: none) that are right."""

    ends: set[str] = field(default_factory=lambda: {"done"})
    causes: set[int] = field(default_factory=lambda: {0})


def expected(case: Case) -> Expected:
    """What may come of a case."""
    found = Expected(set(), set())
    for fault in case.faults:
        alone = _EXPECT[fault.kind.acts](case, fault.name)
        found.ends |= alone.ends
        found.causes |= alone.causes
        if case.activity == "tune" and (fault.name in _NOT_TUNABLE or len(case.faults) > 1):
            found.ends.add("NoResult")
    # A sensor without a sound reading trips whatever else goes wrong, though on a slow line
    # perhaps only as the output goes off.
    if case.activity != "idle" and any(fault.name in _SENSOR_TRIPS for fault in case.faults):
        ends = {"Tripped", "done"} if "line" in case.acts else {"Tripped"}
        found = Expected(ends, {103})
    if case.activity == "standalone":  # nobody was connected
        found.ends = {"done"}
    return found


def _on(case: Case) -> bool:
    return case.activity != "idle"


def _circuit(case: Case, name: str) -> Expected:
    """The circuit still works, differently, or draws too much; none of it harms a driver off."""
    if _on(case) and name in ("turns-shorted", "supply-over"):
        return Expected({"done", "Tripped"}, {0, 101})
    return Expected()


def _sensor(case: Case, name: str) -> Expected:
    if _on(case) and name in _SENSOR_TRIPS:
        return Expected({"Tripped"}, {103})
    return Expected()


def _gate(case: Case, name: str) -> Expected:
    if case.fault.endswith("high"):
        return Expected({"Tripped"}, {101})  # also with the output off: the current is seen
    return Expected()


def _board(case: Case, name: str) -> Expected:
    """A reset forgets, and the host says so; sweeps and tunes go on at the first missing point."""
    ends = {"idle": {"done", "Restarted"}, "ramping": {"Restarted"}}
    return Expected(ends.get(case.activity, {"done"}))


def _line(case: Case, name: str) -> Expected:
    """Whatever the line does to the bytes: only one that is dead ends the work."""
    if case.fault == "loss=100%":
        return Expected(set(_LINK_ENDS), {102} if case.activity not in _QUIET else {0})
    return Expected()


_QUIET = ("idle", "standalone")
_EXPECT = {"circuit": _circuit, "sensor": _sensor, "gate": _gate, "board": _board, "line": _line}


def complaints(outcome: Outcome, sound: Outcome | None) -> list[str]:
    """What is wrong with an outcome; `sound` is that of the activity without a fault."""
    wanted = expected(outcome.case)
    found = _unsafe(outcome)
    if math.isinf(outcome.failed_s):
        found.append(f"vacuous: it was over before the fault began: {outcome.said}")
    if outcome.ended not in wanted.ends:
        found.append(f"reason: it ended with {outcome.ended}: {outcome.said}")
    if outcome.cause not in wanted.causes:
        found.append(f"reason: the trip is {outcome.cause}, not {sorted(wanted.causes)}")
    if outcome.ended == "Tripped" and f"({outcome.cause})" not in outcome.said:
        found.append(f"reason: it names another trip than {outcome.cause}: {outcome.said}")
    anew = any("started anew" in sentence for sentence in outcome.interruptions)
    if outcome.ended == "done" and outcome.handed_on and (outcome.starts > 1) != anew:
        found.append(f"reason: it says {outcome.interruptions} after {outcome.starts} starts")
    if outcome.ended == "done" and outcome.tune_error:
        found.append(f"tune: {outcome.tune_error}")
    return found + _records(outcome, sound)


def _unsafe(outcome: Outcome) -> list[str]:
    """Low, or, where it runs by itself, a current within the limit."""
    if outcome.case.activity == "idle" and not outcome.low_throughout:
        return ["unsafe: the gate pin was not low all the time"]
    if outcome.low:
        return []
    if outcome.case.activity == "standalone" and outcome.true_a <= _LIMIT_A:
        return []
    return [f"unsafe: the gate pin is not low, {outcome.true_a:.3f} A flow"]


def _records(outcome: Outcome, sound: Outcome | None) -> list[str]:
    """The record holds what was handed on, whole, and before the fault what a sound run reads."""
    points = outcome.handed_on
    if outcome.recorded != [point.index for point in points]:
        return [f"record: {len(outcome.recorded)} rows of {len(points)} points"]
    if "sweep" in outcome.case.activity and outcome.recorded != list(range(len(points))):
        return ["record: the points of the sweep do not follow one another"]
    if sound is None or not points:
        return []
    # A tune chooses its points by what it read: only up to the fault they are those of a sound one.
    on_the_line = "sweep" in outcome.case.activity and outcome.case.acts == {"line"}
    before_s = 0.0
    for n, (point, row) in enumerate(zip(points, outcome.values, strict=True)):
        if point.time_s < before_s:
            break  # started anew: its clock began at 0
        before_s = point.time_s
        told = (point.frequency_hz, point.duty, point.supply_a, point.probe_v, point.light_v)
        if any(abs(a - b) > 1e-6 * max(1.0, abs(a)) for a, b in zip(told, row, strict=True)):
            return [f"record: row {n} is {row}, the point was {told}"]
        same = n > 0 and n < len(sound.values) and (on_the_line or point.time_s < outcome.failed_s)
        if same and not _alike(row, sound.values[n]):
            return [f"record: row {n} is {row}, {sound.values[n]} without the fault"]
        if not on_the_line and point.time_s >= outcome.failed_s:
            break
    return []


_NOISE = (0.0, 0.0, 4e-3, 40e-3, 4e-3)
"""Frequency and duty are exact. Eight standard deviations of a mean of 8 conversions of 1 mV rms,
at 0.5 A/V, 10 V/V and 1 V/V, and one step of the converter."""


def _alike(row: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return all(abs(a - b) <= noise for a, b, noise in zip(row, other, _NOISE, strict=True))


def gap(case: Case) -> str:
    """What the project cannot do yet that shows in this case; empty where nothing is known."""
    for names, activities, reason in GAPS:
        named = any(fault.name in names for fault in case.faults)
        if named and (not activities or case.activity in activities):
            return reason
    return ""


GAPS: tuple[tuple[tuple[str, ...], tuple[str, ...], str], ...] = ()
"""Faults, activities (empty: all), and what is missing."""
