"""`coilwright bench`: a simulated bench on a serial port of its own, for any program."""

from __future__ import annotations

import getpass
import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import FILE, FiniteRange, json_option

if TYPE_CHECKING:
    from coilwright.bench.process import Bench


COMMANDLINE = click.core.ParameterSource.COMMANDLINE


@click.command("bench")
@click.option("--bench", "build", type=FILE, help="Build file (TOML).  [default: harbour]")
@click.option(
    "--chip",
    type=click.Choice(["esp32", "esp32s3", "esp32c3", "rp2040", "rp2350"]),
    help="Microcontroller.",
)
@click.option("--seed", type=click.IntRange(0), help="Draws loose parts and noise.")
@click.option("--sensor", type=click.Choice(["adc", "ina219", "ina226"]), help="Current sensor.")
@click.option(
    "--costs",
    type=click.Choice(["none", "chip"]),
    default="none",
    show_default=True,
    help="Whether the board's own work takes the time that it takes on the chip.",
)
@click.option("--alert", is_flag=True, help="Wire the alert pin of an INA226 too.")
@click.option(
    "--speed",
    type=FiniteRange(0.01, 1000),
    default=1.0,
    show_default=True,
    help="Times as fast as real time.",
)
@click.option(
    "--flash",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder that keeps the driver's flash.",
)
@click.option(
    "--listen", metavar="[HOST:]PORT", help="TCP port instead of a pty; loopback unless HOST says."
)
@click.option(
    "--token",
    envvar="COILWRIGHT_BENCH_TOKEN",
    default="",
    help="What a client of the TCP port must send as its first line. One is drawn where none is"
    " given and HOST is not loopback, or with --bare.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=VALUE][,at=S]…",
    help="Let something go wrong; repeatable. coilwright fault --list shows what.",
)
@click.option(
    "--bare", is_flag=True, help="A board with MicroPython alone, for coilwright install."
)
@json_option
def command(
    build: Path | None,
    chip: str | None,
    seed: int | None,
    sensor: str | None,
    costs: str,
    alert: bool,
    speed: float,
    flash: Path | None,
    listen: str | None,
    token: str,
    faults: tuple[str, ...],
    bare: bool,
    as_json: bool,
) -> None:
    """Serve a simulated bench on a serial port of its own.

    Prints where it listens: a pseudo-terminal, or with --listen a TCP port (open it as
    socket://127.0.0.1:PORT, with a token as socket://127.0.0.1:PORT?token=TOKEN). Any program that
    talks to a serial instrument can use it. Ctrl-C stops it; `coilwright fault` lets it fail.

    Whoever reaches the TCP port drives the bench: on loopback, every program of this computer. It
    carries no prompt (SYST:MAIN is no command there) unless --bare, and nothing of HTTP. It is not
    encrypted. docs/security.md says what else it is and is not.
    """
    from coilwright.bench.faults import parse_fault
    from coilwright.bench.serve import BenchRequest, serve

    if listen is None and click.get_current_context().get_parameter_source("token") is COMMANDLINE:
        raise click.UsageError("--token is for a TCP port: give --listen, too.")
    request = BenchRequest(
        str(build) if build is not None else "harbour",
        chip=chip,
        seed=seed,
        sensor=sensor,
        costs=costs,
        alert=alert or None,
        speed=speed,
        flash=None if flash is None else str(flash),
        faults=tuple(parse_fault(text) for text in faults),
        bare=bare,
    )
    tell = _tell_bare if bare else _tell
    serve(request, listen=listen, token=token, on_listening=_tell_json if as_json else tell)


def _tell_json(bench: Bench) -> None:
    _warn(bench)
    facts = {
        "url": bench.url,
        "token": bench.port.token or None,
        "build": bench.build.name,
        "chip": bench.chip.name,
        "seed": bench.seed,
        "sensor": bench.sensor,
        "costs": bench.costs,
        "micropython": bench.micropython,
        "confined": bench.confined,
    }
    click.echo(json.dumps(facts))


def _address(bench: Bench) -> str:
    token = bench.port.token
    return f"{bench.url}?token={token}" if token else bench.url


def _warn(bench: Bench) -> None:
    """In red, on standard error, what a port opens beyond this computer, or beyond its bench."""
    from rich.text import Text

    from coilwright.view.console import Console

    port, told = bench.port, []
    if port.token and (bench.bare or not port.on_loopback):
        opens = "drives this bench"
        if bench.bare:
            opens += f", and runs Python on this computer as the user {getpass.getuser()}, confined"
        told.append(f"Whoever reaches {bench.url} and knows the token {opens}.")
    if not port.on_loopback:
        told.append("The line is not encrypted: who hears it learns the token.")
    if bench.bare and not bench.confined:
        told.append("This system cannot confine the board: what runs on it can do what you can.")
    if told:
        Console(stderr=True).print(Text(" ".join(told), style="red"), soft_wrap=True)


def _tell(bench: Bench) -> None:
    _warn(bench)
    at = _address(bench)
    click.echo(f"Simulated bench {bench.build.name} ({bench.chip.name}) listens at {at}")
    if not bench.micropython:
        click.echo("MicroPython is not installed here; the firmware runs on CPython.")
    click.echo(f"Try: coilwright tune --port {shlex.quote(at)}   Ctrl-C stops the bench.")
    click.echo("Let it fail, from another terminal: coilwright fault --list shows how.")


def _tell_bare(bench: Bench) -> None:
    _warn(bench)
    at = _address(bench)
    click.echo(f"A bare {bench.chip.name} with MicroPython and an empty flash listens at {at}")
    click.echo(f"Try: coilwright install --port {shlex.quote(at)}   Ctrl-C stops it.")
