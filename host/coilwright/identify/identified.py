"""What an identification found: values with intervals, and what the records cannot tell apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilwright.build import Build
from coilwright.circuit.driver import THERMAL_V
from coilwright.circuit.tank_resonance import resonance_hz
from coilwright.identify import keys
from coilwright.identify.fit import Fit, Fitted
from coilwright.identify.intervals import Intervals
from coilwright.identify.observations import CHANNELS, Observations
from coilwright.identify.start import pairs
from coilwright.quantities import show
from coilwright.results import VERSION, Shown

Reals = NDArray[np.float64]

POOR_FIT = 4.0
"""Mean squared residual from which the circuit of the build file does not follow the records."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its 95 % interval.

    Attributes:
        name: Key of the build file with the lamp's name, or what it is.
        value, low, high: In `unit`, SI.
        planned: Value before, from the build file or as given.
        source: `records`, `records, plan`, `plan` or `given`: where the interval mostly comes
            from, or `not settled`; empty for what is derived.
    """

    name: str
    unit: str
    value: float
    low: float
    high: float
    planned: float
    source: str

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "name": self.name,
            "unit": self.unit,
            "value": self.value,
            "ci": [self.low, self.high],
            "planned": self.planned,
            "source": self.source,
        }


@dataclass(frozen=True)
class RecordFit:
    """How the circuit follows one record: the points compared (n,), readings (3, n)."""

    label: str
    frequency_hz: Reals
    duty: Reals
    reading: Reals
    predicted: Reals
    sigma: Reals

    def rms(self, channel: int) -> float | None:
        """Root mean square of residuals in standard deviations; None without readings."""
        off = (self.reading[channel] - self.predicted[channel]) / self.sigma[channel]
        return float(np.sqrt(np.nanmean(off**2))) if np.isfinite(off).any() else None


@dataclass(frozen=True)
class Identified(Shown):
    """The result.

    Attributes:
        planned, built: The build before, and as built.
        parts: The fitted values by key, in order.
        keys: Their keys.
        derived: Resonances, Qs and the like.
        covariance: Of the logarithms of the parts (P, P).
        unclear: Sentences on what the records do not separate.
        remarks: Other sentences.
        records: The records with the fitted curves.
        misfit: Mean squared residual in standard deviations.
        wild: Number of readings that counted less, as wild points.
        solved_points: Operating points that were solved.
        settled: Whether the fit came to its end; otherwise values and intervals are not to be
            relied on.
        outside: Keys of parts that contradict their stated tolerance, those together of which
            the records do not tell which one does.
        unsolved: Number of compared points at which no periodic state was found.
    """

    planned: Build
    built: Build
    keys: tuple[str, ...]
    parts: tuple[Value, ...]
    derived: tuple[Value, ...]
    covariance: Reals
    unclear: tuple[str, ...]
    remarks: tuple[str, ...]
    records: tuple[RecordFit, ...]
    misfit: float
    wild: int
    solved_points: int
    settled: bool = True
    outside: tuple[tuple[str, ...], ...] = ()
    unsolved: int = 0

    def part(self, key: str) -> Value:
        """The value of a key."""
        return self.parts[self.keys.index(key)]

    @property
    def correlation(self) -> Reals:
        """Correlations of the logarithms of the parts (P, P)."""
        sd = np.sqrt(np.diag(self.covariance))
        return np.asarray(self.covariance / np.outer(sd, sd))

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "version": VERSION,
            "build": self.planned.name,
            "parts": {key: part.to_json() for key, part in zip(self.keys, self.parts, strict=True)},
            "derived": [one.to_json() for one in self.derived],
            "correlations": {"keys": list(self.keys), "matrix": self.correlation.tolist()},
            "not_separated": list(self.unclear),
            "remarks": list(self.remarks),
            "misfit": self.misfit,
            "wild_readings": self.wild,
            "settled": self.settled,
            "outside_tolerance": [list(some) for some in self.outside],
            "points_not_solved": self.unsolved,
            "records": [
                {
                    "record": one.label,
                    "points": len(one.frequency_hz),
                    **{f"{name}_rms": one.rms(i) for i, name in enumerate(CHANNELS)},
                }
                for one in self.records
            ],
        }


def summarize(
    planned: Build,
    fit: Fit,
    fitted: Fitted,
    everywhere: tuple[Observations, Reals, Reals],
    outside: Sequence[tuple[int, ...]] = (),
) -> Identified:
    """Put a fit into words and numbers.

    Args:
        planned: The build file.
        fit, fitted: The fit.
        everywhere: All points of the records, their predicted readings (3, N) and sigmas.
        outside: Places of parts whose stated tolerance was not believed, those together that the
            records do not tell apart.
    """
    parts = fit.parts
    scale = max(1.0, fitted.chi_square / max(fitted.readings - parts, 1))
    known = Intervals.of(fit, fitted, scale) if fitted.converged else Intervals.expected(fit)
    names = tuple(one.key for one in fit.model.fitted)
    built = keys.with_values(planned, dict(zip(names, fitted.values.tolist(), strict=True)))
    parts_found = tuple(_part(planned, fit, fitted, known, i) for i in range(parts))
    remarks = [_contradicted(planned, fit, parts_found, places) for places in outside]
    remarks += _one_product(fit, known)
    if not fitted.converged:
        remarks.insert(0, NOT_SETTLED)
    if scale > POOR_FIT:
        remarks.append(
            f"The circuit of the build file does not follow the records: residuals are "
            f"{math.sqrt(scale):.1f} times what noise and sensors explain. The intervals are "
            "widened by that, and still suppose that the circuit is right: look at the plot, and "
            "at what the build file leaves out."
        )
    if lost := _unsolved(everywhere[0], everywhere[1]):
        remarks.append(
            f"At {lost} of the points no periodic state of the circuit was found: they are left "
            "out of the comparison and of the plotted curves."
        )
    wild = int(((fitted.weight > 0) & (fitted.weight < 0.7)).sum())
    return Identified(
        planned=planned,
        built=built,
        keys=names,
        parts=parts_found,
        derived=tuple(_derived(planned, built, fit, known)),
        covariance=known.covariance,
        unclear=tuple(_unclear(planned, fit, fitted)),
        remarks=tuple(remarks),
        records=_records(*everywhere),
        misfit=fitted.chi_square / max(fitted.readings, 1),
        wild=wild,
        solved_points=fit.model.solved_points,
        settled=fitted.converged,
        outside=tuple(tuple(names[i] for i in places) for places in outside),
        unsolved=_unsolved(everywhere[0], everywhere[1]),
    )


def _part(planned: Build, fit: Fit, fitted: Fitted, known: Intervals, i: int) -> Value:
    one = fit.model.fitted[i]
    half = known.half(np.eye(fit.parts)[i])
    value = float(fitted.values[i])
    share = math.sqrt(fitted.covariance[i, i])  # of the spread that was expected
    source = "records" if share < 0.5 else "records, plan" if share < 0.9 else "plan"
    if one.given and share > 0.5:
        source = "given"
    low, high = value * math.exp(-half), value * math.exp(half)
    if not fitted.converged:  # the readings have not told anything yet
        source = UNSETTLED
        low = min(value, one.centre * math.exp(-half))
        high = max(value, one.centre * math.exp(half))
    name = keys.label(planned, one.key)
    return Value(name, keys.unit_of(one.key), value, low, high, one.centre, source)


UNSETTLED = "not settled"

NOT_SETTLED = (
    "The fit did not settle: values are where it stopped, and not to be relied on; the intervals "
    "are those of the build file. "
    "Check the build file against the driver, give what you have measured, or sweep again with "
    "more points across the resonances."
)


def _unsolved(seen: Observations, predicted: Reals) -> int:
    """Points with a reading of which the circuit does not tell one."""
    return int((seen.used & ~np.isfinite(predicted)).any(axis=0).sum())


def _contradicted(planned: Build, fit: Fit, parts: Sequence[Value], places: tuple[int, ...]) -> str:
    """Which part does not lie where its label, or who measured it, says."""
    told = []
    for i in places:
        one, value = fit.model.fitted[i], parts[i]
        assert one.limit is not None
        stated = keys.tolerance(planned, one.key)
        limit = one.limit if one.given or stated is None else stated
        half = math.sqrt(value.high / value.low) - 1
        told.append(
            f"{value.name}: found {show(value.value, value.unit, 4)} ± {100 * half:.2g} %, "
            f"{'given as' if one.given else 'its label says'} "
            f"{show(one.centre, value.unit, 4)} ± {100 * limit:.2g} %"
        )
    if len(told) == 1:
        head = "This part contradicts what is stated of it"
    else:
        head = "One of these parts contradicts what is stated of it, the records do not tell which"
    return (
        f"{head}: {'; '.join(told)}. It was fitted without that. Measure it, or look for a wrong "
        "part, a joint, or a wrong value in the build file."
    )


def _one_product(fit: Fit, known: Intervals) -> list[str]:
    """Whether inductance and tank capacitance are known each for itself, where neither was given.

    From the tank's frequency alone only their product is sharp.
    """
    names = [one.key for one in fit.model.fitted]
    coil, tank = (names.index(key) for key in ("coil.inductance", "tank.capacitance"))
    if fit.model.fitted[coil].given or fit.model.fitted[tank].given:
        return []
    own = np.eye(len(names))
    half, sharp = known.half(own[coil]), known.half(own[coil] + own[tank])
    if half > 3 * sharp and half > APART:
        told = (
            "Neither coil.inductance nor tank.capacitance was given, and the records tell mainly "
            f"their product (to {100 * sharp:.2g} %), each for itself only to "
            f"{100 * half:.2g} %. Measure one and give it: --given coil.inductance=…"
        )
    else:
        told = (
            "Neither coil.inductance nor tank.capacitance was given. What the stray loop and hard "
            f"switching do to the supply current tells them apart to {100 * half:.2g} %, if the "
            "circuit of the build file is right; to give one of them is safer."
        )
    return [told]


APART = 0.02
"""Half-width of an interval up to which a value counts as known."""


def _derived(planned: Build, built: Build, fit: Fit, known: Intervals) -> list[Value]:
    """Resonance of tank, lamps and probe, and Q of the tuned ones, by linear propagation."""
    out = []
    names = [one.key for one in fit.model.fitted]
    for part, (first, second) in pairs(fit.model.fitted).items():
        slope = np.zeros(len(names))
        slope[[first, second]] = -0.5
        if part != "tank":  # the LEDs' own capacitance stays as it is
            slope[second] *= keys.value(built, f"{part}.capacitance") / keys.tuned_f(built, part)
        inductor = keys.label(planned, _resonator(part)[0])
        title = "tank" if part == "tank" else inductor.removesuffix(".inductance")

        def hertz(build: Build, part: str = part) -> float:
            coil, capacitor = (keys.value(build, key) for key in _resonator(part))
            return resonance_hz(coil, capacitor if part == "tank" else keys.tuned_f(build, part))

        name = f"{title} resonance"
        out.append(_by_slope(name, "Hz", hertz(built), hertz(planned), slope, known))
        if part != "tank":
            out.append(_quality(title, part, planned, built, names, known))
    out += [
        _forward(planned, built, key, known.half(np.eye(len(names))[i]))
        for i, key in enumerate(names)
        if key.endswith(_LED)
    ]
    return out


_LED = ".led.saturation_current"
LED_A = 1e-3
"""Current for which an LED's forward voltage is told."""


