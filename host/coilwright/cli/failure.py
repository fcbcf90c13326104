"""How a failure is told: one clear sentence, a hint, an exit code by kind, never a traceback."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
import traceback
from pathlib import Path

import click

from coilwright.cli.streams import let_go
from coilwright.errors import CoilwrightError, NotWritable
from coilwright.printable import printable_line

INTERRUPTED = 130
TERMINATED = 143
INTERNAL = 70


class Terminated(BaseException):
    """SIGTERM arrived; raised so that every `finally` on the way out runs."""


def report_failure(failure: BaseException, *, as_json: bool) -> int:
    """Tell the failure on stderr (and as an object on stdout with `as_json`); return the exit code.

    Raises:
        SystemExit: passed on unchanged.
    """
    if isinstance(failure, SystemExit):
        raise failure
    for note in getattr(failure, "__notes__", ()):
        say(f"Caution: {printable_line(note)}")
    if isinstance(failure, CoilwrightError):
        return _tell(failure.kind, failure.message, failure.hint, failure.exit_code, as_json)
    if isinstance(failure, KeyboardInterrupt | click.exceptions.Abort):
        return _tell("Interrupted", "Stopped by Ctrl-C.", "", INTERRUPTED, as_json)
    if isinstance(failure, Terminated):
        return _tell("Terminated", "Stopped by a termination signal.", "", TERMINATED, as_json)
    if isinstance(failure, BrokenPipeError):
        # The reader of our output went away (for instance `| head`): nothing left to say to it.
        let_go(sys.stdout)
        return 0
    return _tell(
        "Internal",
        f"Something unexpected failed inside coilwright: {type(failure).__name__}: {failure}",
        f"This is a fault of the program; the details are in {_keep(failure)}.",
        INTERNAL,
        as_json,
    )


def _tell(kind: str, message: str, hint: str, exit_code: int, as_json: bool) -> int:
    say(f"Error: {message}")
    if hint:
        say(f"Hint: {hint}")
    if as_json:
        print_failure(kind, message, hint, exit_code)
    return exit_code


def say(text: str) -> None:
    """A line on stderr; where that cannot be written, the exit code tells."""
    with contextlib.suppress(OSError, NotWritable):
        click.echo(text, err=True)


def say_usage(error: click.ClickException) -> None:
    """What is wrong with the command line, as click tells it."""
    with contextlib.suppress(OSError, NotWritable):
        error.show()


def print_failure(kind: str, message: str, hint: str, exit_code: int) -> None:
    """Print the failure as one JSON object on stdout."""
    fault = {"kind": kind, "message": message, "hint": hint, "exit_code": exit_code}
    with contextlib.suppress(OSError, NotWritable):
        click.echo(json.dumps({"error": fault}))


def _keep(failure: BaseException) -> Path:
    handle, name = tempfile.mkstemp(prefix="coilwright-fault-", suffix=".txt")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        traceback.print_exception(failure, file=file)
    return Path(name)
