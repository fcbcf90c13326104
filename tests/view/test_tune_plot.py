"""The picture of a tune, and the report's: what is lit is drawn lit, with its units."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from importlib import resources
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from coilwright.record import Record, read_record
from coilwright.report.drawing import PAPER, on_paper, panels, sheet, style
from coilwright.report.facts import facts_of
from coilwright.report.inline_svg import SURFACE
from coilwright.report.map_plot import draw_map, rows_in_view
from coilwright.report.measured import Measured, measured
from coilwright.report.measured_plots import draw_band
from coilwright.report.tune_plot import plot_tune, what_is_seen
from coilwright.tune import TuneResult
from report.records import tune_record


@pytest.fixture(scope="module")
def tuned(tmp_path_factory: pytest.TempPathFactory) -> tuple[TuneResult, Record]:
    path = tmp_path_factory.mktemp("tune") / "pier.csv"
    result, _ = tune_record(path)
    return result, read_record(path)


@pytest.fixture(scope="module")
def figure(tuned: tuple[TuneResult, Record]) -> Figure:
    return plot_tune(tuned[1])


def one(found: Measured, lit: Iterable[int]) -> Measured:
    return replace(found, lit=np.array(list(lit), np.int8))


def axis_of(figure: Figure, label: str) -> Axes:
    return next(a for a in figure.get_axes() if label in (a.get_ylabel(), a.get_xlabel()))


def seen(found: Measured, lit: int) -> set[tuple[float, float]]:
    """Frequency in kHz and light of all swept points that were lit, or dark."""
    series = [one for one in (found.sweep, *found.others) if one is not None]
    rows = np.concatenate([one.rows for one in series if len(one.rows) >= 5])
    rows = rows[found.lit[rows] == lit]
    return {
        (round(f / 1e3, 6), round(v, 9))
        for f, v in zip(found.frequency_hz[rows], found.light_v[rows], strict=True)
    }


def points(axis: Axes, ground: str) -> tuple[set[tuple[float, float]], set[tuple[float, float]]]:
    """Filled and hollow points of an axis; hollow ones are filled with the ground."""
    filled, hollow = set(), set()
    for line in axis.lines:
        if line.get_linestyle() != "None":
            continue
        x, y = (np.asarray(v, float) for v in (line.get_xdata(), line.get_ydata()))
        drawn = {(round(a, 6), round(b, 9)) for a, b in zip(x, y, strict=True)}
        face = to_hex(line.get_markerfacecolor())  # type: ignore[arg-type]
        (hollow if face == ground else filled).update(drawn)
    return filled, hollow


def test_lit_points_are_filled_and_dark_ones_hollow(tuned: tuple[TuneResult, Record]) -> None:
    found = measured(tuned[1])
    found = one(found, (number % 3 == 0 for number in range(len(found))))
    lit, dark = seen(found, 1), seen(found, 0)
    assert len(lit) > 5
    with style("key"):
        page = sheet()
        axes = panels(page, 3)
        draw_band(axes, found, facts_of(tuned[1], found))
        assert points(axes[-1], SURFACE) == (lit, dark)
        on_paper(page)
    assert points(axes[-1], "#ffffff") == (lit, dark)


def test_the_map_marks_lit_and_dark_as_its_legend_says(tuned: tuple[TuneResult, Record]) -> None:
    found = measured(tuned[1])
    facts = facts_of(tuned[1], found)
    rows = rows_in_view(found, facts)
    with style("key"):
        sheet_ = sheet()
        (axis,) = panels(sheet_, 1)
        draw_map(sheet_, axis, found, facts, rows, None)
    named = {c.get_label(): c for c in axis.collections if not len(c.get_offsets())}
    for lit, label in ((1, "lit"), (0, "dark")):
        mark = named[label].get_paths()[0].vertices
        drawn = [
            c.get_offsets() for c in axis.collections
            if len(c.get_offsets()) and np.array_equal(c.get_paths()[0].vertices, mark)
        ]  # fmt: skip
        here = rows[found.lit[rows] == lit]
        wanted = np.column_stack([found.frequency_hz[here] / 1e3, 100 * found.duty[here]])
        assert np.allclose(np.concatenate(drawn), wanted), label


def test_scales_and_units_are_those_of_the_labels(
    tuned: tuple[TuneResult, Record], figure: Figure
) -> None:
    found = measured(tuned[1])
    assert found.sweep is not None
    for label, values in (
        ("pickup, V", found.probe_v),
        ("supply current, mA", 1e3 * found.supply_a),
        ("light sensor, V", found.light_v),
    ):
        line = axis_of(figure, label).lines[0]
        assert np.allclose(line.get_xdata(), found.frequency_hz[found.sweep.rows] / 1e3)
        assert np.allclose(line.get_ydata(), values[found.sweep.rows])
    assert axis_of(figure, "light sensor, V").get_xlabel() == "frequency, kHz"
    (colors,) = (a for a in figure.get_axes() if a.get_xlabel() == "supply current, mA")
    for text in colors.get_xticklabels():
        assert 10 ** text.get_position()[0] == pytest.approx(float(text.get_text()))


def test_the_marks_stand_where_they_say(tuned: tuple[TuneResult, Record], figure: Figure) -> None:
    result = tuned[0]
    top = axis_of(figure, "pickup, V")
    said = {t.get_text().split()[0]: t for t in top.texts}
    assert result.resonance is not None
    for name, hertz in (
        ("resonance", result.resonance.frequency_hz), ("setting", result.setting.frequency_hz),
    ):  # fmt: skip
        assert said[name].get_text() == f"{name} {hertz / 1e3:.1f} kHz"
        assert said[name].xy[0] == pytest.approx(hertz / 1e3)  # type: ignore[attr-defined]
        assert any(np.allclose(line.get_xdata(), hertz / 1e3) for line in top.lines)


def test_points_of_different_duties_are_not_joined(figure: Figure) -> None:
    for axis in figure.get_axes():
        for line in axis.lines:
            if line.get_linestyle() != "None" and len(line.get_xdata()) > 2:  # type: ignore[arg-type]
                assert np.all(np.diff(np.asarray(line.get_xdata(), float)) >= 0)


def test_no_stand_in_colour_is_left_on_paper(figure: Figure, tmp_path: Path) -> None:
    with mpl.rc_context({"svg.fonttype": "none"}):
        figure.savefig(tmp_path / "tune.svg")
    text = (tmp_path / "tune.svg").read_text("utf-8").lower()
    assert not re.findall(r"#0([1-8])000\1", text)
    sheet_css = (resources.files("coilwright.report") / "style.css").read_text("utf-8")
    light = dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", sheet_css.split("@media")[0]))
    assert {name: light[name] for name in PAPER} == PAPER


def test_the_title_says_what_is_seen(tuned: tuple[TuneResult, Record]) -> None:
    found = measured(tuned[1])
    assert found.sweep is not None
    rows = found.sweep.rows
    lit = np.zeros(len(found), np.int8)
    lit[rows[3:6]] = lit[rows[8:10]] = 1
    best = [*rows[3:6], *rows[8:10]]
    least = min(best, key=lambda row: found.supply_a[row])
    khz = found.frequency_hz / 1e3
    spans = [f"{khz[rows[a]]:.0f} to {khz[rows[b]]:.0f}" for a, b in ((3, 5), (8, 9))]
    assert what_is_seen(one(found, lit.tolist())) == (
        f"Lit from {spans[0]} and {spans[1]} kHz at 20 % duty;"
        f" least current while lit at {khz[least]:.0f} kHz"
    )
    dark = what_is_seen(one(found, [0] * len(found)))
    assert dark == f"The pickup peaks at {found.fit.frequency_hz / 1e3:.1f} kHz"  # type: ignore[union-attr]
