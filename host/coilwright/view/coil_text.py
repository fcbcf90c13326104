"""A coil's figures as lines of text that fit 80 columns."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

from coilwright.coil import (
    CoilAnswer,
    CoilLoss,
    DrumAnswer,
    DrumLoss,
    WantedTold,
    WorkingCoil,
    WorkingDrum,
)
from coilwright.lengths import show_length
from coilwright.quantities import show

WIDTH = 79

_METHODS = {
    "field": "field of all turns",
    "medhurst": "Medhurst's table",
    "dowell": "Dowell's layers",
}

HOT_K = 30.0
"""Rise from which a coil is called hot to the touch (common practice, no source)."""


def coil_lines(answer: CoilAnswer) -> Iterator[str]:
    """Lines for a coil to wind."""
    yield from _built(answer)
    if answer.wanted is not None:
        yield from _wanted(answer.wanted)
    yield from _row("inductance", f"{show(answer.inductance_h, 'H')} for direct current")
    others = answer.other_formulas_h.items()
    if others:
        yield from _row("", ", ".join(f"{name} {show(h, 'H')}" for name, h in others))
    yield from _row("wire", f"{show_length(answer.wire.length_m)} without leads")
    direct, celsius = show(answer.dc_resistance_ohm, "ohm"), answer.temperature_c
    yield from _row("resistance", f"{direct} for direct current at {celsius:g} °C")
    yield from _self_resonance(answer)
    if answer.at_frequency is not None:
        yield from _working(answer.at_frequency)
    if answer.at_current is not None:
        yield from _loss(answer.at_current)
    yield from _remarks(answer.warnings)


def _row(name: str, text: str) -> Iterator[str]:
    yield from _wrapped(text, f"{name:<17}", " " * 17)


def _wrapped(text: str, first: str = "", later: str = "") -> Iterator[str]:
    """Lines of the text, broken between words but never between a number and its unit."""
    kept = re.sub(r"(?<=\d) (?=[a-zA-Z°%])", "\N{NO-BREAK SPACE}", text)
    for line in textwrap.wrap(kept, WIDTH, initial_indent=first, subsequent_indent=later):
        yield line.replace("\N{NO-BREAK SPACE}", " ")


def _built(answer: CoilAnswer) -> Iterator[str]:
    wire, turns = answer.wire, answer.turns
    copper = f"{show_length(wire.diameter_m)} copper, {show_length(wire.overall_m)} over all"
    many = "1 turn" if turns == 1 else f"{turns:g} turns"
    yield from _wrapped(f"{answer.shape}: {many} of {wire.name} ({copper})")
    sizes = [f"mean diameter {show_length(answer.mean_diameter_m)}"]
    if turns > 1:
        sizes.append(f"pitch {show_length(answer.pitch_m)}")
    if answer.shape in ("multilayer", "ring"):
        sizes.append(f"{answer.layers} layers")
    sizes.append(
        f"section {show_length(answer.length_m)} along the axis by {show_length(answer.depth_m)}"
    )
    yield from _wrapped(", ".join(sizes))


def _wanted(wanted: WantedTold) -> Iterator[str]:
    yield from _row("wanted", f"{show(wanted.inductance_h, 'H')}, {wanted.turns:.3f} turns")
    for name, choice in (("whole turns", wanted.whole), ("half turns", wanted.half)):
        off = f"{100 * choice.off:+.1f} %"
        yield from _row(name, f"{choice.turns:g}: {show(choice.inductance_h, 'H')} ({off})")


def _self_resonance(answer: CoilAnswer) -> Iterator[str]:
    if answer.self_capacitance_f is None or answer.self_resonance_hz is None:
        yield from _row("self-resonance", f"no formula for a {answer.shape}; measure it")
        return
    resonance = show(answer.self_resonance_hz, "Hz", 3)
    capacitance = show(answer.self_capacitance_f, "F", 3)
    yield from _row("self-resonance", f"about {resonance}, by {capacitance} with one end earthed")


def _working(at: WorkingCoil) -> Iterator[str]:
    yield f"at {show(at.frequency_hz, 'Hz', 6)}"
    # Two digits where nobody knows how good more would be.
    digits = 4 if at.inductance_error is not None else 2
    yield from _row("  inductance", show(at.inductance_h, "H", digits))
    yield from _row("  skin depth", show_length(at.skin_depth_m, 3))
    method = _METHODS[at.method]
    yield from _row("  resistance", f"{show(at.resistance_ohm, 'ohm', 3)} ({method})")
    others = [f"skin effect alone {show(at.skin_only_ohm, 'ohm', 3)}"]
    others += [
        f"{_METHODS[name]} {show(ohm, 'ohm', 3)}"
        for name, ohm in at.by_method_ohm.items()
        if name != at.method
    ]
    yield from _row("", ", ".join(others))
    yield from _row("  Q", f"{at.q:.3g}")


def _loss(at: CoilLoss | DrumLoss) -> Iterator[str]:
    yield f"at {show(at.current_rms_a, 'A')} rms"
    spread = "" if isinstance(at, DrumLoss) else f", {at.density_a_per_mm2:.3g} A/mm²"
    yield from _row("  loss", f"{show(at.loss_w, 'W', 3)}{spread}")
    if isinstance(at, DrumLoss):
        return
    rise = at.warming_k
    hot = "; hot to the touch, and hotter as its resistance grows" if rise >= HOT_K else ""
    yield from _row("  it gets warm", f"some {rise:.2g} K above still air{hot}")
    yield from _row("", "a plain estimate, half or twice is as likely; measure before you touch")


def _remarks(sentences: list[str]) -> Iterator[str]:
    for sentence in sentences:
        yield from _wrapped(sentence, "Note: ", " " * 6)


def drum_lines(answer: DrumAnswer) -> Iterator[str]:
    """Lines for an inductor by its data sheet."""
    direct = show(answer.dc_resistance_ohm, "ohm")
    yield f"inductor: {show(answer.inductance_h, 'H')}, {direct} for direct current"
    if answer.self_resonance_hz is None or answer.parasitic_f is None:
        yield from _row("own capacitance", "not counted: give --self-resonance")
    else:
        own, resonance = answer.parasitic_f, answer.self_resonance_hz
        text = f"{show(own, 'F', 3)}, from the self-resonance at {show(resonance, 'Hz')}"
        yield from _row("own capacitance", text)
    if answer.at_frequency is not None:
        yield from _tuned(answer.at_frequency, answer.q_is_upper_bound)
    if answer.with_capacitor is not None:
        at = answer.with_capacitor
        yield from _row(f"with {show(at.capacitor_f, 'F')}", show(at.resonance_hz, "Hz", 5))
    if answer.at_current is not None:
        yield from _loss(answer.at_current)
    yield from _remarks(
        ["Without its LED a tuned receiver multiplies the voltage induced in it by Q."]
    )


def _tuned(at: WorkingDrum, upper_bound: bool) -> Iterator[str]:
    yield f"at {show(at.frequency_hz, 'Hz', 6)}"
    yield from _row("  capacitor", f"{show(at.capacitor_f, 'F')} to tune it there")
    resistance = show(at.resistance_ohm, "ohm", 3)
    yield from _row("  resistance", f"at least {resistance}" if upper_bound else resistance)
    why = ", from direct current alone: core and skin lower it" if upper_bound else ""
    yield from _row("  Q", f"{'at most ' if upper_bound else ''}{at.q:.3g}{why}")
