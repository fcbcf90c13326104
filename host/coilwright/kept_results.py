"""What records keep of tunes, limits and trackings, typed as their JSON is.

Every field may be missing: a record may be older, foreign or damaged. SI units, duties as
fractions of the period; intervals are of 95 %, the lower end first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from coilwright.results import Result

Number = float | None
Interval = tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PlaceKept:
    """A frequency and a duty, and the supply current there."""

    frequency_hz: Number = None
    duty: Number = None
    supply_a: Number = None


@dataclass(frozen=True, slots=True)
class SettingKept:
    """The setting of a tune, what was asked for there, and what it showed."""

    frequency_hz: Number = None
    duty: Number = None
    requested_frequency_hz: Number = None
    requested_duty: Number = None
    supply_a: Number = None
    probe_v: Number = None
    light_v: Number = None
    verified: Number = None
    lit_probability: Number = None
    lit_probability_by: str | None = None
    on_time_s: Number = None
    reserve: Number = None
    power_w: Number = None
    battery_h: Number = None


@dataclass(frozen=True, slots=True)
class ChoiceKept:
    """A setting to choose instead; `share_of_lit_level` of the reading that counts as lit."""

    name: str | None = None
    frequency_hz: Number = None
    duty: Number = None
    requested_frequency_hz: Number = None
    requested_duty: Number = None
    on_time_s: Number = None
    supply_a: Number = None
    probe_v: Number = None
    light_v: Number = None
    share_of_lit_level: Number = None
    verified: Number = None
    power_w: Number = None
    battery_h: Number = None


@dataclass(frozen=True, slots=True)
class ShapeKept:
    """Parameters of a resonance curve: `tune.lineshape.Shape`."""

    height_v: Number = None
    centre_hz: Number = None
    quality_factor: Number = None
    skew: Number = None
    background_v: Number = None


@dataclass(frozen=True, slots=True)
class ResonanceKept:
    """The fit of the pickup's peak; `pair` has the curve of two coupled resonances."""

    frequency_hz: Number = None
    frequency_ci_hz: Interval = None
    quality_factor: Number = None
    quality_factor_ci: Interval = None
    peak_v: Number = None
    peak_ci_v: Interval = None
    background_v: Number = None
    skew: Number = None
    reduced_chi_square: Number = None
    nfree: Number = None
    points_used: Number = None
    window_hz: Interval = None
    shape: ShapeKept | None = None
    pair: list[float] | None = None
    message: str | None = None


@dataclass(frozen=True, slots=True)
class BrightestKept:
    """Where the light sensor read most."""

    frequency_hz: Number = None
    frequency_ci_hz: Interval = None
    light_v: Number = None


@dataclass(frozen=True, slots=True)
class ValleyKept:
    """The least of the supply current over frequency at one duty."""

    frequency_hz: Number = None
    frequency_ci_hz: Interval = None
    supply_a: Number = None
    duty: Number = None


@dataclass(frozen=True, slots=True)
class MismatchKept:
    """How that valley lies to the resonance."""

    resonance_hz: Number = None
    valley_over_resonance: Number = None
    supply_at_resonance_a: Number = None
    supply_at_valley_a: Number = None
    capacitance_ratio: Number = None


@dataclass(frozen=True, slots=True)
class LowestKept:
    """The lowest lit duty; `bounded` where it was also seen dark below."""

    frequency_hz: Number = None
    on_time_s: Number = None
    duty: Number = None
    duty_interval: Interval = None
    supply_a: Number = None
    confirmations: Number = None
    lit_probability: Number = None
    lit_probability_by: str | None = None
    bounded: bool | None = None


@dataclass(frozen=True, slots=True)
class ModelKept:
    """What the circuit model of a build adds to a tune."""

    drain_peak_v: Number = None
    drain_rated_v: Number = None
    supply_a: Number = None
    tank: dict[str, Any] | None = None
    warnings: list[str] | None = None


@dataclass(frozen=True, slots=True)
class AnswerKept:
    """What a person said at a point, by its time."""

    time_s: Number = None
    lit: bool | None = None


@dataclass(frozen=True, slots=True)
class RestKept:
    """The supply current with the output off."""

    supply_a: Number = None
    sd_a: Number = None
    off_zero: bool | None = None
    taken_off_a: Number = None


