"""`coilwright tank`: resonance, the capacitor to take, its scatter, and soft switching."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    DUTY,
    FARAD,
    FILE,
    FRACTION,
    HENRY,
    HERTZ,
    OHM,
    VOLT,
    check_plot,
    force_option,
    json_option,
    print_json,
    save_plot,
)

if TYPE_CHECKING:
    from coilwright.tank import TankAnswer, TankQuestion

# The series stand here too, so that `--help` imports nothing heavy; a test compares.
SERIES = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")


@click.command("tank")
@click.option("--inductance", type=HENRY, help="Coil, for instance 9.6u.")
@click.option("--capacitance", type=FARAD, help="Capacitor, for instance 82n.")
@click.option("--across", type=FARAD, help="What lies across it, such as a receiver's LEDs: 60p.")
@click.option("--frequency", type=HERTZ, help="Wanted operating frequency, for instance 165k.")
@click.option("--duty", type=DUTY, help="Duty of the driver; without it, plain resonance.")
@click.option("--supply", type=VOLT, help="Supply of the driver.  [default: the build's, or 5 V]")
@click.option("--resistance", type=OHM, help="Resistance of the driver coil.")
@click.option("--build", type=FILE, help="Build file (TOML), or harbour: losses and lamps.")
@click.option(
    "--series",
    type=click.Choice(SERIES, case_sensitive=False),
    help="Preferred numbers (IEC 60063) to choose from.  [default: E12]",
)
@click.option("--drawer", type=FILE, help="CSV list of your own capacitors, instead of a series.")
@click.option("--any-dielectric", is_flag=True, help="Use X7R and the like from the drawer too.")
@click.option(
    "--parts",
    type=click.IntRange(1, 3),
    default=2,
    show_default=True,
    help="How many capacitors may be joined.",
)
@click.option("--tolerance-c", type=FRACTION, help="Of the capacitors.  [default: the series']")
@click.option("--tolerance-l", type=FRACTION, default=0.0, help="Of the inductance.  [default: 0]")
@click.option("--band", type=FRACTION, default=0.02, help="Detuning allowed.  [default: 2%]")
@click.option(
    "--distribution",
    type=click.Choice(["uniform", "normal"]),
    default="uniform",
    show_default=True,
    help="How values scatter in their tolerance.",
)
@click.option(
    "--draws",
    type=click.IntRange(1, 1_000_000),
    default=10_000,
    show_default=True,
    help="Tanks drawn at random.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Repeats the draw."
)
@click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
@force_option
@json_option
def command(
    inductance: float | None,
    capacitance: float | None,
    across: float | None,
    frequency: float | None,
    duty: float | None,
    supply: float | None,
    resistance: float | None,
    build: Path | None,
    series: str | None,
    drawer: Path | None,
    any_dielectric: bool,
    parts: int,
    tolerance_c: float | None,
    tolerance_l: float,
    band: float,
    distribution: str,
    draws: int,
    seed: int,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Choose the tank capacitor for a coil, a frequency and a duty.

    Two of --inductance, --capacitance and --frequency give the third. With --duty the capacitor
    is the one that lets the MOSFET close when the drain has swung back to zero, which draws much
    less current than plain resonance does. Parts come from a series or from your own drawer.
    """
    from coilwright.tank import TankQuestion, answer

    if series is not None and drawer is not None:
        raise click.UsageError("Choose from a --series or from a --drawer, not both.")
    if across is not None and (duty is not None or build is not None):
        raise click.UsageError(
            "--across is for a receiver: it goes with neither --duty nor --build."
        )
    check_plot(plot, force)
    question = TankQuestion(
        inductance_h=inductance,
        capacitance_f=capacitance,
        across_f=across or 0.0,
        frequency_hz=frequency,
        duty=duty,
        supply_v=supply,
        resistance_ohm=resistance,
        series=series or "E12",
        any_dielectric=any_dielectric,
        parts=parts,
        tolerance_c=tolerance_c,
        tolerance_l=tolerance_l,
        band=band,
        distribution=distribution,
        draws=draws,
        seed=seed,
    )
    found = answer(_with_files(question, build, drawer))
    save_plot(found, plot, force)
    if as_json:
        print_json({**found.to_json(), "plot": None if plot is None else str(plot)})
    else:
        _tell(found, plot)


def _with_files(question: TankQuestion, build: Path | None, drawer: Path | None) -> TankQuestion:
    from dataclasses import replace

    if build is not None:
        from coilwright.build import load_build

        question = replace(question, driver=load_build(build).driver)
    if drawer is not None:
        from coilwright.drawer import read_drawer

        question = replace(question, drawer=read_drawer(drawer))
    return question


def _tell(found: TankAnswer, plot: Path | None) -> None:
    from coilwright.view import tank_text
    from coilwright.view.console import Console

    console = Console(soft_wrap=False)
    console.print(tank_text.title(found))
    if found.assumed:
        console.print("assumed: " + "; ".join(found.assumed))
    choices = tank_text.choice_table(found)
    if choices is not None:
        console.print(choices)
        console.print(tank_text.CHOICE_LEGEND)
    if found.switching is not None:
        console.print()
        console.print(tank_text.switching_table(found.switching))
        console.print(tank_text.SWITCHING_LEGEND)
    for line in (*tank_text.spread_lines(found), *found.notes):
        console.print(line)
    for line in found.left_out:
        console.print(f"left out: {line}")
    for line in found.cautions:
        console.print(f"Caution: {line}")
    if plot is not None:
        console.print(f"plot in {plot}")
