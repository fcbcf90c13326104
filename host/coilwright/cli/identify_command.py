"""`coilwright identify`: the parts as built, found from records of the driver."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    DUTY,
    FILE,
    check_plot,
    force_option,
    json_option,
    print_json,
    save_plot,
)

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.identify.change import Change
    from coilwright.identify.identified import Identified
    from coilwright.identify.model import Given
    from coilwright.record import Record


@click.command("identify")
@click.argument("records", nargs=-1, required=True, type=FILE, metavar="RECORD.csv...")
@click.option("--build", "build_file", required=True, metavar="BUILD.toml|harbour",
              help="The build as planned, with tolerances.")  # fmt: skip
@click.option("--given", multiple=True, metavar="KEY=VALUE",
              help="A measured value, such as coil.inductance=9.6uH±1%; repeatable.")  # fmt: skip
@click.option("--lamps", multiple=True, metavar="RECORD.csv:NAME=N",
              help="That record was made with N lamps of that name; repeatable.")  # fmt: skip
@click.option("--no-light", is_flag=True, help="Leave the light sensor out.")
@click.option("--output", type=FILE, metavar="FILE.toml", help="Write the build file as built.")
@click.option("--try", "tries", multiple=True, metavar="KEY=VALUE[,KEY=VALUE]",
              help="Predict a change, such as tank.capacitance=68nF; repeatable.")  # fmt: skip
@click.option("--duty", type=DUTY, help="Duty for --try.  [default: tuned value, or the records']")
@click.option("--plot", type=FILE, metavar="FILE", help="Plot of data, fit and residuals.")
@force_option
@json_option
def command(
    records: tuple[Path, ...],
    build_file: str,
    given: tuple[str, ...],
    lamps: tuple[str, ...],
    no_light: bool,
    output: Path | None,
    tries: tuple[str, ...],
    duty: float | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Find the parts as built from records of the driver.

    Fits the circuit of the build file to supply current, pickup and light of all records
    together, with each value expected within its tolerance. Give what you have measured,
    at best the coil's inductance or the tank capacitor: one tank frequency tells only their
    product. Sweep across tank and pickup resonance at two duties or more, and leave the probe
    where it is.
    """
    from coilwright.build import load_build
    from coilwright.identify.as_built import as_built_text, check_output, write_as_built
    from coilwright.identify.identification import identify
    from coilwright.record import read_record

    check_plot(plot, force)
    if output is not None:
        check_output(output, force=force)
    build = load_build(build_file)
    known = _given(build, given)
    changes = [_changes(build, one) for one in tries]
    loads = _loads(build, records, lamps)
    read = [read_record(path) for path in records]
    found = identify(read, build, given=known, loads=loads, light=not no_light, say=_say)
    tried = _try(found, changes, duty, read)
    if output is not None:
        write_as_built(output, as_built_text(build_file, found, [path.name for path in records]))
    save_plot(found, plot, force)
    if as_json:
        print_json({**found.to_json(), "tries": [one.to_json() for one in tried],
                    "output": _name(output), "plot": _name(plot),
                    "warnings": {str(r.path): list(r.warnings) for r in read}})  # fmt: skip
        return
    _tell(found, tried, read)
    for what, path in (("build file as built", output), ("plot", plot)):
        if path is not None:
            click.echo(f"{what} in {path}")


def _say(text: str) -> None:
    click.echo(text, err=True)


def _name(path: Path | None) -> str | None:
    return None if path is None else str(path)


def _given(build: Build, texts: Sequence[str]) -> dict[str, Given]:
    """Measured values by key; `±1%`, `+-1%` or `~1%` behind a value is its 95 % uncertainty."""
    import re

    from coilwright.identify import keys
    from coilwright.identify.model import USUAL_WITHIN, Given
    from coilwright.quantities import parse_fraction

    found = {}
    for text in texts:
        value_text, sign, within_text = _parted(text, r"±|\+/?-|~")
        key, value = _value(build, value_text, "--given")
        if keys.kind_of(key) is None:
            raise click.UsageError(f"--given {text}: {key} is not fitted; write it in the build.")
        try:
            within = parse_fraction(re.sub(r"\s", "", within_text)) if sign else USUAL_WITHIN
        except ValueError as error:
            raise click.UsageError(f"--given {text}: {error}.") from None
        if not 0 < within < 1:
            raise click.UsageError(f"--given {text}: an uncertainty lies between 0 and 100 %.")
        found[key] = Given(value, within)
    return found


