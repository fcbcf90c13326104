"""The whole identification: records and a build file in, the parts as built out."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from coilwright.build import Build
from coilwright.errors import NoResult
from coilwright.identify.fit import USUAL, Fit, FitStage, Fitted
from coilwright.identify.identified import POOR_FIT, Identified, summarize
from coilwright.identify.labels import contradiction, freed
from coilwright.identify.model import Given, Model, parameters
from coilwright.identify.model_error import model_error
from coilwright.identify.observations import nearest, observe, thin
from coilwright.identify.sensors import sensors_of
from coilwright.identify.start import COARSE, align
from coilwright.record import Record

Reals = NDArray[np.float64]

POINTS = 28
"""Points the fit uses; the circuit is solved some sixty times at each."""

MORE_POINTS, MORE_COARSE = 32, 20
"""Points of the fit and of its grids where fewer did not lead to the parts."""

THOROUGH = replace(USUAL, abandon=False)
"""Every beginning is then followed to its end."""

FROM_NEAR = FitStage((0.0,), 8, 4, 8)
"""A fit that begins at another's end."""

MOST_WEIGHED, SAME_ERROR = 2, 0.1
"""How often the model's error is told anew, and the change of its logarithm that is none."""

MOST_OUTSIDE = 3
"""Labels that are taken back at most; beyond, it is rather the circuit that is another."""

COMPARED = 160
"""Points the result is compared with at most; of more, every second or third."""


def identify(
    records: Sequence[Record],
    build: Build,
    *,
    given: Mapping[str, Given] | None = None,
    loads: Sequence[Mapping[int, int]] | None = None,
    light: bool = True,
    say: Callable[[str], None] = lambda text: None,
) -> Identified:
    """Fit the circuit of a build to records of it.

    Args:
        records: Sweeps or tunes of one driver, probe and sensors left as they were.
        build: What was planned, with tolerances.
        given: Values that were measured, by key.
        loads: For each record, numbers of lamps that differ from the build, by receiver index.
        light: Whether to use the light sensor.
        say: Told what goes on.

    Raises:
        BadRecord: A record has no usable readings.
        NoResult: The circuit has no periodic state, or the fit does not settle.
    """
    seen = observe(records, loads, light=light, divider=build.probe.divider)
    sensors = sensors_of(build, _sensor(records))
    model = Model(build, parameters(build, given or {}), seen.at(thin(seen, POINTS)))
    fit = Fit(model, sensors)
    say(f"{len(seen)} points read, {len(model.seen)} of them chosen for the fit")
    say("looking for the resonances")
    fitted = _best(fit, COARSE, USUAL, say)
    if not _good(fitted):
        model = Model(build, model.fitted, seen.at(thin(seen, MORE_POINTS)))
        fit = Fit(model, sensors)
        say("looking for the resonances again, at more points")
        fitted = _best(fit, MORE_COARSE, THOROUGH, say)
    fit, fitted = weighed(fit, fitted, say)
    fit, fitted, outside = _believed(fit, fitted, say)
    model = fit.model
    if not np.isfinite(fitted.covariance).all():
        raise NoResult("The fit does not settle.", "Check the build file against the driver.")
    seen = seen.at(np.arange(0, len(seen), max(1, math.ceil(len(seen) / COMPARED))))
    say(f"comparing with {len(seen)} points")
    near = fitted.solved.points.at(nearest(model.seen, seen))
    whole = Fit(Model(build, model.fitted, seen), sensors, tuple(fit.model_error))
    # At full accuracy: what stands in the plot as the circuit's must be the circuit's.
    predicted = whole.predicted(fitted.unknown, whole.solve(fitted.unknown, near).reading[0])
    return summarize(build, fit, fitted, (seen, predicted, whole.sigma), outside)


def _believed(
    fit: Fit, fitted: Fitted, say: Callable[[str], None]
) -> tuple[Fit, Fitted, list[tuple[int, ...]]]:
    """The fit without the labels that the records contradict, and their places."""
    outside: list[tuple[int, ...]] = []
    while fitted.converged and len(outside) < MOST_OUTSIDE:
        told = contradiction(fit.model.fitted, fitted)
        if told is None:
            break
        outside.append(told.places)
        names = " or ".join(fit.model.fitted[i].key for i in told.places)
        say(f"{names} lies outside its tolerance; fitting without that")
        model = Model(fit.model.build, freed(fit.model.fitted, told), fit.seen)
        fit = Fit(model, fit.sensors, tuple(fit.model_error))
        fitted = fit.run(fit.unknown(fitted.values), FROM_NEAR, say, fitted.solved.points)
        fit, fitted = weighed(fit, fitted, say)
    return fit, fitted, outside


def weighed(fit: Fit, fitted: Fitted, say: Callable[[str], None]) -> tuple[Fit, Fitted]:
    """The fit with the model's error as large as the readings tell."""
    for _ in range(MOST_WEIGHED):
        if not fitted.converged:
            break
        error = model_error(fit, fitted)
        if np.abs(np.log(error / fit.model_error)).max() < SAME_ERROR:
            break
        say(f"the model errs by {', '.join(f'{100 * one:.2g} %' for one in error)}")
        other = Fit(fit.model, fit.sensors, tuple(error))
        further = other.go_on(fitted, say)
        if not further.converged:  # the wider intervals of the fit that settled hold
            break
        fit, fitted = other, further
    return fit, fitted


def _best(fit: Fit, coarse: int, stage: FitStage, say: Callable[[str], None]) -> Fitted:
    """The best fit from the promising beginnings; mostly the first is good."""
    found: list[Fitted] = []
    for one in align(fit, coarse):
        found.append(fit.run(fit.unknown(one.values), stage, say, one.near(fit.seen)))
        if _good(found[-1]):
            break
        say("the circuit does not follow the records yet; beginning elsewhere")
    return min(found, key=lambda one: (not one.converged, one.chi_square / one.readings))


def _good(fitted: Fitted) -> bool:
    return fitted.converged and fitted.chi_square < POOR_FIT * fitted.readings


def _sensor(records: Sequence[Record]) -> str | None:
    """The supply sensor that the records name."""
    for record in records:
        board = record.metadata.facts.get("board") if record.metadata else None
        if isinstance(board, dict):
            for value in board.values():
                if str(value).lower() in ("adc", "ina219", "ina226"):
                    return str(value).lower()
    return None
