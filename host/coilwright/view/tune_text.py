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
        ("lit", _lit(result)),
        ("tuned by", f"{result.tuned_by.replace('-', ' ')}: {result.reason}"),
        ("resonance", _resonance(result.resonance) or result.no_resonance),
    ]  # fmt: skip
    if result.light_maximum is not None:
        light = result.light_maximum
        lines.append(("brightest", _interval(light.frequency_hz, light.frequency_ci_hz)))
    if result.lowest is not None:
        lines.append(("lowest lit duty", _lowest(result.lowest)))
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


def plain_words(result: TuneResult) -> str:
    """The result in two sentences."""
    setting = result.setting
    text = (
        f"Drive at {setting.frequency_hz / 1e3:.2f} kHz with {show_percent(setting.duty, 1)} duty:"
        f" the load was lit there each time it was measured, on"
        f" {show(setting.supply_a, 'A', 3)}."
    )
    if result.lowest is None:
        return text
    if result.lowest.bounded:
        text += f" Below {show_percent(result.lowest.duty, 1)} it goes dark."
    else:
        text += f" It was still lit at the least duty tried, {show_percent(result.lowest.duty, 1)}."
    return text


def advice(result: TuneResult, model: ModelView | None = None) -> list[str]:
    """What could be had beside the setting: another setting, another tank capacitor."""
    sentences = []
    if result.alternative is not None:
        other, purpose = result.alternative, "least-current"
        again = "" if result.purpose == purpose else f" (--for {purpose} looks for the best one)"
        sentences.append(
            f"Alternative: {other.frequency_hz / 1e3:.2f} kHz with {show_percent(other.duty, 1)}"
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
        f"{show_percent(lowest.duty)} ({_duties(lowest.duty_interval)}) at"
        f" {show(lowest.supply_a, 'A', 3)}, {_chance(lowest.chance)}"
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