def _forward(planned: Build, built: Build, key: str, share: float) -> Value:
    """Forward voltage of an LED, which says more than its saturation current."""
    now, before = (forward_v(build, key) for build in (built, planned))
    half = share * keys.value(built, key.replace("saturation_current", "emission")) * THERMAL_V
    name = keys.label(planned, key).removesuffix(_LED)
    return Value(f"{name} LED at 1 mA", "V", now, now - half, now + half, before, "")


def forward_v(build: Build, key: str) -> float:
    """Forward voltage at `LED_A` of the LED whose saturation current has this key."""
    part = key.removesuffix("saturation_current")
    junction = keys.value(build, f"{part}emission") * THERMAL_V
    drop = LED_A * keys.value(build, f"{part}resistance")
    return junction * math.log1p(LED_A / keys.value(build, key)) + drop


def _resonator(part: str) -> tuple[str, str]:
    if part == "tank":
        return "coil.inductance", "tank.capacitance"
    return f"{part}.inductance", f"{part}.capacitance"


def _q(values: dict[str, float]) -> float:
    """Q of inductor and load together: 1/Q = R / Z + Z / load, Z = sqrt(L / C)."""
    z = math.sqrt(values["inductance"] / (values["capacitance"] + values["LEDs"]))
    loss = values["resistance"] / z + z / values["load"]
    return 1 / loss if loss > 0 else math.inf


