"""What an identification found: values with intervals, what belongs together, what cannot be told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilwright.build import Build
from coilwright.identify import keys
from coilwright.identify.fit import Fit, Fitted
from coilwright.identify.observations import CHANNELS, Observations
from coilwright.identify.start import pairs

Reals = NDArray[np.float64]

REACH = 1.96
"""Standard deviations to each side of a 95 % interval (normal distribution)."""

POOR_FIT = 4.0
"""Mean squared residual from which the circuit of the build file does not follow the records."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its 95 % interval.

    Attributes:
        name: Key of the build file with the lamp's name, or what it is.
        value, low, high: In `unit`, SI.
        planned: Value before, from the build file or as given.
        source: `readings`, `readings and build file`, `build file` or `given`: where the
            interval mostly comes from.
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
    """How the circuit follows one record: all its points (n,), readings (3, n)."""

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
class Identified:
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
            "build": self.planned.name,
            "parts": {key: part.to_json() for key, part in zip(self.keys, self.parts, strict=True)},
            "derived": [one.to_json() for one in self.derived],
            "correlations": {"keys": list(self.keys), "matrix": self.correlation.tolist()},
            "not_separated": list(self.unclear),
            "remarks": list(self.remarks),
            "misfit": self.misfit,
            "wild_readings": self.wild,
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
    planned: Build, fit: Fit, fitted: Fitted, everywhere: tuple[Observations, Reals, Reals]
) -> Identified:
    """Put a fit into words and numbers.

    Args:
        planned: The build file.
        fit, fitted: The fit.
        everywhere: All points of the records, their predicted readings (3, N) and sigmas.
    """
    parts = fit.parts
    scale = max(1.0, fitted.chi_square / max(fitted.readings - parts, 1))
    covariance = fitted.covariance[:parts, :parts] * scale * np.outer(fit.spread, fit.spread)
    names = tuple(one.key for one in fit.model.fitted)
    built = keys.with_values(planned, dict(zip(names, fitted.values.tolist(), strict=True)))
    remarks = []
    if scale > POOR_FIT:
        remarks.append(
            f"The circuit of the build file does not follow the records: residuals are "
            f"{math.sqrt(scale):.1f} times what noise and sensors explain. The intervals are "
            "widened by that, and still suppose that the circuit is right: look at the plot, and "
            "at what the build file leaves out."
        )
    wild = int(((fitted.weight > 0) & (fitted.weight < 0.7)).sum())
    return Identified(
        planned=planned,
        built=built,
        keys=names,
        parts=tuple(_part(planned, fit, fitted, covariance, i) for i in range(parts)),
        derived=tuple(_derived(planned, built, fit, fitted, covariance)),
        covariance=covariance,
        unclear=tuple(_unclear(planned, fit, fitted)),
        remarks=tuple(remarks),
        records=_records(*everywhere),
        misfit=fitted.chi_square / max(fitted.readings, 1),
        wild=wild,
        solved_points=fit.model.solved_points,
    )


def _part(planned: Build, fit: Fit, fitted: Fitted, covariance: Reals, i: int) -> Value:
    one = fit.model.fitted[i]
    sd = math.sqrt(covariance[i, i])
    value = float(fitted.values[i])
    share = math.sqrt(fitted.covariance[i, i])  # of the spread that was expected
    source = "readings" if share < 0.5 else "readings and build file"
    if share > 0.9:
        source = "build file"
    if one.given and share > 0.5:
        source = "given"
    low, high = value * math.exp(-REACH * sd), value * math.exp(REACH * sd)
    name = keys.label(planned, one.key)
    return Value(name, keys.unit_of(one.key), value, low, high, one.centre, source)


def _derived(
    planned: Build, built: Build, fit: Fit, fitted: Fitted, covariance: Reals
) -> list[Value]:
    """Resonance of tank, lamps and probe, and Q of the tuned ones, by linear propagation."""
    out = []
    names = [one.key for one in fit.model.fitted]
    for part, (first, second) in pairs(fit.model.fitted).items():
        slope = np.zeros(len(names))
        slope[[first, second]] = -0.5
        title = "tank" if part == "tank" else keys.label(planned, f"{part}.").rstrip(".")

        def hertz(build: Build, part: str = part) -> float:
            coil, capacitor = _resonator(part)
            product = keys.value(build, coil) * keys.value(build, capacitor)
            return 1 / (2 * math.pi * math.sqrt(product))

        name = f"{title} resonance"
        out.append(_by_slope(name, "Hz", hertz(built), hertz(planned), slope, covariance, fitted))
        if part != "tank":
            out.append(_quality(title, part, planned, built, names, covariance, fitted))
    return out


def _resonator(part: str) -> tuple[str, str]:
    if part == "tank":
        return "coil.inductance", "tank.capacitance"
    return f"{part}.inductance", f"{part}.capacitance"


def _q(values: dict[str, float]) -> float:
    """Q of inductor and load together: 1/Q = R / Z + Z / load, Z = sqrt(L / C)."""
    z = math.sqrt(values["inductance"] / values["capacitance"])
    loss = values["resistance"] / z + z / values["load"]
    return 1 / loss if loss > 0 else math.inf


def _quality(
    title: str,
    part: str,
    planned: Build,
    built: Build,
    names: Sequence[str],
    covariance: Reals,
    fitted: Fitted,
) -> Value:
    own = ("inductance", "resistance", "capacitance", "load")
    now = {name: keys.value(built, f"{part}.{name}") for name in own}
    before = {name: keys.value(planned, f"{part}.{name}") for name in own}
    slope = np.zeros(len(names))
    for name in own:
        key = f"{part}.{name}"
        if key in names:
            moved = {**now, name: now[name] * 1.001}
            slope[list(names).index(key)] = math.log(_q(moved) / _q(now)) / math.log(1.001)
    return _by_slope(f"{title} Q, LEDs dark", "", _q(now), _q(before), slope, covariance, fitted)


def _by_slope(
    name: str,
    unit: str,
    value: float,
    planned: float,
    slope: Reals,
    covariance: Reals,
    fitted: Fitted,
) -> Value:
    sd = math.sqrt(float(slope @ covariance @ slope))
    low, high = value * math.exp(-REACH * sd), value * math.exp(REACH * sd)
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
        out.append(_together(vector, major, names, fit))
    if alone:
        what = ", ".join(alone)
        out.insert(0, f"The records tell little of {what}: mostly from the build file or as given.")
    return out


def _together(vector: Reals, major: Sequence[int], names: Sequence[str], fit: Fit) -> str:
    """One direction as changes that no reading would show."""
    change = vector * fit.spread
    change = change / abs(change[major[0]]) * 0.05 * np.sign(change[major[0]])
    terms = [f"{names[i]} {100 * math.expm1(change[i]):+.1f} %" for i in major]
    return "The records do not separate " + ", ".join(terms) + ": together they change no reading."


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
