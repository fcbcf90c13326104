"""A prediction as text of 80 columns: the operating point, the checks, the cautions."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import click
import numpy as np

from coilwright.circuit.operating_map import brightness
from coilwright.quantities import show, show_percent

if TYPE_CHECKING:
    from coilwright.circuit.checks import Check, Losses, Situation
    from coilwright.circuit.driver import Circuit
    from coilwright.circuit.steady_state import SteadyState

WIDTH = 80
INDENT = " " * 13
TIE = "\N{NO-BREAK SPACE}"
INKS = {"pass": "green", "marginal": "yellow", "fail": "red", "not checked": "cyan"}
HOT_C = 60.0
"""Junction temperature from which a part is called hot (common practice, no source)."""
LEAST_W = 1e-9
"""Losses below are not told."""
HIGH_V = 30.0
"""Receiver voltage from which the text warns of touching it (common practice, no source)."""


def point_lines(case: Situation, lost: Losses) -> Iterator[str]:
    """What the circuit does at the operating point."""
    number = case.number
    yield (
        f"supply {show(number('supply_a'), 'A', 3)} mean, {show(number('supply_w'), 'W', 3)}; "
        f"coil {show(number('coil_peak_a'), 'A', 3)} peak, {show(number('coil_rms_a'), 'A', 3)} rms"
    )
    yield (
        f"drain {show(number('drain_peak_v'), 'V', 3)} peak, "
        f"{show(number('drain_turn_on_v'), 'V', 3)} at turn-on"
    )
    shares = {
        "coil": lost.coil_w,
        "MOSFET": lost.solved_switch_w,
        "damping of the loop": lost.damping_w,
        "receivers": lost.receivers_w,
        "source": lost.supply_w,
    }
    yield from _wrap("lost in " + _watts(shares), "")
    parts = {
        "conduction": lost.conduction_w,
        "output capacitance": lost.emptied_w,
        "body diode": lost.body_diode_w,
        "breakdown": lost.clamp_w,
    }
    yield from _wrap("the MOSFET's by " + _watts(parts), "")
    if lost.on_top_w > LEAST_W or lost.overlap_w is None:
        beyond = {
            "switching": lost.overlap_w,
            "output capacitance": lost.output_capacitance_w - lost.emptied_w,
        }
        supply = show(number("supply_w"), "W", 3)
        yield from _wrap(f"on top of these {supply}, at most: " + _watts(beyond), "")


def _watts(shares: Mapping[str, float | None]) -> str:
    shown = ((name, watts) for name, watts in shares.items() if watts is None or watts > LEAST_W)
    return ", ".join(
        f"{name} {'not known' if watts is None else show(watts, 'W', 3)}" for name, watts in shown
    )


def check_lines(check: Check) -> Iterator[str]:
    """One check: verdict, name, number against limit; the reason below."""
    # In brackets what would be, were the gate driven otherwise.
    word = f"({check.verdict})" if check.hypothetical else check.verdict
    verdict = click.style(f"{word:<12}", fg=INKS[check.verdict])
    value = "" if check.value is None else f"  {number_text(check.value, check.unit)}"
    limit = "" if check.limit is None or check.value is None else f" ({limit_text(check)})"
    yield f"{verdict} {check.name}{value}{limit}"
    reason = check.reason
    if check.needs:
        needs = "not checked: needs " + " and ".join(check.needs)
        reason = f"{needs}; {reason}" if reason else needs
    yield from _wrap(reason, INDENT)


def limit_text(check: Check) -> str:
    """What the check's number was held against."""
    assert check.limit is not None
    word = "from" if check.name.endswith("light") else "limit"
    if check.name.startswith(("enhancement", "if driven")):
        word = "rated at"
    return f"{word} {number_text(check.limit, check.unit)}"


def number_text(value: float, unit: str) -> str:
    """A check's number."""
    return f"{value:.0f} °C" if unit == "°C" else show(value, unit, 3)


def _wrap(text: str, indent: str) -> list[str]:
    """Lines of 80 columns, no number parted from its unit."""
    tied = re.sub(r"(?<=\d) (?=\S)", TIE, text)
    lines = textwrap.wrap(tied, WIDTH, initial_indent=indent, subsequent_indent=indent or "  ")
    return [line.replace(TIE, " ") for line in lines]


def cautions(case: Situation, checks: Sequence[Check]) -> list[str]:
    """The cautions that this operating point calls for."""
    found = {check.name: check for check in checks}
    said = []
    if found["drain peak"].verdict != "pass":
        said.append(
            f"the drain reaches {show(case.number('drain_peak_v'), 'V', 3)}; a spike above the "
            "rating destroys a MOSFET, and a loop wired otherwise spikes higher."
        )
    junction = found["junction temperature"]
    if junction.value is None or junction.value > HOT_C:
        said.append("the MOSFET may be hot enough to burn skin; measure before you touch it.")
    highest = [volts for volts in (*case.unlit_v, *_receiver_volts(case)) if volts is not None]
    if max(highest, default=0.0) > HIGH_V:
        said.append(
            f"a tuned receiver without its load reaches {show(max(highest), 'V', 3)} here, more "
            "on its own resonance; do not touch it while the output is on."
        )
    if found["coil current, stuck on"].verdict != "pass":
        amps = show(found["coil current, stuck on"].value or 0.0, "A", 3)
        said.append(f"a gate that stays high means {amps}: limit the supply's current, or fuse it.")
    return said


def _receiver_volts(case: Situation) -> list[float]:
    return [float(volts) for volts in case.state.receiver_peak_v[0]]


def caution_lines(said: Sequence[str]) -> Iterator[str]:
    """Cautions, one a paragraph, and that no verdict says that a build is safe."""
    for caution in said:
        yield from _wrap(f"Caution: {caution}", "")
    yield from _wrap("A pass says that these numbers keep within limits, not that it is safe.", "")


def sweep_lines(driver: Circuit, found: SteadyState) -> Iterator[str]:
    """A sweep of frequency, one line a point."""
    heads = "frequency", "supply", "coil peak", "rms", "drain peak", "at turn-on", "lamps"
    yield "{:>11} {:>9} {:>10} {:>8} {:>11} {:>11}  {}".format(*heads)
    share = brightness(driver, found)
    for at in range(len(found.duty)):
        if not found.converged[at]:
            yield f"{_khz(found.frequency_hz[at])}  no periodic state was found here"
            continue
        lit = "" if np.isnan(share[at]) else "lit" if share[at] >= 1 else "dark"
        yield (
            f"{_khz(found.frequency_hz[at])} {show(found.supply_a[at], 'A', 3):>9} "
            f"{show(found.coil_peak_a[at], 'A', 3):>10} {show(found.coil_rms_a[at], 'A', 3):>8} "
            f"{show(found.drain_peak_v[at], 'V', 3):>11} "
            f"{show(found.drain_turn_on_v[at], 'V', 3):>11}  {lit}"
        )


def _khz(hertz: float) -> str:
    return f"{hertz / 1e3:>7.2f} kHz"


def chosen_lines(why: str) -> list[str]:
    """Where the operating point comes from."""
    return _wrap(why, "")


def title(name: str, hertz: float, duty: float) -> str:
    """What is predicted: the build at its operating point."""
    return f"{name} at {hertz / 1e3:.2f} kHz, duty {show_percent(duty)}"