def _quality(
    title: str,
    part: str,
    planned: Build,
    built: Build,
    names: Sequence[str],
    known: Intervals,
) -> Value:
    own = ("inductance", "resistance", "capacitance", "load")

    def parts(build: Build) -> dict[str, float]:
        found = {name: keys.value(build, f"{part}.{name}") for name in own}
        return found | {"LEDs": keys.tuned_f(build, part) - found["capacitance"]}

    now, before = parts(built), parts(planned)
    slope = np.zeros(len(names))
    for name in own:
        key = f"{part}.{name}"
        if key in names:
            moved = {**now, name: now[name] * 1.001}
            slope[list(names).index(key)] = math.log(_q(moved) / _q(now)) / math.log(1.001)
    return _by_slope(f"{title} Q, LEDs dark", "", _q(now), _q(before), slope, known)


def _by_slope(
    name: str,
    unit: str,
    value: float,
    planned: float,
    slope: Reals,
    known: Intervals,
) -> Value:
    half = known.half(slope)
    low, high = value * math.exp(-half), value * math.exp(half)
    return Value(name, unit, value, low, high, planned, "")


WEAK = 1.0
"""Information of the readings, relative to that of the build file, below which a direction of the
values is said not to be separated."""


def _unclear(planned: Build, fit: Fit, fitted: Fitted) -> list[str]:
    """Directions in which the readings tell less than the build file, in words.

    Eigenvectors of the Fisher information in units of what is expected of each value; the
    sensors' gains and offsets are left free.
    """
    parts = fit.parts
    own, mixed = fitted.information[:parts, :parts], fitted.information[:parts, parts:]
    sensors = fitted.information[parts:, parts:]
    free = sensors + np.eye(len(sensors))
    size, direction = np.linalg.eigh(own - mixed @ np.linalg.solve(free, mixed.T))
    names = [keys.label(planned, one.key) for one in fit.model.fitted]
    alone: list[str] = []
    out: list[str] = []
    for strength, vector in zip(size, direction.T, strict=True):
        if strength >= WEAK:
            continue
        order = np.argsort(-np.abs(vector))
        major = [int(i) for i in order if abs(vector[i]) > 0.35 * abs(vector[order[0]])][:4]
        if len(major) == 1:
            alone.append(names[major[0]])
            continue
        out.append(_together(planned, vector, major, names, fit))
    if alone:
        what = ", ".join(alone)
        out.insert(0, f"The records tell little of {what}; see where each comes from.")
    return out


def _together(
    planned: Build, vector: Reals, major: Sequence[int], names: Sequence[str], fit: Fit
) -> str:
    """One direction as changes, of the size one may expect, that no reading would show."""
    change = vector * fit.spread * np.sign(vector[major[0]])
    terms = []
    for i in major:
        name, share = names[i], math.expm1(change[i])
        if name.endswith(_LED):
            key = fit.model.fitted[i].key
            emission = keys.value(planned, key.replace("saturation_current", "emission"))
            share = -change[i] * emission * THERMAL_V / forward_v(planned, key)
            name = name.removesuffix(".saturation_current") + " voltage"
        terms.append(f"{name} {100 * share:+.2g} %")
    return f"Not separated: {', '.join(terms)}; changed together so, they change no reading."


def _records(seen: Observations, predicted: Reals, spread: Reals) -> tuple[RecordFit, ...]:
    out = []
    for record, label in enumerate(seen.labels):
        here = np.flatnonzero(seen.record == record)
        out.append(
            RecordFit(
                label,
                seen.frequency_hz[here],
                seen.duty[here],
                seen.reading[:, here],
                predicted[:, here],
                spread[:, here],
            )
        )
    return tuple(out)
