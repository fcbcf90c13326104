"""`coilwright bench`: a simulated bench on a serial port of its own, for any program."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import FILE, FiniteRange, json_option

if TYPE_CHECKING:
    from coilwright.bench.process import Bench


@click.command("bench")
@click.option("--bench", "build", type=FILE, help="Build file (TOML).  [default: harbour]")
@click.option(
    "--chip",
    type=click.Choice(["esp32", "esp32s3", "esp32c3", "rp2040", "rp2350"]),
    help="Microcontroller.",
)
@click.option("--seed", type=click.IntRange(0), help="Draws loose parts and noise.")
@click.option("--sensor", type=click.Choice(["adc", "ina219", "ina226"]), help="Current sensor.")
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
    alert: bool,
    speed: float,
    flash: Path | None,
    listen: str | None,
    faults: tuple[str, ...],
    bare: bool,
    as_json: bool,
) -> None:
    """Serve a simulated bench on a serial port of its own.

    Prints where it listens: a pseudo-terminal, or with --listen a TCP port (open it as
    socket://127.0.0.1:PORT). Any program that talks to a serial instrument can use it. Ctrl-C
    stops it; `coilwright fault` lets it fail. A TCP port has no password: keep it on the loopback
    address unless you mean it.
    """
    from coilwright.bench.faults import parse_fault
    from coilwright.bench.serve import BenchRequest, serve

    request = BenchRequest(
        str(build) if build is not None else "harbour",
        chip=chip,
        seed=seed,
        sensor=sensor,
        alert=alert or None,
        speed=speed,
        flash=None if flash is None else str(flash),
        faults=tuple(parse_fault(text) for text in faults),
        bare=bare,
    )
    tell = _tell_bare if bare else _tell
    serve(request, listen=listen, on_listening=_tell_json if as_json else tell)


def _tell_json(bench: Bench) -> None:
    facts = {
        "url": bench.url,
        "build": bench.build.name,
        "chip": bench.chip.name,
        "seed": bench.seed,
        "sensor": bench.sensor,
        "micropython": bench.micropython,
    }
    click.echo(json.dumps(facts))


def _tell(bench: Bench) -> None:
    click.echo(f"Simulated bench {bench.build.name} ({bench.chip.name}) listens at {bench.url}")
    if not bench.micropython:
        click.echo("MicroPython is not installed here; the firmware runs on CPython.")
    click.echo(f"Try: coilwright tune --port {bench.url}   Ctrl-C stops the bench.")
    click.echo("Let it fail, from another terminal: coilwright fault --list shows how.")


def _tell_bare(bench: Bench) -> None:
    click.echo(
        f"A bare {bench.chip.name} with MicroPython and an empty flash listens at {bench.url}"
    )
    click.echo(f"Try: coilwright install --port {bench.url}   Ctrl-C stops it.")
