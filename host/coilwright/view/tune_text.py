"""What a tune found, in plain words and in numbers."""

from __future__ import annotations

from coilwright.quantities import show, show_percent
from coilwright.tune import ResonanceFit, TuneResult

CAUTION = (
    "Measure coil, MOSFET and tank with care: they can be hot, and a tuned receiver can carry"
    " tens to hundreds of volts."
)


def tune_lines(result: TuneResult) -> list[tuple[str, str]]:
    """Name and text of every figure of the result, for a table."""
    setting, lowest = result.setting, result.lowest
    lines = [
        ("setting", f"{setting.frequency_hz / 1e3:.3f} kHz at {show_percent(setting.duty)}"),
        ("supply current", show(setting.supply_a, "A", 3)),
        ("pickup", show(setting.probe_v, "V", 3)),
        ("light sensor", show(setting.light_v, "V", 3)),
        ("lit", f"{result.lit}; {setting.verified} of {setting.verified} measurements"),
        ("tuned by", f"{result.tuned_by.replace('-', ' ')}: {result.reason}"),
        ("resonance", _resonance(result.resonance) or result.no_resonance),
        (
            "lowest lit duty",
            (
                f"{show_percent(lowest.duty)} ({_duties(lowest.duty_interval)}) at"
                f" {show(lowest.supply_a, 'A', 3)}"
            ),
        ),
    ]
    if result.light_maximum is not None:
        light = result.light_maximum
        lines.insert(7, ("brightest", _interval(light.frequency_hz, light.frequency_ci_hz)))
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
        lines.append(
            (
                "supply valley",
                (
                    f"{show(valley.value, 'A', 3)} near {valley.frequency_hz / 1e3:.1f} kHz at"
                    f" {show_percent(result.least_supply.duty)} duty, lit or not"
                ),
            )
        )
    return lines


def plain_words(result: TuneResult) -> str:
    """The result in two sentences."""
    setting = result.setting
    text = (
        f"Drive at {setting.frequency_hz / 1e3:.2f} kHz with {show_percent(setting.duty, 1)} duty:"
        f" the load was lit there each time it was measured, on"
        f" {show(setting.supply_a, 'A', 3)}."
    )
    if result.lowest.bounded:
        text += f" Below {show_percent(result.lowest.duty, 1)} it goes dark."
    else:
        text += f" It was still lit at the least duty tried, {show_percent(result.lowest.duty, 1)}."
    return text


def _resonance(fit: ResonanceFit | None) -> str:
    if fit is None:
        return ""
    low, high = fit.quality_factor_ci
    return (
        f"{_interval(fit.frequency_hz, fit.frequency_ci_hz)}, Q {fit.quality_factor:.1f}"
        f" ({low:.1f} to {high:.1f}), peak {show(fit.peak_v, 'V', 3)}"
    )


def _interval(value_hz: float, interval_hz: tuple[float, float]) -> str:
    low, high = interval_hz
    return f"{value_hz / 1e3:.3f} kHz (95 %: {low / 1e3:.3f} to {high / 1e3:.3f})"


def _duties(interval: tuple[float, float]) -> str:
    return f"threshold between {show_percent(interval[0])} and {show_percent(interval[1])}"
