"""`coilwright compare`: records side by side, with verdicts on what differs and an overlay plot."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    FILE,
    check_plot,
    force_option,
    json_option,
    print_json,
)

if TYPE_CHECKING:
    from coilwright.compare import Comparison
    from coilwright.compare.records import Ground
    from coilwright.compare.verdict import Verdict
    from coilwright.record import Record


@click.command("compare")
@click.argument("records", nargs=-1, required=True, type=FILE)
@click.option("--by", metavar="WHAT", help="Group records by note, tag, title, kind, by NAME where "
              "tags are NAME=value, or by a fact such as driver.serial.")  # fmt: skip
@click.option("--build", "build_file", metavar="BUILD.toml|harbour",
              help="Hold differences against the tolerances of this build.")  # fmt: skip
@click.option("--changed", multiple=True, metavar="PART",
              help="What was exchanged: tank, coil, probe, a lamp's name, all, or a key such as "
              "tank.capacitance; repeatable.  [default: nobody says]")  # fmt: skip
@click.option("--repeatability", multiple=True, metavar="[NAME=]SHARE",
              help="Standard deviation between sweeps where it is known from elsewhere, such as "
              "1% or 'peak pickup=2%'; repeatable.")  # fmt: skip
@click.option("--draws", type=click.IntRange(90, 10_000), default=150, show_default=True,
              help="Builds drawn within tolerance.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the draws.")
@click.option("--plot", type=FILE, metavar="FILE", help="Overlay plot (.png or .svg).")
@click.option("--no-plot", is_flag=True, help="Save no plot.")
@force_option
@json_option
def command(
    records: tuple[Path, ...],
    by: str | None,
    build_file: str | None,
    changed: tuple[str, ...],
    repeatability: tuple[str, ...],
    draws: int,
    seed: int,
    plot: Path | None,
    no_plot: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Compare sweep records side by side.

    What differs, and does tolerance explain it? Figures of each group with 95 % intervals, their
    differences to the first group, and a verdict: within repeatability, explained by part
    tolerances (with --build), or larger than tolerance explains, with the likely part. Repeated
    sweeps in a group give the repeatability. Saves an overlay plot, in runs/ where --plot names
    none.
    """
    from coilwright.compare.records import LIT_SUPPLY, common_ground, grouped
    from coilwright.compare.side_by_side import compare_groups
    from coilwright.record import next_path, read_record

    if no_plot and plot is not None:
        raise click.UsageError("--plot and --no-plot exclude each other.")
    if changed and build_file is None:
        raise click.UsageError("--changed needs --build, which states the tolerances.")
    target = None if no_plot else plot or next_path("compare", suffix=".png")
    check_plot(plot, force)
    stated = _stated(repeatability)
    read = [read_record(path) for path in records]
    ground = common_ground(grouped(read, by))
    extra = {LIT_SUPPLY: ("A", ground.lit)} if any(ground.lit) else {}
    found = compare_groups(
        ground.groups, repeatability=stated, left_out=ground.left_out, extra=extra
    )
    verdicts = _verdicts(found, ground, build_file, changed, draws, seed)
    if target is not None:
        _save_plot(target, ground, found, verdicts, force)
    remarks = {str(path): list(record.warnings) for path, record in zip(records, read, strict=True)}
    if as_json:
        print_json(_json(found, verdicts, ground, remarks, target))
        return
    _tell(found, verdicts, ground, read, target)


def _stated(words: Sequence[str]) -> dict[str, float]:
    """Repeatability by quantity; a bare share is for all."""
    from coilwright.compare.figures import UNITS
    from coilwright.compare.records import LIT_SUPPLY
    from coilwright.quantities import parse_fraction

    names, stated = [*UNITS, LIT_SUPPLY], dict[str, float]()
    for word in sorted(words, key=lambda word: "=" in word):
        name, sign, text = word.rpartition("=")
        try:
            share = parse_fraction(text)
        except ValueError as error:
            raise click.BadParameter(str(error), param_hint="--repeatability") from None
        if sign and name.strip() not in names:
            raise click.BadParameter(
                f"{name.strip()!r} is no quantity; they are {', '.join(names)}",
                param_hint="--repeatability",
            )
        if not 0 <= share < 1:
            raise click.BadParameter(
                f"{text} is not a share from 0 to below 100 %", param_hint="--repeatability"
            )
        stated |= {name.strip(): share} if sign else dict.fromkeys(names, share)
    return stated


def _verdicts(
    found: Comparison,
    ground: Ground,
    build_file: str | None,
    changed: Sequence[str],
    draws: int,
    seed: int,
) -> list[Verdict]:
    from coilwright.compare.parts import named, parts_of
    from coilwright.compare.verdict import Judge, without_build
    from coilwright.errors import NoResult

    if build_file is None:
        return without_build(found)
    from coilwright.build import load_build

    build = load_build(build_file)
    told = named(build, parts_of(build), changed) if changed else None
    if ground.duty is None:
        raise NoResult(
            "Tolerances are propagated at one duty, and the records were swept at different ones.",
            "Sweep all at the same duty, or compare without --build.",
        )
    judge = Judge(build, ground.duty, changed=told, draws=draws, seed=seed, say=_say)
    return judge.verdicts(found)


def _say(text: str) -> None:
    click.echo(text, err=True)


def _save_plot(
    target: Path, ground: Ground, found: Comparison, verdicts: Sequence[Verdict], force: bool
) -> None:
    from coilwright.view.compare_plot import plot_comparison
    from coilwright.view.plots import save

    target.parent.mkdir(parents=True, exist_ok=True)
    save(plot_comparison(ground.groups, found, verdicts), target, force=force)


def _json(
    found: Comparison,
    verdicts: Sequence[Verdict],
    ground: Ground,
    remarks: dict[str, list[str]],
    target: Path | None,
) -> dict[str, Any]:
    return {
        **found.to_json(),
        "duty": ground.duty,
        "band_hz": list(ground.band_hz),
        "lit_settings": [dict(one) for one in ground.settings],
        "verdicts": [one.to_json() for one in verdicts],
        "remarks": list(ground.remarks),
        "warnings": remarks,
        "plot": None if target is None else str(target),
    }


def _tell(
    found: Comparison,
    verdicts: Sequence[Verdict],
    ground: Ground,
    read: Sequence[Record],
    plot: Path | None,
) -> None:
    from rich.table import Table

    from coilwright.view.compare_text import rows, sentences
    from coilwright.view.console import Console
    from coilwright.view.pairs import print_sentences

    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for label in found.labels:
        table.add_column(label, justify="right", overflow="fold")
    for cells in rows(found, verdicts):
        table.add_row(*cells)
    Console(soft_wrap=False).print(table)
    click.echo("")
    print_sentences(sentences(found, verdicts, ground))
    for record in read:
        for sentence in record.warnings:
            click.echo(f"{record.path}: {sentence}")
    if plot is not None:
        click.echo(f"plot in {plot}")
