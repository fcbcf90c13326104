"""`coilwright coil`: a coil to wind, or the inductor of a receiver from its data sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
)

if TYPE_CHECKING:
    from coilwright.circuit.drum_core import DrumCore
    from coilwright.circuit.winding import Former, WantedTurns, Winding

# As in circuit.winding.SHAPES and circuit.coil_figures.PROXIMITY; here so that --help stays light.
_SHAPES = ("solenoid", "multilayer", "spiral", "ring", "loop")
_PROXIMITY = ("field", "medhurst", "dowell")


@dataclass(frozen=True, slots=True)
class _Wishes:
    """What the command line asked for; lengths in metres, the rest SI."""

    shape: str
    wire: str | None
    over: float | None
    diameter: float | None
    former: float | None
    turns: float | None
    want: float | None
    pitch: float | None
    length: float | None
    per_layer: int | None
    drum: float | None
    resistance: float | None
    self_resonance: float | None
    quality: float | None
    quality_frequency: float | None
    capacitor: float | None
    frequency: float | None
    temperature: float | None
    current: float | None
    proximity: str | None
    plot: Path | None
    force: bool
    as_json: bool

    @property
    def celsius(self) -> float:
        """Temperature of the wire."""
        return 20.0 if self.temperature is None else self.temperature


@click.command("coil")
@click.option("--shape", type=click.Choice(_SHAPES), default="solenoid", show_default=True)
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
    type=click.Choice(_PROXIMITY),
    help="How turns raise each other's resistance.  [default: field, where it can be solved]",
)
@click.option("--plot", type=FILE, metavar="FILE", help="Save Q and resistance over frequency.")
@force_option
@json_option
def command(**options: Any) -> None:
    """Inductance, resistance and Q of a coil to wind.

    Forward: --diameter 60mm --turns 7 --wire 0.8mm --pitch 1mm --frequency 165k. Backward: --want
    9.6u instead of --turns. An inductor by its data sheet: --drum 1.5m --resistance 9
    --self-resonance 1.2M --frequency 165k. A length needs its unit: mm, cm, m, in or mil.
    """
    wishes = _Wishes(**options)
    check_plot(wishes.plot, wishes.force)
    if not -200 < wishes.celsius < 1000:
        raise click.UsageError(f"--temperature {wishes.celsius:g} is no wire's; it is in °C.")
    if wishes.frequency is not None and not wishes.frequency > 0:
        raise click.UsageError("--frequency must be above zero.")
    if wishes.current is not None and wishes.current < 0:
        raise click.UsageError("--current is an effective value; it cannot be negative.")
    if wishes.drum is not None:
        _drum(wishes)
    else:
        _coil(wishes)


def _refuse(wishes: _Wishes, names: tuple[str, ...], why: str) -> None:
    """Refuse options that would be passed over in silence."""
    given = [name for name in names if getattr(wishes, name) is not None]
    if given:
        option = {"quality": "q", "quality_frequency": "q-frequency"}.get(given[0], given[0])
        raise click.UsageError(f"--{option.replace('_', '-')} {why}.")


_OF_DRUM = ("resistance", "self_resonance", "quality", "quality_frequency", "capacitor")
_OF_COIL = (
    "wire", "over", "diameter", "former", "turns", "want", "pitch", "length", "per_layer",
    "proximity", "temperature",
)  # fmt: skip


def _coil(wishes: _Wishes) -> None:
    from coilwright.circuit.winding import turns_for, wind
    from coilwright.view import coil_text

    _refuse(wishes, _OF_DRUM, "belongs to --drum, an inductor by its data sheet")
    former = _former(wishes)
    found = None if wishes.want is None else turns_for(former, wishes.want, _inductance(wishes))
    coil = wind(former, _turns(wishes)) if found is None else found.half
    answer = _answer(wishes, coil, found)
    if wishes.plot is not None:
        _plot_coil(wishes, wishes.plot, coil)
    if wishes.as_json:
        print_json(answer)
    else:
        for line in coil_text.coil_lines(answer):
            click.echo(line)


def _inductance(wishes: _Wishes) -> Callable[[Winding], float]:
    """That at the working frequency where one is given, else that for direct current."""
    from coilwright.circuit.coil_figures import inductance_h
    from coilwright.circuit.winding import Winding

    if wishes.frequency is None:
        return Winding.inductance_h
    return partial(inductance_h, frequency_hz=wishes.frequency, temperature_c=wishes.celsius)


def _former(wishes: _Wishes) -> Former:
    from coilwright.circuit.winding import Former
    from coilwright.circuit.wire import parse_wire

    if wishes.wire is None:
        raise click.UsageError("Which wire? Give --wire 0.8mm, AWG20 or 0.75mm2.")
    if (wishes.diameter is None) == (wishes.former is None):
        raise click.UsageError("Give --diameter (wire to wire) or --former, one of the two.")
    if (wishes.turns is None) == (wishes.want is None) and wishes.shape != "loop":
        raise click.UsageError("Give --turns or --want, one of the two.")
    _refuse_unfit(wishes)
    if wishes.proximity is not None and wishes.frequency is None and wishes.plot is None:
        raise click.UsageError("--proximity needs a --frequency, or a --plot.")
    try:
        wire = parse_wire(wishes.wire, wishes.over)
    except ValueError as error:
        raise click.UsageError(f"--wire: {error}.") from None
    inside = wishes.former is not None
    across = wishes.former if wishes.former is not None else wishes.diameter
    assert across is not None
    return Former(
        wishes.shape, wire, across, inside, wishes.pitch, wishes.length, wishes.per_layer or 0
    )


def _refuse_unfit(wishes: _Wishes) -> None:
    """Refuse options that the shape does not know."""
    unfit: dict[str, tuple[str, ...]] = {
        "solenoid": ("per_layer",),
        "spiral": ("length", "per_layer"),
        "loop": ("length", "per_layer", "pitch", "want"),
    }
    _refuse(wishes, unfit.get(wishes.shape, ()), f"means nothing for a {wishes.shape}")
    if wishes.length is not None and wishes.per_layer is not None:
        raise click.UsageError("Give --length or --per-layer, one of the two.")


def _turns(wishes: _Wishes) -> float:
    return 1.0 if wishes.turns is None else wishes.turns


def _answer(wishes: _Wishes, coil: Winding, found: WantedTurns | None) -> dict[str, Any]:
    """Everything there is to say, as the JSON object."""
    from coilwright.circuit.coil_figures import capacitance_f, dc_resistance_ohm, self_resonance_hz

    inductance, capacitance = coil.inductance_h(), capacitance_f(coil)
    answer: dict[str, Any] = {
        "shape": coil.shape,
        "turns": coil.turns,
        "layers": coil.layers,
        "mean_diameter_m": coil.mean_diameter_m,
        "outer_diameter_m": coil.outer_diameter_m,
        "pitch_m": coil.pitch_m,
        "length_m": coil.length_m,
        "depth_m": coil.depth_m,
        "wire": {
            "name": coil.wire.name,
            "diameter_m": coil.wire.diameter_m,
            "overall_m": coil.wire.overall_m,
            "length_m": coil.wire_length_m,
        },
        "inductance_h": inductance,
        "other_formulas_h": coil.by_other_formulas_h(),
        "temperature_c": wishes.celsius,
        "dc_resistance_ohm": dc_resistance_ohm(coil, wishes.celsius),
        "self_capacitance_f": capacitance,
        "self_resonance_hz": capacitance and self_resonance_hz(inductance, capacitance),
        "warnings": _geometry_warnings(coil),
        "plot": None if wishes.plot is None else str(wishes.plot),
    }
    if found is not None:
        answer["wanted"] = _wanted(found, _inductance(wishes))
    if wishes.frequency is not None:
        answer["at_frequency"] = _at_frequency(wishes, coil, answer)
    if wishes.current is not None:
        answer["at_current"] = _at_current(wishes.current, coil, answer)
    return answer


def _geometry_warnings(coil: Winding) -> list[str]:
    from coilwright.circuit.winding_loss import CAPACITANCE_LENGTH
    from coilwright.lengths import show_length

    told = []
    if coil.turns > 1 and coil.pitch_m < coil.wire.overall_m:
        over = show_length(coil.wire.overall_m)
        told.append(f"The pitch is less than the wire over its insulation ({over}).")
    slender = coil.length_m / coil.mean_diameter_m
    low, high = CAPACITANCE_LENGTH
    if coil.shape == "solenoid" and not low <= slender <= high:
        told.append(
            f"Medhurst's self-capacitance is for length/diameter {low:g} to {high:g}; this coil "
            f"has {slender:.2g}, and the value at the end of his table is used."
        )
    return told


def _wanted(found: WantedTurns, inductance_h: Callable[[Winding], float]) -> dict[str, Any]:
    def row(coil: Winding) -> dict[str, float]:
        inductance = inductance_h(coil)
        off = inductance / found.wanted_h - 1
        return {"turns": coil.turns, "inductance_h": inductance, "off": off}

    return {
        "inductance_h": found.wanted_h,
        "turns": found.exact,
        "whole": row(found.whole),
        "half": row(found.half),
    }


def _at_frequency(wishes: _Wishes, coil: Winding, answer: dict[str, Any]) -> dict[str, Any]:
    from coilwright.circuit.coil_figures import doubts, figures

    assert wishes.frequency is not None
    try:
        found = figures(coil, wishes.frequency, wishes.celsius, wishes.proximity)
    except ValueError as error:
        raise click.UsageError(f"--proximity: {error}.") from None
    own = answer["self_resonance_hz"]
    answer["warnings"] += doubts(coil, found)
    if own is not None and wishes.frequency > own / 3:
        answer["warnings"].append(
            "Near self-resonance the coil's capacitance raises its apparent inductance and lowers "
            "its apparent Q; that is not counted here."
        )
    return {
        "frequency_hz": wishes.frequency,
        "skin_depth_m": float(found.skin_depth_m),
        "inductance_h": float(found.inductance_h),
        "inductance_error": found.inductance_error,
        "method": found.method,
        "resistance_ohm": float(found.resistance_ohm),
        "skin_only_ohm": float(found.skin_only_ohm),
        "by_method_ohm": {name: float(ohm) for name, ohm in found.by_method_ohm.items()},
        "q": float(found.quality),
    }


def _at_current(current: float, coil: Winding, answer: dict[str, Any]) -> dict[str, Any]:
    from coilwright.circuit.coil_figures import warming_k

    working = answer.get("at_frequency")
    resistance = working["resistance_ohm"] if working else answer["dc_resistance_ohm"]
    loss = current**2 * resistance
    return {
        "current_rms_a": current,
        "loss_w": loss,
        "density_a_per_mm2": current / (1e6 * coil.wire.area_m2),
        "warming_k": float(warming_k(loss, coil.surface_m2)),
    }


def _plot_coil(wishes: _Wishes, target: Path, coil: Winding) -> None:
    from coilwright.circuit.coil_figures import figures
    from coilwright.view.coil_plot import plot_coil
    from coilwright.view.plots import save

    try:
        found = figures(coil, _span(wishes.frequency), wishes.celsius, wishes.proximity)
    except ValueError as error:
        raise click.UsageError(f"--proximity: {error}.") from None
    title = f"{coil.shape}, {coil.turns:g} turns of {coil.wire.name}"
    save(plot_coil(found, title=title, mark_hz=wishes.frequency), target, force=wishes.force)


def _span(frequency: float | None) -> Any:
    import numpy as np

    middle = frequency or 165e3
    return np.geomspace(middle / 10, middle * 10, 41)


def _drum(wishes: _Wishes) -> None:
    from coilwright.view import coil_text

    _refuse(wishes, _OF_COIL, "belongs to a coil to wind, not to --drum")
    drum = _drum_core(wishes)
    if wishes.frequency is None and wishes.capacitor is None:
        raise click.UsageError("Give --frequency to tune to, or --capacitor that is at hand.")
    answer = _drum_answer(wishes, drum)
    if wishes.plot is not None:
        _plot_drum(wishes, wishes.plot, drum)
    if wishes.as_json:
        print_json(answer)
    else:
        for line in coil_text.drum_lines(answer):
            click.echo(line)


def _drum_core(wishes: _Wishes) -> DrumCore:
    from coilwright.circuit.drum_core import DrumCore

    if wishes.drum is None or wishes.resistance is None:
        raise click.UsageError("--drum needs --resistance, from the data sheet or an ohmmeter.")
    for name, value in (
        ("--drum", wishes.drum),
        ("--resistance", wishes.resistance),
        ("--self-resonance", wishes.self_resonance),
        ("--q", wishes.quality),
        ("--q-frequency", wishes.quality_frequency),
    ):
        if value is not None and not value > 0:
            raise click.UsageError(f"{name} must be above zero.")
    try:
        return DrumCore(
            wishes.drum,
            wishes.resistance,
            wishes.self_resonance,
            wishes.quality,
            wishes.quality_frequency,
        )
    except ValueError as error:
        raise click.UsageError(f"--drum: {error}.") from None


def _drum_answer(wishes: _Wishes, drum: DrumCore) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "inductance_h": drum.inductance_h,
        "dc_resistance_ohm": drum.resistance_ohm,
        "self_resonance_hz": drum.self_resonance_hz,
        "parasitic_f": None if drum.self_resonance_hz is None else drum.parasitic_f,
        "q_is_upper_bound": drum.quality is None,
        "plot": None if wishes.plot is None else str(wishes.plot),
    }
    if wishes.frequency is not None:
        answer["at_frequency"] = {
            "frequency_hz": wishes.frequency,
            "capacitor_f": drum.capacitor_f(wishes.frequency),
            "resistance_ohm": float(drum.resistance_at_ohm(wishes.frequency)),
            "q": float(drum.quality_at(wishes.frequency)),
        }
    if wishes.capacitor is not None:
        if wishes.capacitor <= 0:
            raise click.UsageError("--capacitor must be above zero.")
        tuned = drum.resonance_hz(wishes.capacitor)
        answer["with_capacitor"] = {"capacitor_f": wishes.capacitor, "resonance_hz": tuned}
    if wishes.current is not None:
        working = answer.get("at_frequency")
        resistance = working["resistance_ohm"] if working else drum.resistance_ohm
        loss = wishes.current**2 * resistance
        answer["at_current"] = {"current_rms_a": wishes.current, "loss_w": loss}
    return answer


def _plot_drum(wishes: _Wishes, target: Path, drum: DrumCore) -> None:
    from coilwright.view.coil_plot import plot_drum
    from coilwright.view.plots import save

    span = _span(wishes.frequency)
    if drum.self_resonance_hz is not None:
        span = span[span < drum.self_resonance_hz]
    figure = plot_drum(drum, span, mark_hz=wishes.frequency)
    save(figure, target, force=wishes.force)
