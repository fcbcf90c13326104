"""`coilwright fault`: let something go wrong on a simulated bench that is running."""

from __future__ import annotations

import textwrap
from typing import Any

import click

from coilwright.cli.options import SECOND, json_option, print_json


@click.command("fault")
@click.argument("faults", nargs=-1, metavar="[NAME[=VALUE]]...")
@click.option(
    "--port",
    metavar="URL",
    envvar="COILWRIGHT_PORT",
    help="Where the bench listens, as it printed it.  [default: the only bench that runs]",
)
@click.option("--at", type=SECOND, metavar="S", help="Time on the bench's own clock.")
@click.option("--in", "within", type=SECOND, metavar="S", help="Time from now.")
@click.option("--for", "lasts", type=SECOND, metavar="S", help="How long it lasts.")
@click.option("--every", type=SECOND, metavar="S", help="It comes again so long after each onset.")
@click.option("--clear", is_flag=True, help="End the faults named, or all.")
@click.option("--list", "show", is_flag=True, help="List the faults there are.")
@json_option
def command(
    faults: tuple[str, ...],
    port: str | None,
    at: float | None,
    within: float | None,
    lasts: float | None,
    every: float | None,
    clear: bool,
    show: bool,
    as_json: bool,
) -> None:
    """Let something go wrong on a simulated bench that runs.

    The bench is one that `coilwright bench` serves, in another terminal. Without a name it says
    what is wrong with the bench now. A sim:// port takes the same faults in its URL:
    sim://harbour?fault=coil-open,at=3s

    \b
    coilwright fault coil-open
    coilwright fault tank-drift=1%/min --for 60
    coilwright fault loss=0.1% sensor-stuck --in 2
    coilwright fault --clear
    """
    if show:
        _show_kinds(as_json)
        return
    if at is not None and within is not None:
        raise click.UsageError("Give --at or --in, not both.")
    if clear and any(time is not None for time in (at, within, lasts, every)):
        raise click.UsageError("--clear acts at once; it takes no times.")
    request = {"clear": list(faults)} if clear else _request(faults, at, within, lasts, every)
    answer = _ask(port, request)
    if as_json:
        print_json(answer)
    else:
        _tell(answer)


def _request(
    faults: tuple[str, ...],
    at: float | None,
    within: float | None,
    lasts: float | None,
    every: float | None,
) -> dict[str, Any]:
    """The request for these faults, refused here where it is wrong."""
    from coilwright.bench.faults import parse_fault

    begins = within if at is None else at
    times = (("at", begins), ("for", lasts), ("every", every))
    options = "".join(f",{key}={value!r}s" for key, value in times if value is not None)
    texts = [fault + options for fault in faults]
    for text in texts:
        parse_fault(text)
    timed = at is not None or any(",at=" in fault.replace(" ", "") for fault in faults)
    return {"add": texts, "from_now": not timed}


def _ask(port: str | None, request: dict[str, Any]) -> dict[str, Any]:
    from coilwright.bench.relay import check_system
    from coilwright.errors import PortError

    check_system()
    from coilwright.bench.control import ask

    if port is not None and port.lower().startswith("sim:"):
        hint = "write sim://harbour?fault=coil-open, or serve a bench with: coilwright bench"
        raise PortError("A sim:// bench takes its faults in its URL.", hint)
    return ask(port, request)


def _tell(answer: dict[str, Any]) -> None:
    place = f"{answer['build']} ({answer['chip']}) at {answer['url']}"
    click.echo(f"Bench {place}, {answer['now_s']:.1f} s since power-on:")
    for fault in answer["faults"]:
        click.echo(f"  {fault['fault']}{'  (acting)' if fault['acting'] else ''}")
    if not answer["faults"]:
        click.echo("  nothing is wrong with it")


def _show_kinds(as_json: bool) -> None:
    from coilwright.bench.faults import KINDS

    kinds = list(KINDS.values())
    if as_json:
        rows = [(kind.name, kind.acts, kind.value_form(), kind.does) for kind in kinds]
        keys = ("name", "acts", "value", "does")
        print_json({"faults": [dict(zip(keys, row, strict=True)) for row in rows]})
        return
    for acts in dict.fromkeys(kind.acts for kind in kinds):
        click.echo(f"{acts.capitalize()}:")
        for kind in kinds:
            if kind.acts == acts:
                click.echo(_row(kind.name, kind.does, kind.value_form()))
    click.echo("A value follows the name: metal=5%. docs/simulated-bench.md says more.")


def _row(name: str, does: str, value: str) -> str:
    text = f"{does} ({value})" if value else does
    return textwrap.fill(text, 96, initial_indent=f"  {name:<22}", subsequent_indent=" " * 24)
