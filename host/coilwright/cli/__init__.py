"""The command `coilwright`: one module a command, loaded only when that command runs."""

from __future__ import annotations

import importlib
import os
import sys

import click

from coilwright import __version__
from coilwright.cli.failure import print_failure, report_failure, say, say_usage
from coilwright.cli.streams import end_streams, guard_streams

# Groups by the moment of use; in each, name → one line for the list. The module of the same name
# holds `command`; the line stands here so that `coilwright --help` imports none of them.
GROUPS = {
    "Before soldering": {
        "coil": "Inductance, resistance and Q of a coil to wind.",
        "tank": "Choose the tank capacitor for a coil, a frequency and a duty.",
        "predict": "Predict a build: currents, voltages, losses, checks, waveforms.",
        "reach": "How far which LED colour lights.",
        "cost": "What building costs, what to buy, and when it beats a kit.",
        "steps": "Which frequencies and duties a chip can set.",
    },
    "At the bench": {
        "ports": "List serial ports and which of them answer as a driver.",
        "install": "Put the firmware on a board that has MicroPython.",
        "status": "Show what a driver is, how it is set and what it measures.",
        "check": "Check sensors, coil and supply in a short burst at a small duty.",
        "calibrate": "Calibrate the driver's sensors against a meter.",
        "tune": "Find the setting that lights the load with a reserve on the least current.",
        "sweep": "Sweep frequency or duty and keep the record.",
        "set": "Set frequency and duty, and hold the output on while watched.",
        "live": "Drive and watch the bench in a full-screen panel.",
        "limit": "Limit the supply current by capping the duty over frequency.",
        "track": "Follow the best frequency while it drifts.",
    },
    "Afterwards": {
        "report": "Make one HTML page from a record.",
        "records": "List, tag, annotate and export the records of a folder.",
        "compare": "Compare sweep records side by side.",
        "identify": "Find the parts as built from records of the driver.",
    },
    "Simulated bench": {
        "bench": "Serve a simulated bench on a serial port of its own.",
        "fault": "Let something go wrong on a simulated bench that runs.",
    },
}
COMMANDS = {name: line for group in GROUPS.values() for name, line in group.items()}


class LazyCommands(click.Group):
    """A group whose commands are imported when they are called, not when they are listed."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        for arg in args:
            # Such a text can be kept in no record, and shown nowhere.
            if any("\ud800" <= letter <= "\udfff" for letter in arg):
                ctx.fail(f"{os.fsencode(arg)!r} is no text in {sys.getfilesystemencoding()}.")
        return super().parse_args(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"coilwright.cli.{cmd_name}_command").command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            import difflib

            near = difflib.get_close_matches(name, COMMANDS, 1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            ctx.fail(f"There is no command {name!r}.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for moment, group in GROUPS.items():
            with formatter.section(moment):
                formatter.write_dl(list(group.items()))


def _show_version(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    """Say which version runs, and which solver of the circuit."""
    if not wanted or ctx.resilient_parsing:
        return
    from coilwright.circuit.steady_state import solver

    click.echo(f"coilwright, version {__version__}")
    click.echo(f"circuit solver: {solver()}")
    ctx.exit()


@click.group(
    cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]}, no_args_is_help=True
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_show_version,
    help="Show the version and which circuit solver runs, and exit.",
)
def cli() -> None:
    """Bench companion for resonant coil drivers.

    Try it without hardware: coilwright tune --port sim://

    Coils and MOSFETs get hot, and a tuned receiver can carry hundreds of volts: begin with a small
    duty and a current-limited supply, keep implants, cards and magnets away from the coil, and
    follow your local rules on radio emission.
    """


def main() -> None:
    """Run the command; ends the process with the exit code of what happened."""
    guard_streams()
    # The circuit's matrices are small: threads in the linear algebra cost more than they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    as_json = "--json" in sys.argv[1:]
    try:
        exit_code = _run(as_json)
    finally:
        end_streams()
    sys.exit(exit_code)


def _run(as_json: bool) -> int:
    """Exit code of the command line, whatever happens in it."""
    try:
        exit_code = _called()
        if sys.stdout is not None:
            sys.stdout.flush()
        return exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        say(error.format_message())
        return 2
    except click.ClickException as error:
        say_usage(error)
        if as_json:
            print_failure("Usage", error.format_message(), "", error.exit_code)
        return error.exit_code
    except BaseException as failure:
        return report_failure(failure, as_json=as_json)


def _called() -> int:
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.Exit as done:
        return done.exit_code
    return 0
