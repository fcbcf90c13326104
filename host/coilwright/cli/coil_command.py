"""`coilwright coil`: a coil to wind, or the inductor of a receiver from its data sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from coilwright.cli.options import (
    AMPERE,
    FARAD,
    FILE,
    HENRY,
    HERTZ,
    LENGTH,
    OHM,
    check_plot,
    force_option,
    json_option,
    print_json,
    refusing,
    save_plot,
)
from coilwright.coil import PROXIMITY, SHAPES, CoilWishes, DrumAnswer, answer


@click.command("coil")
@click.option("--shape", type=click.Choice(SHAPES), default=CoilWishes.shape, show_default=True)
@click.option("--wire", help="Bare diameter, gauge or section: 0.8mm, AWG20, 0.75mm2.")
@click.option(
    "--over", type=LENGTH, help="Wire over its insulation.  [default: enamelled, grade 1]"
)
@click.option("--diameter", type=LENGTH, help="Mean diameter, wire centre to wire centre: 60mm.")
@click.option("--former", type=LENGTH, help="Diameter of the former, instead of --diameter.")
@click.option("--turns", type=float, help="Turns to wind; parts of a turn are allowed.")
@click.option(
    "--want", type=HENRY, help="Inductance to reach (at --frequency), instead of --turns: 9.6u."
)
@click.option("--pitch", type=LENGTH, help="From turn to turn.  [default: turns that touch]")
@click.option("--length", type=LENGTH, help="What the winding takes along the axis.")
@click.option(
    "--per-layer", type=click.IntRange(1), help="Turns a layer.  [default: a square section]"
)
@click.option("--drum", type=HENRY, help="Inductance of a drum-core inductor, instead of a coil.")
@click.option("--resistance", type=OHM, help="Its resistance for direct current.")
@click.option("--self-resonance", type=HERTZ, help="Its self-resonance.")
@click.option("--q", "quality", type=float, help="Its Q, at --q-frequency.")
@click.option("--q-frequency", "quality_frequency", type=HERTZ, help="Where the sheet gives Q.")
@click.option("--capacitor", type=FARAD, help="Capacitor at hand: where does it tune?")
@click.option("--frequency", type=HERTZ, help="Working frequency, for instance 165k.")
@click.option("--temperature", type=float, help="Of the wire, °C.  [default: 20]")
@click.option("--current", type=AMPERE, help="Effective (rms) current, for loss and warming.")
@click.option(
    "--proximity",
    type=click.Choice(PROXIMITY),
    help="How turns raise each other's resistance.  [default: field, where it can be solved]",
)
@click.option("--plot", type=FILE, metavar="FILE", help="Save Q and resistance over frequency.")
@force_option
@json_option
def command(plot: Path | None, force: bool, as_json: bool, **options: Any) -> None:
    """Inductance, resistance and Q of a coil to wind.

    Forward: --diameter 60mm --turns 7 --wire 0.8mm --pitch 1mm --frequency 165k. Backward: --want
    9.6u instead of --turns. An inductor by its data sheet: --drum 1.5m --resistance 9
    --self-resonance 1.2M --frequency 165k. A length needs its unit: mm, cm, m, in or mil.
    """
    from coilwright.view import coil_text

    check_plot(plot, force)
    with refusing():
        wishes = CoilWishes(**options)
        found = answer(wishes)
        if wishes.proximity is not None and wishes.frequency is None and plot is None:
            raise click.UsageError("--proximity needs a --frequency, or a --plot.")
        save_plot(found, plot, force)
    if as_json:
        print_json({**found.to_json(), "plot": None if plot is None else str(plot)})
        return
    if isinstance(found, DrumAnswer):
        lines = coil_text.drum_lines(found)
    else:
        lines = coil_text.coil_lines(found)
    for line in lines:
        click.echo(line)
    if plot is not None:
        click.echo(f"plot in {plot}")
