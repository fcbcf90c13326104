"""The option to go on with a record, and what may stand beside it."""

from __future__ import annotations

from pathlib import Path

import click
from click.core import ParameterSource

_BESIDE = ("port", "resume", "plot", "force", "as_json", "build", "store", "report")

resume_option = click.option(
    "--resume",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    metavar="FILE",
    help="Go on with this record at its first missing point, with its own settings.",
)


def check_alone() -> None:
    """Refuse other options beside `--resume`: the record says what is measured, and how."""
    context = click.get_current_context()
    for parameter in context.command.params:
        name = parameter.name or ""
        given = context.get_parameter_source(name)
        if name not in _BESIDE and given is ParameterSource.COMMANDLINE:
            raise click.UsageError(
                f"{parameter.opts[0]} cannot stand beside --resume: the record says what is "
                "measured, and how."
            )