def _parted(text: str, signs: str) -> tuple[str, str, str]:
    import re

    found = re.search(signs, text)
    return (
        (text, "", "") if found is None else (text[: found.start()], found[0], text[found.end() :])
    )


def _value(build: Build, text: str, option: str) -> tuple[str, float]:
    from coilwright.identify import keys
    from coilwright.quantities import parse_quantity

    name, equals, number = text.partition("=")
    if not equals:
        raise click.UsageError(
            f"{option} is {text!r}; write key=value, such as coil.inductance=9.6uH."
        )
    key = keys.find_key(build, name)
    unit = keys.unit_of(key)
    try:
        value = parse_quantity(number.strip(), unit) if unit else float(number)
    except ValueError as error:
        raise click.UsageError(f"{option} {text}: {error}.") from None
    if not value > 0:
        raise click.UsageError(f"{option} {text}: the value must be above zero.")
    return key, value


def _changes(build: Build, text: str) -> dict[str, float]:
    from coilwright.identify import keys

    changes = dict(_value(build, one, "--try") for one in text.split(","))
    keys.with_values(build, changes)  # refuses what is impossible before any work
    return changes


def _loads(build: Build, records: Sequence[Path], texts: Sequence[str]) -> list[Mapping[int, int]]:
    names = [receiver.name for receiver in build.driver.receivers]
    loads: list[dict[int, int]] = [{} for _ in records]
    for text in texts:
        path, colon, rest = text.rpartition(":")
        name, _, number = rest.partition("=")
        if not colon or not number.isdigit():
            raise click.UsageError(f"--lamps is {text!r}; write record.csv:{names[0]}=4.")
        if Path(path) not in records:
            raise click.UsageError(f"--lamps {text}: {path} is none of the records.")
        if name not in names:
            raise click.UsageError(
                f"--lamps {text}: the build has no {name!r}; it has {', '.join(names)}."
            )
        loads[records.index(Path(path))][names.index(name)] = int(number)
    return list(loads)


def _try(
    found: Identified, changes: Sequence[Mapping[str, float]], duty: float | None,
    records: Sequence[Record],
) -> list[Change]:  # fmt: skip
    import numpy as np

    from coilwright.identify.change import try_changes, working

    if not changes:
        return []
    tuned = found.planned.tuned
    if duty is None:
        duty = tuned.duty if tuned else float(max(np.median(r["duty"]) for r in records))
    before = working(found.built, duty)
    return [try_changes(found.built, one, duty, before) for one in changes]


def _tell(found: Identified, tried: Sequence[Change], records: Sequence[Record]) -> None:
    from rich.table import Table

    from coilwright.view import identify_text as text
    from coilwright.view.console import Console

    console = Console(soft_wrap=False)
    for line in text.fit_lines(found):
        click.echo(line)
    click.echo("")
    table = Table(box=None, pad_edge=False)
    for title in (f"{found.planned.name} as built", "value, 95 %", "to the plan", "from"):
        table.add_column(title, justify="left" if title == "from" else "default")
    for row in text.value_rows((*found.parts, *found.derived)):
        table.add_row(*row)
    console.print(table)
    click.echo("")
    for line in (*found.remarks, *found.unclear):
        click.echo(line)
    together = text.correlation_lines(found)
    if together:
        click.echo("Found together, correlation above 0.9: " + "; ".join(together[:6]) + ".")
    if found.wild:
        click.echo(f"{found.wild} readings lie far off and counted less.")
    for change in tried:
        _tell_change(console, change)
    for record in records:
        for warning in record.warnings:
            click.echo(f"{record.path.name}: {warning}")


def _tell_change(console: object, change: Change) -> None:
    from rich.table import Table

    from coilwright.identify.keys import unit_of
    from coilwright.quantities import show, show_percent
    from coilwright.view.console import Console
    from coilwright.view.identify_text import change_rows

    what = ", ".join(
        f"{key} = {show(value, unit_of(key), 4) if unit_of(key) else f'{value:g}'}"
        for key, value in change.values.items()
    )
    table = Table(box=None, pad_edge=False)
    for title in (f"{what}, duty {show_percent(change.before.duty)}", "before", "after"):
        table.add_column(title)
    for row in change_rows(change):
        table.add_row(*row)
    assert isinstance(console, Console)
    click.echo("")
    console.print(table)