_ENDED = ("rest", "seconds", "log", "stored")
"""What is told beside the results, and not in every record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TuneKept(Result):
    """What a tune found: `tune.result.TuneResult` tells of the fields."""

    resonance: ResonanceKept | None = None
    no_resonance: str | None = None
    sweep_duty: Number = None
    light_maximum: BrightestKept | None = None
    supply_valley: ValleyKept | None = None
    mismatch: MismatchKept | None = None
    least_supply: PlaceKept | None = None
    least_lit: PlaceKept | None = None
    alternative: PlaceKept | None = None
    lowest_lit_duty: LowestKept | None = None
    lowest_lit_duty_at_setting: LowestKept | None = None
    choices: list[ChoiceKept] = field(default_factory=list)
    setting: SettingKept | None = None
    purpose: str | None = None
    tuned_by: str | None = None
    harmonic: Number = None
    reason: str | None = None
    lit: str | None = None
    warnings: list[str] = field(default_factory=list)
    points: Number = None
    model: ModelKept | None = None
    summary: str | None = None
    advice: list[str] = field(default_factory=list)
    answers: list[AnswerKept] = field(default_factory=list)
    reserve: Number = None
    least_on_time_s: Number = None
    supply_v: Number = None
    battery_ah: Number = None
    rest: RestKept | None = None
    seconds: Number = None
    log: str | None = None
    stored: bool | None = None

    ABSENT = _ENDED


@dataclass(frozen=True, slots=True)
class CapKept:
    """A cap of the duty at a frequency."""

    frequency_hz: Number = None
    duty: Number = None


@dataclass(frozen=True, slots=True)
class AttemptKept:
    """A try to exceed a cap."""

    frequency_hz: Number = None
    requested_frequency_hz: Number = None
    requested_duty: Number = None
    cap: Number = None
    duty: Number = None
    supply_a: Number = None
    duty_limited: bool | None = None
    held: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitKept(Result):
    """What a current limit found: `tune.limit.LimitResult` tells of the fields."""

    max_supply_a: Number = None
    target_a: Number = None
    band_hz: Interval = None
    table: list[CapKept] = field(default_factory=list)
    attempts: list[AttemptKept] = field(default_factory=list)
    allowed_share: Number = None
    complete: bool | None = None
    highest_supply_a: Number = None
    points: Number = None
    warnings: list[str] = field(default_factory=list)
    trip_a: Number = None
    rest: RestKept | None = None
    former_table: list[CapKept] | None = None
    seconds: Number = None
    log: str | None = None
    stored: bool | None = None

    ABSENT = (*_ENDED, "former_table")


@dataclass(frozen=True, slots=True)
class MoveKept:
    """A move of a tracking."""

    index: Number = None
    time_s: Number = None
    frequency_hz: Number = None
    value: Number = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackKept(Result):
    """The way of a tracking: `procedures.track.Tracked` tells of the fields."""

    mode: str | None = None
    moves: list[MoveKept] = field(default_factory=list)
    missed: Number = None
    rest: RestKept | None = None
    seconds: Number = None
    points: Number = None
    log: str | None = None
    output: str | None = None

    ABSENT = (*_ENDED, "points", "output")


@dataclass(frozen=True, slots=True)
class SweepPointKept:
    """A point of a sweep."""

    frequency_hz: Number = None
    duty: Number = None
    supply_a: Number = None
    probe_v: Number = None
    light_v: Number = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepKept(Result):
    """A sweep: `procedures.sweep.Swept` tells of the fields."""

    points: Number = None
    seconds: Number = None
    log: str | None = None
    highest_probe: SweepPointKept | None = None
    least_supply: SweepPointKept | None = None
    rest: RestKept | None = None

    ABSENT = ("rest",)


@dataclass(frozen=True, slots=True)
class SweepLabelKept:
    """A sweep of a comparison, and what to know about its fit."""

    label: str = ""
    remark: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonKept(Result):
    """Records side by side: `compare.Comparison` tells of the fields."""

    groups: list[str] = field(default_factory=list)
    sweeps: list[SweepLabelKept] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    repeated: bool | None = None


KINDS: dict[str, type[Result]] = {
    "Swept": SweepKept,
    "Tuned": TuneKept,
    "Limited": LimitKept,
    "Tracked": TrackKept,
    "Comparison": ComparisonKept,
}
"""By the result's own class."""
