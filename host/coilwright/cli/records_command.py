"""`coilwright records`: the records of a folder listed, tagged, annotated, exported."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import FILE, TAG, force_option, json_option, print_json
from coilwright.printable import printable_line

if TYPE_CHECKING:
    from coilwright.record import Record
    from coilwright.record.library import ListedRecord

FOLDER = click.Path(path_type=Path, file_okay=False)
DAY = click.DateTime(["%Y-%m-%d"])


@click.group("records", invoke_without_command=True)
@json_option
@click.pass_context
def command(context: click.Context, as_json: bool) -> None:
    """List, tag, annotate and export the records of a folder.

    Alone it lists what is in runs/. Records are told by date, kind, tags and note; tags may be
    words or name=value, as `--tag receiver=sleeved` of a sweep.
    """
    if context.invoked_subcommand is None:
        context.invoke(list_command, folder=Path("runs"), as_json=as_json)


@command.command("list")
@click.argument("folder", type=FOLDER, default=Path("runs"))
@click.option("--deep", is_flag=True, help="Look in the folders in it, too.")
@click.option("--kind", "kinds", multiple=True, metavar="KIND", help="sweep, tune, track, …")
@click.option("--tag", "tags", multiple=True, help="With this tag; `name=` for any value.")
@click.option("--word", "words", multiple=True, help="With this in title, note, tags or name.")
@click.option("--since", type=DAY, help="Begun on that day (2026-03-14) or later.")
@click.option("--until", type=DAY, help="Begun on that day or earlier.")
@click.option("--finished/--unfinished", default=None, help="Ended in order, or not.")
@json_option
def list_command(
    folder: Path,
    deep: bool,
    kinds: tuple[str, ...],
    tags: tuple[str, ...],
    words: tuple[str, ...],
    since: datetime | None,
    until: datetime | None,
    finished: bool | None,
    as_json: bool,
) -> None:
    """List the records of FOLDER (runs), the oldest first.

    The points are not read, so large records are listed at once.
    """
    from coilwright.record.library import Wanted, entries

    first, last = (None if day is None else day.date() for day in (since, until))
    wanted = Wanted(kinds, tags, words, first, last, finished)
    if not folder.exists() and folder == Path("runs"):
        found = []
    else:
        found = [entry for entry in entries(folder, deep=deep) if wanted(entry)]
    if as_json:
        print_json({"records": [entry.to_json() for entry in found]})
        return
    if not found:
        click.echo(f"No such record in {folder}.")
        return
    _table(found, folder)


def _table(found: list[ListedRecord], folder: Path) -> None:
    from rich.table import Table

    from coilwright.view.console import Console

    table = Table(box=None, pad_edge=False)
    for heading in ("record", "kind", "begun"):
        table.add_column(heading, no_wrap=True)
    table.add_column("points", justify="right")
    table.add_column("tags, note", overflow="fold")
    for entry in found:
        remarks = [*entry.tags]
        if entry.note:
            remarks.append(f'"{entry.note}"')
        if entry.problem:
            remarks.append(f"({entry.problem})")
        elif not entry.finished:
            remarks.append("(never finished)")
        begun = entry.started.astimezone().strftime("%Y-%m-%d %H:%M")
        cells = (str(entry.path.relative_to(folder)), entry.kind, begun, str(entry.rows))
        table.add_row(*map(printable_line, (*cells, "  ".join(remarks))))
    console = Console(soft_wrap=True)
    console.print(table)
    points = sum(entry.rows for entry in found)
    console.print(f"{len(found)} records, {points} points")


@command.command("tag")
@click.argument("records", nargs=-1, required=True, type=FILE)
@click.option("--add", type=TAG, multiple=True, metavar="TAG", help="Add a tag; repeatable.")
@click.option("--remove", multiple=True, metavar="TAG", help="Remove a tag; repeatable.")
@json_option
def tag_command(
    records: tuple[Path, ...], add: tuple[str, ...], remove: tuple[str, ...], as_json: bool
) -> None:
    """Add tags to records, or remove some."""
    if not add and not remove:
        raise click.UsageError("Give --add or --remove.")
    _annotate(records, add, remove, None, as_json)


@command.command("note")
@click.argument("record", type=FILE)
@click.argument("text")
@json_option
def note_command(record: Path, text: str, as_json: bool) -> None:
    """Replace the note of a record; an empty one removes it."""
    _annotate((record,), (), (), text, as_json)


def _annotate(
    records: tuple[Path, ...],
    add: tuple[str, ...],
    remove: tuple[str, ...],
    note: str | None,
    as_json: bool,
) -> None:
    from coilwright.record.annotate import annotate

    told = []
    for path in records:
        found = annotate(path, add=add, remove=remove, note=note)
        told.append({"record": str(path), "tags": list(found.tags), "note": found.note})
        if not as_json:
            note_text = f'  "{printable_line(found.note)}"' if found.note else ""
            click.echo(f"{path}: {printable_line(', '.join(found.tags)) or 'no tags'}{note_text}")
    if as_json:
        print_json({"records": told})


@command.command("export")
@click.argument("records", nargs=-1, required=True, type=FILE)
@click.option(
    "-o", "--output", "target", type=FILE, required=True, help="Table to write (.csv, .parquet)."
)
@force_option
@json_option
def export_command(records: tuple[Path, ...], target: Path, force: bool, as_json: bool) -> None:
    """Put the points of records into one table for another program.

    Its first column is the record's name. Parquet keeps the records' metadata, too, and needs the
    optional library: pip install 'coilwright[parquet]'.
    """
    from coilwright.record.export import check_target, export

    check_target(target, force)
    read = [_read(path) for path in records]
    rows = export(read, target)
    if as_json:
        print_json({"output": str(target), "records": len(read), "points": rows})
        return
    for record in read:
        for sentence in record.warnings:
            click.echo(f"{record.path}: {sentence}", err=True)
    click.echo(f"{rows} points of {len(read)} records in {target}")


def _read(path: Path) -> Record:
    from coilwright.record import read_record

    return read_record(path)
