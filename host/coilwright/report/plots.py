"""All plots of a report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilwright.compare import Comparison
from coilwright.compare import Sweep as ComparedSweep
from coilwright.record import Record
from coilwright.report.drawing import Plot
from coilwright.report.facts import ReportFacts
from coilwright.report.limit_plot import limit_plot
from coilwright.report.map_plot import map_plot
from coilwright.report.measured import Measured
from coilwright.report.measured_plots import band_plot, peak_plot, search_plot
from coilwright.report.overlay_plot import overlay_plot
from coilwright.report.period_plot import period_plot
from coilwright.report.prediction import SolvedMap
from coilwright.report.reach_plot import reach_plot
from coilwright.report.time_plot import time_plot


def plots(
    record: Record,
    found: Measured,
    facts: ReportFacts,
    model: SolvedMap | None,
    overlay: tuple[Sequence[ComparedSweep], Comparison] | None,
) -> Iterator[Plot]:
    """All plots that the record, the build and the other records allow, in the page's order."""
    caps = limit_plot(record, found, facts)
    # A limit's points lie all over the plane: what of them shares a duty is no sweep to be fitted.
    swept = caps is None
    made = (
        caps,
        band_plot(found, facts) if swept else None,
        peak_plot(found) if swept else None,
        search_plot(found, facts) if swept else None,
        map_plot(found, facts, model),
        time_plot(record, found, facts),
        reach_plot(record, facts),
        None if model is None else period_plot(model),
        None if overlay is None else overlay_plot(*overlay),
    )
    yield from (plot for plot in made if plot is not None)
