"""`coilwright compare`: records side by side, with confidence intervals and an overlay plot."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    FILE,
    check_plot,
    force_option,
    json_option,
    print_json,
)

if TYPE_CHECKING:
    from coilwright.compare import Comparison, Difference, Estimate, Row
    from coilwright.compare import Sweep as ComparedSweep
    from coilwright.record import Record


@click.command("compare")
@click.argument("records", nargs=-1, required=True, type=FILE)
@click.option("--plot", type=FILE, metavar="FILE", help="Overlay plot (.png or .svg).")
@click.option("--no-plot", is_flag=True, help="Save no plot.")
@force_option
@json_option
def command(
    records: tuple[Path, ...], plot: Path | None, no_plot: bool, force: bool, as_json: bool
) -> None:
    """Compare sweep records side by side.

    Resonance, Q, peak pickup and supply current at the peak, with 95 % intervals and their
    differences to the first record. An interval says how well this sweep measured, not how much
    parts scatter. Saves an overlay plot, in runs/ where --plot names none.
    """
    from coilwright.compare import compare
    from coilwright.record import next_path, read_record

    if no_plot and plot is not None:
        raise click.UsageError("--plot and --no-plot exclude each other.")
    target = None if no_plot else plot or next_path("compare", suffix=".png")
    check_plot(plot, force)
    read = [read_record(path) for path in records]
    sweeps = [_sweep(record, label) for record, label in zip(read, _labels(records), strict=True)]
    found = compare(sweeps)
    if target is not None:
        _save_plot(target, sweeps, found, force)
    remarks = {str(path): list(record.warnings) for path, record in zip(records, read, strict=True)}
    if as_json:
        plotted = None if target is None else str(target)
        print_json({**found.to_json(), "warnings": remarks, "plot": plotted})
        return
    _tell(found, remarks, target)


def _labels(paths: tuple[Path, ...]) -> list[str]:
    """Bare names, or whole paths where bare names are not distinct."""
    names = [path.stem for path in paths]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]


def _sweep(record: Record, label: str) -> ComparedSweep:
    """The part of a record that is a frequency sweep with the output on."""
    import numpy as np

    from coilwright.compare import Sweep
    from coilwright.errors import BadRecord
    from coilwright.point import Flag

    flags = record["flags"].astype(np.int64)
    keep = (flags & int(Flag.OUTPUT_OFF | Flag.SENSOR_FAULT)) == 0
    if not keep.any():
        raise BadRecord(
            f"{record.path} holds no point with the output on.",
            "Compare records of `coilwright sweep` or `coilwright tune`.",
        )
    columns = {
        name: record[name][keep].astype(float)
        for name in ("frequency_hz", "duty", "probe_v", "probe_sd_v", "supply_a", "supply_sd_a")
    }
    return Sweep(
        label=label,
        **columns,
        averages=int(np.median(record["averages"][keep])),
        probe_over=(flags[keep] & int(Flag.PROBE_OVER)) != 0,
    )


def _save_plot(target: Path, sweeps: list[ComparedSweep], found: Comparison, force: bool) -> None:
    from coilwright.view.compare_plot import plot_comparison
    from coilwright.view.plots import save

    target.parent.mkdir(parents=True, exist_ok=True)
    save(plot_comparison(sweeps, found), target, force=force)


def _tell(found: Comparison, remarks: dict[str, list[str]], plot: Path | None) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for label in found.labels:
        table.add_column(label, justify="right", overflow="fold")
    for row in found.rows:
        table.add_row(row.name, *(_estimate(row, estimate) for estimate in row.estimates))
        if any(difference is not None for difference in row.differences):
            cells = (_difference(row, difference) for difference in row.differences)
            table.add_row("  difference", "", *cells)
    console = Console(soft_wrap=False)
    console.print(table, highlight=False)
    for label, remark in zip(found.labels, found.remarks, strict=True):
        if remark:
            click.echo(f"{label}: {remark}")
    for name, sentences in remarks.items():
        for sentence in sentences:
            click.echo(f"{name}: {sentence}")
    if plot is not None:
        click.echo(f"plot in {plot}")


def _estimate(row: Row, estimate: Estimate | None) -> str:
    if estimate is None:
        return "none"
    reach = (estimate.high - estimate.low) / 2
    return f"{_number(estimate.value, row.unit)} ± {_number(reach, row.unit, 2)}"


def _difference(row: Row, difference: Difference | None) -> str:
    if difference is None:
        return "none"
    estimate = difference.estimate
    reach = (estimate.high - estimate.low) / 2
    word = "differs" if difference.differs else "no difference seen"
    sign = "+" if estimate.value > 0 else ""
    value = f"{sign}{_number(estimate.value, row.unit, 3)}"
    return f"{value} ± {_number(reach, row.unit, 2)}, {word}"


def _number(value: float, unit: str, digits: int = 6) -> str:
    from coilwright.quantities import show

    return show(value, unit, digits) if unit else f"{value:.{min(digits, 4)}g}"
