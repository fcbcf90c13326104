"""The whole identification: records and a build file in, the parts as built out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from coilwright.build import Build
from coilwright.errors import NoResult
from coilwright.identify.fit import USUAL, Fit, Fitted
from coilwright.identify.model import Given, Model, parameters
from coilwright.identify.observations import Observations, observe, thin
from coilwright.identify.result import POOR_FIT, Identified, summarize
from coilwright.identify.sensors import sensors_of, sigma
from coilwright.identify.start import align
from coilwright.record import Record

POINTS = 32
"""Points the fit uses; the circuit is solved some ninety times at each."""


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
    fitted = _best(fit, say)
    if not np.isfinite(fitted.covariance).all():
        raise NoResult("The fit does not settle.", "Check the build file against the driver.")
    say("comparing with all points")
    nearest = np.array([_nearest(model.seen, seen, place) for place in range(len(seen))])
    everywhere = Model(build, model.fitted, seen).solve(
        fitted.values[None, :], start=fitted.state[nearest]
    )
    whole = Fit(Model(build, model.fitted, seen), sensors)
    predicted = whole.predicted(fitted.unknown, np.asarray(everywhere.reading[0]))
    return summarize(build, fit, fitted, (seen, predicted, sigma(seen, sensors)))


def _nearest(chosen: Observations, seen: Observations, place: int) -> int:
    """The chosen point most like a point: of its record, nearest in frequency and duty."""
    far = np.abs(np.log(chosen.frequency_hz / seen.frequency_hz[place]))
    far = far + np.abs(chosen.duty - seen.duty[place]) + (chosen.record != seen.record[place])
    return int(np.argmin(far))


def _best(fit: Fit, say: Callable[[str], None]) -> Fitted:
    """The best fit from the promising beginnings; mostly the first is good."""
    say("looking for the resonances")
    best: Fitted | None = None
    for values in align(fit):
        found = fit.run(fit.unknown(values), USUAL, say)
        if best is None or found.chi_square < best.chi_square:
            best = found
        if best.chi_square < POOR_FIT * best.readings:
            return best
        say("the circuit does not follow the records yet; beginning elsewhere")
    assert best is not None
    return fit.run(best.unknown, replace(USUAL, abandon=False), say)


def _sensor(records: Sequence[Record]) -> str | None:
    """The supply sensor that the records name."""
    for record in records:
        board = record.metadata.facts.get("board") if record.metadata else None
        if isinstance(board, dict):
            for value in board.values():
                if str(value).lower() in ("adc", "ina219", "ina226"):
                    return str(value).lower()
    return None
