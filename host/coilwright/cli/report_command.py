"""`coilwright report`: one self-contained HTML page from a record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import FILE, force_option, json_option, print_json

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.report import Made


@click.command("report")
@click.argument("records", nargs=-1, required=True, type=FILE, metavar="RECORD.csv...")
@click.option(
    "-o", "--output", type=FILE, metavar="FILE", help="The page (.html).  [default: RECORD.html]"
)
@click.option(
    "--build",
    metavar="BUILD.toml|harbour",
    help="Build file: adds waveforms, map and checks of the circuit model.",
)
@force_option
@json_option
def command(
    records: tuple[Path, ...], output: Path | None, build: str | None, force: bool, as_json: bool
) -> None:
    """Make one HTML page from a record: results, plots, set-up, raw data.

    The page needs no network and no other file. Further records are laid over the first one and
    compared with it.
    """
    from coilwright.build import load_build

    parts = None if build is None else load_build(build)
    made = write_report(records, output or records[0].with_suffix(".html"), parts, force)
    if as_json:
        print_json(told(made))
        return
    for remark in made.remarks:
        click.echo(remark)
    click.echo(f"report in {made.path} ({made.size / 1e3:.0f} kB, {len(made.plots)} plots)")


def write_report(records: tuple[Path, ...], target: Path, build: Build | None, force: bool) -> Made:
    """Make the report, and say on a terminal what takes its time."""
    from rich.text import Text

    from coilwright.report import make_report
    from coilwright.view.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        return make_report(records, target, build=build, force=force)
    with console.status("report") as status:
        return make_report(
            records,
            target,
            build=build,
            force=force,
            on_step=lambda step: status.update(Text(f"report: {step}")),
        )


def told(made: Made) -> dict[str, object]:
    """What was made, for `--json`."""
    return {
        "report": str(made.path),
        "bytes": made.size,
        "plots": list(made.plots),
        "points": made.points,
        "remarks": list(made.remarks),
    }
