"""What a tune found, in plain words and in numbers."""

from __future__ import annotations

from coilwright.quantities import show, show_percent
from coilwright.tune import LowestDuty, ResonanceFit, TuneResult
from coilwright.tune.by_model import ModelView, TankAdvice
from coilwright.tune.chance import Chance
from coilwright.tune.result import Mismatch, SupplyValley

CAUTION = (
    "Measure coil, MOSFET and tank with care: they can be hot, and a tuned receiver can carry"
    " tens to hundreds of volts."
)


def tune_lines(result: TuneResult, model: ModelView | None = None) -> list[tuple[str, str]]:
    """Name and text of every figure of the result, for a table."""
    setting = result.setting
    lines = [
        ("setting", f"{setting.frequency_hz / 1e3:.3f} kHz at {show_percent(setting.duty)}"),
        ("supply current", show(setting.supply_a, "A", 3)),
        ("pickup", show(setting.probe_v, "V", 3)),
        ("light sensor", show(setting.light_v, "V", 3)),
        ("on-time", show(setting.on_s, "s", 3)),
        ("lit", _lit(result)),
        ("tuned by", f"{result.tuned_by.replace('-', ' ')}: {result.reason}"),
        ("resonance", _resonance(result.resonance) or result.no_resonance),
    ]  # fmt: skip
    if result.light_maximum is not None:
        light = result.light_maximum
        lines.append(("brightest", _interval(light.frequency_hz, light.frequency_ci_hz)))
    if result.lowest_here is not None:
        lines.append(("lowest lit duty", _lowest(result.lowest_here)))
    if result.lowest is not None and result.lowest is not result.lowest_here:
        lines.append(("lowest anywhere", _lowest(result.lowest)))
    least = result.least_lit
    lines.append(
        (
            "least while lit",
            (
                f"{show(least.supply_a, 'A', 3)} at {least.frequency_hz / 1e3:.2f} kHz,"
                f" {show_percent(least.duty)} duty"
            ),
        )
    )
    if result.supply_valley is not None:
        valley = result.supply_valley
        where = _interval(valley.frequency_hz, valley.frequency_ci_hz, 1)
        what = f"{show(valley.value, 'A', 3)} at {show_percent(valley.duty)} duty, lit or not"
        lines.append(("supply valley", f"{where}: {what}"))
    if model is not None and model.drain_peak_v is not None:
        rated = model.drain_rated_v
        of = "" if rated is None else f" of the {show(rated, 'V', 3)} it is rated for"
        lines.append(("drain by model", f"{show(model.drain_peak_v, 'V', 3)}{of}"))
    return lines


def headline(result: TuneResult) -> str:
    """The setting in figures that are typed in and read off at a bench."""
    setting = result.setting
    return (
        f"{khz(setting.frequency_hz)}   {percent(setting.duty)}   {show(setting.supply_a, 'A', 3)}"
    )


def plain_words(result: TuneResult) -> str:
    """The result in two or three sentences."""
    setting = result.setting
    if setting.reserve is None:
        lit = "lit each time it was measured"
    else:
        lit = f"lit with {show_percent(setting.reserve, 0)} to spare each time it was measured"
    text = (
        f"Drive at {khz(setting.frequency_hz)} with {percent(setting.duty)} duty: {lit}, on"
        f" {show(setting.supply_a, 'A', 3)}."
    )
    words = [text, *([lowest_here(result)] if result.lowest_here is not None else [])]
    return " ".join(words)


def lowest_here(result: TuneResult) -> str:
    """How far the duty may fall at the setting's frequency."""
    lowest = result.lowest_here
    assert lowest is not None
    if lowest.bounded:
        return f"Below {percent(lowest.duty)} it goes dark there."
    if lowest.duty >= result.setting.duty:
        return "With less duty there the on-time would be shorter than the least that is allowed."
    return f"It was still lit there at the least duty tried, {percent(lowest.duty)}."


def why(result: TuneResult) -> list[str]:
    """Why this setting, and the lowest duty that lights the load anywhere at all."""
    sentences = [result.reason]
    lowest = result.lowest
    if lowest is not None and lowest is not result.lowest_here:
        on_s = lowest.duty / lowest.frequency_hz
        sentences.append(
            f"Anywhere at all the load is lit down to {percent(lowest.duty)}, at"
            f" {khz(lowest.frequency_hz)}: an on-time of {show(on_s, 's', 2)}, on"
            f" {show(lowest.supply_a, 'A', 3)}."
        )
    return sentences


def khz(hertz: float) -> str:
    """A frequency as it is typed in at a bench: a tenth of a kilohertz is finer than a lamp's
    resonance."""
    return f"{hertz / 1e3:.1f} kHz"


