"""`coilwright tune`: best frequency, lowest lit duty, verified setting, and its record."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    AMPERE,
    AMPERE_HOUR,
    DUTY,
    FILE,
    FRACTION,
    SECOND,
    VOLT,
    above_zero,
    band_text,
    check_plot,
    json_option,
    measuring_options,
    parse_band,
    percent_text,
    port_option,
    print_json,
    record_options,
    stop_on_termination,
)
from coilwright.cli.resume import check_alone, resume_option
from coilwright.cli.terminal_person import AtTheTerminal
from coilwright.procedures.options import LIT, PURPOSES, RecordWishes, TuneWishes

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.procedures.tune import Tuned


@click.command("tune")
@port_option
@click.option(
    "--for",
    "purpose",
    type=click.Choice(PURPOSES),
    help="What the setting is to be best in.  [default: least-current; lowest-duty with --lit ask]",
)
@click.option(
    "--band",
    metavar="LOW:HIGH",
    default=band_text(TuneWishes.band),
    show_default=True,
    help="Frequencies to search.",
)
@click.option(
    "--safe-duty",
    type=DUTY,
    default=percent_text(TuneWishes.safe_duty),
    show_default=True,
    help="Duty of the sweeps.",
)
@click.option(
    "--least-duty",
    type=DUTY,
    default=percent_text(TuneWishes.least_duty),
    show_default=True,
    help="Smallest duty to try.",
)
@click.option("--most-duty", type=DUTY, help="Largest duty to try.  [default: the driver's cap]")
@click.option(
    "--lit",
    type=click.Choice(LIT),
    default=TuneWishes.lit,
    show_default=True,
    help="What tells lit from dark: light sensor, probe level, or you.",
)
@click.option(
    "--lit-level",
    type=above_zero(VOLT),
    help="Probe voltage, or rise of the light sensor over dark, that counts as lit."
    "  [default: as calibrated in the driver]",
)
@click.option(
    "--margin",
    type=DUTY,
    default=percent_text(TuneWishes.margin),
    show_default=True,
    help="Added to the lowest lit duty, with --for lowest-duty.",
)
@click.option(
    "--reserve",
    type=FRACTION,
    default=percent_text(TuneWishes.reserve),
    show_default=True,
    help="More light (or pickup) than counts as lit that the setting has to give.",
)
@click.option(
    "--least-on-time",
    type=above_zero(SECOND),
    help="No setting switches on for less.  [default: until the stray loop of --build has swung"
    " back, else 0.4 us]",
)
@click.option(
    "--max-current",
    type=above_zero(AMPERE),
    help="Supply current the setting must not exceed.  [default: where the driver trips]",
)
@click.option(
    "--supply",
    type=above_zero(VOLT),
    help="Supply voltage, for the powers told.  [default: as the driver measures it, or the build]",
)
@click.option(
    "--battery",
    type=above_zero(AMPERE_HOUR),
    default=f"{TuneWishes.battery:g}Ah",
    show_default=True,
    help="Battery that hours are told for.",
)
@click.option(
    "--build",
    metavar="BUILD.toml|harbour",
    help="Build file: adds the drain's peak and the tank capacitor's value by the circuit model.",
)
@measuring_options
@click.option("--store", is_flag=True, help="Keep the setting in the driver.")
@click.option("--report", type=FILE, metavar="FILE", help="Save a report (.html).")
@record_options
@resume_option
@click.option("--verbose", is_flag=True, help="All figures, with their intervals.")
@json_option
def command(
    port: str | None,
    purpose: str | None,
    band: str,
    safe_duty: float,
    least_duty: float,
    most_duty: float | None,
    lit: str,
    lit_level: float | None,
    margin: float,
    reserve: float,
    least_on_time: float | None,
    max_current: float | None,
    supply: float | None,
    battery: float,
    build: str | None,
    settle: float | None,
    averages: int | None,
    store: bool,
    report: Path | None,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    resume: Path | None,
    verbose: bool,
    as_json: bool,
) -> None:
    """Find the setting that lights the load with a reserve on the least current.

    Sweeps coarsely at a safe duty, fits the resonance of the pickup, refines around it, finds the
    lowest duty that lights the load, looks over frequency and duty together for the least current
    that lights it with the reserve, and verifies the setting by measuring it. With --for it sets
    the lowest duty itself, or looks for the most light. The output goes off at the end, and Ctrl-C
    stops at once and keeps the record. --resume FILE goes on with a tune that was interrupted: it
    decides again from the points in the record, measures on where they end, and keeps everything
    in the same record.
    """
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.session import set_measuring
    from coilwright.procedures.tune import LitUnknown, read_unfinished, tune

    unfinished = None
    if resume is not None:
        check_alone()
        unfinished = read_unfinished(resume)
        wishes = unfinished.wishes
    else:
        wishes = TuneWishes(
            purpose or "",
            parse_band(band),
            safe_duty,
            least_duty,
            most_duty,
            lit,
            lit_level,
            margin,
            max_current,
            reserve,
            least_on_time,
            supply,
            battery,
        )
    parts = _read_build(build)
    if wishes.lit == "ask" and not sys.stdin.isatty():
        raise click.UsageError("--lit ask needs a terminal to ask in.")
    check_plot(plot, force)
    _check_report(report, force)
    stop_on_termination()
    began = time.monotonic()
    keep = RecordWishes(record, note, tags, force)
    view = view_of(f"Tuning {port or 'the driver'}")
    with open_driver(port) as driver:
        if unfinished is None:
            set_measuring(driver, settle, averages)
        try:
            tuned = tune(
                driver,
                wishes,
                keep,
                view,
                person=AtTheTerminal(),
                build=parts,
                store=store,
                unfinished=unfinished,
            )
        except LitUnknown as problem:
            raise click.UsageError(str(problem)) from None
    seconds = time.monotonic() - began
    if plot is not None:
        _save_plot(plot, tuned.record, parts, force)
    if report is not None:
        from coilwright.cli.report_command import write_report

        write_report((tuned.record,), report, parts, force)
    if as_json:
        files = {"plot": _name(plot), "report": _name(report)}
        print_json({**tuned.to_json(), "seconds": seconds, **files})
        return
    _tell(tuned, {"plot": plot, "report": report}, seconds, verbose)


def _check_report(report: Path | None, force: bool) -> None:
    """Refuse, before any measuring, a report that could not be written."""
    if report is not None:
        from coilwright.report import check_report_file

        check_report_file(report, force=force)


def _name(path: Path | None) -> str | None:
    return None if path is None else str(path)


def _read_build(build: str | None) -> Build | None:
    from coilwright.build import load_build

    return None if build is None else load_build(build)


def _save_plot(plot: Path, record: Path, build: Build | None, force: bool) -> None:
    from coilwright.record import read_record
    from coilwright.report.tune_plot import plot_tune
    from coilwright.view.plots import save

    save(plot_tune(read_record(record), build), plot, force=force)


def _tell(tuned: Tuned, saved: dict[str, Path | None], seconds: float, verbose: bool) -> None:
    from coilwright.view.pairs import print_pairs, print_sentences
    from coilwright.view.tune_screen import print_headline, print_table, print_warnings
    from coilwright.view.tune_text import (
        CAUTION,
        advice,
        choice_rows,
        headline,
        plain_words,
        tune_lines,
        why,
    )

    result, model = tuned.result, tuned.model
    lines = tune_lines(result, model) if verbose else []
    lines.append(("record", f"{tuned.record} ({len(result.points)} points in {seconds:.1f} s)"))
    lines += [(what, str(path)) for what, path in saved.items() if path is not None]
    lines.append(("stored", "in the driver, memory 0" if tuned.stored else "no; --store keeps it"))
    if not verbose:
        lines.append(("more", "--verbose shows all figures, --json too"))
    print_headline(headline(result))
    print_sentences([plain_words(result), *why(result)])
    wishes = tuned.wishes
    print_table("To choose from:", *choice_rows(result, wishes.supply, wishes.battery))
    print_sentences(["", *advice(result, model)])
    print_pairs(lines)
    print_warnings([*result.warnings, *(() if model is None else model.warnings)])
    print_sentences([f"Caution: {CAUTION}"])