def percent(duty: float) -> str:
    """A duty in three digits."""
    return f"{100 * duty:.3g} %"


def choice_rows(
    result: TuneResult, supply_v: float | None, battery_ah: float
) -> tuple[list[str], list[list[str]]]:
    """Heads and rows of the settings to choose from; the power where the voltage is known."""
    unit = "light" if result.lit.startswith("light") else "pickup"
    heads = ["", "frequency", "duty", "on-time", "current", "power", unit, f"on {battery_ah:g} Ah"]
    rows = [
        [
            choice.name, khz(choice.frequency_hz), percent(choice.duty), show(choice.on_s, "s", 3),
            show(choice.supply_a, "A", 3),
            "" if supply_v is None else show(choice.supply_a * supply_v, "W", 3),
            f"{choice.share:.3g} x lit", _hours(battery_ah, choice.supply_a),
        ]
        for choice in result.choices
    ]  # fmt: skip
    if supply_v is None:
        heads.remove("power")
        rows = [row[:5] + row[6:] for row in rows]
    return heads, rows


def _hours(battery_ah: float, supply_a: float) -> str:
    return f"{battery_ah / supply_a:.3g} h" if supply_a > 0 else ""


def advice(result: TuneResult, model: ModelView | None = None) -> list[str]:
    """What could be had beside the setting: another setting, another tank capacitor."""
    sentences = []
    if result.alternative is not None:
        other, purpose = result.alternative, "least-current"
        again = "" if result.purpose == purpose else f" (--for {purpose} looks for the best one)"
        sentences.append(
            f"Alternative: {khz(other.frequency_hz)} with {percent(other.duty)}"
            f" lit the load on {show(other.supply_a, 'A', 3)}{again}."
        )
    if result.mismatch is not None and result.supply_valley is not None:
        sentences.append(_mismatch(result.mismatch, result.supply_valley))
        if model is not None and model.tank is not None:
            sentences.append(_tank(model.tank))
    return sentences


def _mismatch(apart: Mismatch, valley: SupplyValley) -> str:
    way = "above" if apart.apart > 0 else "below"
    cost = show(abs(apart.cost_a), "A", 2)
    return (
        f"At {show_percent(valley.duty, 0)} duty the driver draws least at"
        f" {valley.frequency_hz / 1e3:.1f} kHz, {show_percent(abs(apart.apart), 1)} {way} the"
        f" resonance; at the resonance it draws {cost} {'more' if apart.cost_a > 0 else 'less'}."
        f" {apart.capacitance_ratio:.2f} times the present tank capacitance would bring the two"
        " together."
    )


def _tank(tank: TankAdvice) -> str:
    if tank.addition_f is not None:
        what = f"add {show(tank.addition_f, 'F')} in parallel"
    else:
        what = f"replace it by {tank.replacement}"
    text = f"For {show(tank.present_f, 'F')} that is {show(tank.wanted_f, 'F', 3)}: {what}"
    if tank.before_a is None or tank.after_a is None:
        return text + "."
    return (
        f"{text}; by the circuit model the current at the resonance goes from"
        f" {show(tank.before_a, 'A', 3)} to {show(tank.after_a, 'A', 3)}."
    )


def _lit(result: TuneResult) -> str:
    times = result.setting.verified
    return f"{result.lit}; {times} of {times} measurements, {_chance(result.setting.chance)}"


def _lowest(lowest: LowestDuty) -> str:
    return (
        f"{show_percent(lowest.duty)} at {lowest.frequency_hz / 1e3:.3f} kHz"
        f" ({_duties(lowest.duty_interval)}) on {show(lowest.supply_a, 'A', 3)},"
        f" {_chance(lowest.chance)}"
    )


def _chance(chance: Chance) -> str:
    """The probability of being lit, never said to be certain."""
    return f"lit with {show_percent(min(chance.lit, 0.999), 1)} probability by its {chance.by}"


def _resonance(fit: ResonanceFit | None) -> str:
    if fit is None:
        return ""
    low, high = fit.quality_factor_ci
    return (
        f"{_interval(fit.frequency_hz, fit.frequency_ci_hz)}, Q {fit.quality_factor:.1f}"
        f" ({low:.1f} to {high:.1f}), peak {show(fit.peak_v, 'V', 3)}"
    )


def _interval(value_hz: float, interval_hz: tuple[float, float], digits: int = 3) -> str:
    low, high, value = (f"{hertz / 1e3:.{digits}f}" for hertz in (*interval_hz, value_hz))
    return f"{value} kHz (95 %: {low} to {high})"


def _duties(interval: tuple[float, float]) -> str:
    return f"threshold between {show_percent(interval[0])} and {show_percent(interval[1])}"
