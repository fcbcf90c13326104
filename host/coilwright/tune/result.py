"""What a tune is asked for and what it answers: options, stages, results."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from coilwright.point import Point, Setpoint
from coilwright.sensors import UNKNOWN
from coilwright.tune.chance import Chance
from coilwright.tune.extremum import Extremum
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import LowestDuty
from coilwright.tune.resonance import ResonanceFit

LOWEST_DUTY, LEAST_CURRENT, BRIGHTEST = PURPOSES = ("lowest-duty", "least-current", "brightest")
"""What a tune may be for."""

LEAST_ON_S = 0.4e-6
"""On-times shorter than this end while the loop's stray inductance still rings with the tank
capacitor (50 to 200 nH with 47 to 150 nF: half a period of 0.15 to 0.5 us): the switch then opens
on a current of amperes. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class SupplyValley:
    """The least of the supply current over frequency at one duty, lit or not.

    Attributes:
        frequency_hz: Where the least current was measured.
        frequency_ci_hz: Frequencies at which the current cannot be told from the least at 95 %; at
            least half way to the neighbouring points.
        value: Supply current there, A.
        prominence: How far it rises on the lower of its two sides, A.
        duty: Duty of the sweep.
    """

    frequency_hz: float
    frequency_ci_hz: tuple[float, float]
    value: float
    prominence: float
    duty: float


@dataclass(frozen=True, slots=True)
class Mismatch:
    """How the valley lies to the load's resonance.

    Attributes:
        resonance_hz: The resonance: the pickup's, or else the setting's frequency.
        apart: Valley over resonance, less one; above zero where the valley lies above.
        at_resonance_a, at_valley_a: Supply current at either, at the valley's duty, A.
        capacitance_ratio: Factor on the tank capacitance that brings the valley to the resonance:
            (valley/resonance)², since at one duty the valley scales with 1/sqrt(L·C).
    """

    resonance_hz: float
    apart: float
    at_resonance_a: float
    at_valley_a: float
    capacitance_ratio: float

    @property
    def cost_a(self) -> float:
        """What driving at the resonance costs more than in the valley, A."""
        return self.at_resonance_a - self.at_valley_a


@dataclass(frozen=True, slots=True)
class TuneOptions:
    """What to tune for. Frequencies in Hz, duties as fractions of the period.

    Attributes:
        purpose: One of `PURPOSES`.
        band_hz: Lowest and highest frequency of the coarse sweep.
        limits_hz: Lowest and highest frequency the driver takes; None keeps inside the band. Just
            outside the band only the question is asked which harmonic a peak is (`harmonic`).
        safe_duty: Duty of the sweeps; halved where the probe saturates.
        least_duty, most_duty: Duties the search for the lowest lit duty does not leave. Two per
            cent of a period at 165 kHz are 120 ns, about the shortest pulse that opens a MOSFET
            behind a common gate driver (common practice, no source).
        expected_q: Highest Q that the coarse sweep must not miss (see `adaptive`).
        refine_points: Points of one refining round.
        refine_rounds: Most refining rounds.
        wanted_relative: Half-width of the resonance's interval, relative to the frequency, at
            which refining ends.
        lit: What counts as lit; None takes the light sensor at the level that its rest reading
            and `light_rise_v` give (see `light_level`).
        light_rise_v: Rise of the light sensor over dark that counts as lit, V; None chooses.
        confirmations: Measurements in which the lowest duty and the setting must be lit.
        margin: Relative margin of the setting's duty over the lowest lit one, where the purpose
            is the lowest duty.
        reserve: Where the purpose is another: how much more light, or pickup, than counts as lit
            the setting has to give, as a share of that level.
        least_on_s: On-time below which no setting is proposed, s; the lowest duty alone goes
            below, where it is asked for.
        max_supply_a: Mean supply current the setting must not exceed, A; None for no limit.
        trip_a: Supply current at which the driver switches off by itself, A; None if not known.
        probe_step_v, supply_step_a, light_step_v: Steps of the converters in the units of the
            readings: the least spread that is believed.
        supply_noise_a: Least noise of a single conversion of the supply current, A.
    """

    purpose: str = LOWEST_DUTY
    band_hz: tuple[float, float] = (100e3, 250e3)
    limits_hz: tuple[float, float] | None = None
    safe_duty: float = 0.2
    least_duty: float = 0.005
    most_duty: float = 0.5
    expected_q: float = 60.0
    refine_points: int = 5
    refine_rounds: int = 5
    wanted_relative: float = 5e-4
    lit: Lit | None = None
    light_rise_v: float | None = None
    confirmations: int = 3
    margin: float = 0.1
    reserve: float = 0.25
    least_on_s: float = LEAST_ON_S
    max_supply_a: float | None = None
    trip_a: float | None = None
    probe_step_v: float = UNKNOWN.step_v
    supply_step_a: float = UNKNOWN.step_v
    light_step_v: float = UNKNOWN.step_v
    supply_noise_a: float = UNKNOWN.noise_v

    def __post_init__(self) -> None:
        if self.purpose not in PURPOSES:
            raise ValueError(f"{self.purpose!r} is none of {', '.join(PURPOSES)}")
        low, high = self.band_hz
        if not 0 < low < high:
            raise ValueError(f"the band {low} to {high} Hz is empty")
        if not 0 < self.least_duty <= self.safe_duty <= self.most_duty <= 1:
            raise ValueError("duties must rise: 0 < least <= safe <= most <= 1")
        if self.expected_q <= 0 or self.margin < 0 or self.confirmations < 1:
            raise ValueError("expected Q, margin or confirmations out of range")
        if self.reserve < 0 or self.least_on_s < 0:
            raise ValueError("reserve and least on-time must not be negative")
        if self.refine_points < 5 or self.refine_rounds < 1 or self.wanted_relative <= 0:
            raise ValueError("refining needs 5 points, a round and a wanted interval above 0")


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the tune begins; it may take `planned_points` more points."""

    name: str
    planned_points: int


OnProgress = Callable[[Stage], None]
"""Told of every stage just before its points are measured."""


@dataclass(frozen=True, slots=True)
class Setting:
    """The setting found, as measured. Frequency and duty are what the chip set.

    Attributes:
        request: The setpoint to ask the driver for.
        supply_a, probe_v, light_v: Means over the verifying measurements.
        verified: How often the load was lit there, without a miss.
        chance: How probably it is lit there the next time.
        share: Mean reading as a share of the level that counts as lit; None where there is no
            reading, infinite beyond the sensor's range.
    """

    frequency_hz: float
    duty: float
    request: Setpoint
    supply_a: float
    probe_v: float
    light_v: float
    verified: int
    chance: Chance
    share: float | None = None

    @property
    def on_s(self) -> float:
        """On-time of a period, s."""
        return self.duty / self.frequency_hz

    @property
    def reserve(self) -> float | None:
        """How much more light, or pickup, than counts as lit, as a share of that level."""
        finite = self.share is not None and math.isfinite(self.share)
        return self.share - 1 if finite and self.share is not None else None


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the settings to choose from: none of the others gives as much light for less current.

    Attributes:
        name: `dim`, `normal` (the setting), `bright`, `brighter` or `brightest`.
        request: The setpoint to ask the driver for.
        frequency_hz, duty: What the chip set.
        supply_a, probe_v, light_v: As read.
        share: Reading as a share of the level that counts as lit.
        verified: How often it was measured lit, without a miss.
    """

    name: str
    request: Setpoint
    frequency_hz: float
    duty: float
    supply_a: float
    probe_v: float
    light_v: float
    share: float
    verified: int

    @property
    def on_s(self) -> float:
        """On-time of a period, s."""
        return self.duty / self.frequency_hz


@dataclass(frozen=True, slots=True)
class TuneResult:
    """Result of `tune`.

    Attributes:
        resonance: Fit of the pickup's peak; None where it has none, then `no_resonance` says why.
            It may lie just outside the band, where a peak inside is one of its harmonics.
        sweep_duty: Duty at which the resonance was measured.
        light_maximum: Where the light sensor read most in the sweeps, if it has an inner maximum.
        supply_valley: The soft-switching valley, where the supply current has one.
        mismatch: How it lies to the resonance; None where they agree.
        least_supply: The point of the coarse sweep that drew least, lit or not.
        least_lit: The point that drew least of all that were seen lit, with reserve or without,
            on-times below the least left out.
        alternative: The least-drawing point seen lit with the reserve, where it draws clearly less
            than the setting; None where the setting is that.
        lowest: Lowest lit duty anywhere at all, whatever the on-time; None where it was not asked.
        lowest_here: Lowest lit duty at the setting's frequency, not below the least on-time.
        choices: Settings to choose from, the dimmest first; none where nothing tells how bright.
        setting: The setting, verified.
        purpose: What the tune was for.
        tuned_by: `pickup`, `light`, `supply-maximum`, `supply-minimum`, or the purpose.
        harmonic: Which harmonic of the setting's frequency excites the load: 1 where it is driven
            at its own resonance.
        reason: Why that one, in words.
        lit: The criterion in words.
        warnings: What the person should know.
        points: Every point measured, in order.
    """

    resonance: ResonanceFit | None
    no_resonance: str
    sweep_duty: float
    light_maximum: Extremum | None
    supply_valley: SupplyValley | None
    mismatch: Mismatch | None
    least_supply: Point
    least_lit: Point
    alternative: Point | None
    lowest: LowestDuty | None
    lowest_here: LowestDuty | None
    choices: tuple[Choice, ...]
    setting: Setting
    purpose: str
    tuned_by: str
    harmonic: int
    reason: str
    lit: str
    warnings: tuple[str, ...]
    points: tuple[Point, ...]

    def to_json(self) -> dict[str, Any]:
        """The result as plain dicts, lists, numbers and strings. SI units, duties as fractions."""
        return {
            "resonance": None if self.resonance is None else _resonance(self.resonance),
            "no_resonance": self.no_resonance or None,
            "sweep_duty": self.sweep_duty,
            "light_maximum": _extremum(self.light_maximum, "light_v"),
            "supply_valley": _valley(self.supply_valley),
            "mismatch": _mismatch(self.mismatch),
            "least_supply": _point(self.least_supply),
            "least_lit": _point(self.least_lit),
            "alternative": None if self.alternative is None else _point(self.alternative),
            "lowest_lit_duty": None if self.lowest is None else _lowest(self.lowest),
            "lowest_lit_duty_at_setting": (
                None if self.lowest_here is None else _lowest(self.lowest_here)
            ),
            "choices": [_choice(choice) for choice in self.choices],
            "setting": _setting(self.setting),
            "purpose": self.purpose,
            "tuned_by": self.tuned_by,
            "harmonic": self.harmonic,
            "reason": self.reason,
            "lit": self.lit,
            "warnings": list(self.warnings),
            "points": len(self.points),
        }


def _resonance(fit: ResonanceFit) -> dict[str, Any]:
    return {
        "frequency_hz": fit.frequency_hz,
        "frequency_ci_hz": list(fit.frequency_ci_hz),
        "quality_factor": fit.quality_factor,
        "quality_factor_ci": list(fit.quality_factor_ci),
        "peak_v": fit.peak_v,
        "peak_ci_v": list(fit.peak_ci_v),
        "background_v": fit.background_v,
        "skew": fit.skew,
        "reduced_chi_square": fit.reduced_chi_square if fit.nfree > 0 else None,
        "nfree": fit.nfree,
        "points_used": fit.points_used,
        "window_hz": list(fit.window_hz),
        "shape": asdict(fit.shape),
        "pair": list(fit.pair.values) if fit.coupled and fit.pair is not None else None,
        "message": fit.message,
    }


def _point(point: Point) -> dict[str, Any]:
    return {
        "frequency_hz": point.frequency_hz,
        "duty": point.duty,
        "supply_a": point.supply_a,
    }


def _extremum(found: Extremum | None, value: str) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "frequency_hz": found.frequency_hz,
        "frequency_ci_hz": list(found.frequency_ci_hz),
        value: found.value,
    }


def _valley(found: SupplyValley | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "frequency_hz": found.frequency_hz,
        "frequency_ci_hz": list(found.frequency_ci_hz),
        "supply_a": found.value,
        "duty": found.duty,
    }


def _mismatch(found: Mismatch | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "resonance_hz": found.resonance_hz,
        "valley_over_resonance": 1 + found.apart,
        "supply_at_resonance_a": found.at_resonance_a,
        "supply_at_valley_a": found.at_valley_a,
        "capacitance_ratio": found.capacitance_ratio,
    }


def _lowest(lowest: LowestDuty) -> dict[str, Any]:
    return {
        "frequency_hz": lowest.frequency_hz,
        "on_time_s": lowest.duty / lowest.frequency_hz,
        "duty": lowest.duty,
        "duty_interval": list(lowest.duty_interval),
        "supply_a": lowest.supply_a,
        "confirmations": lowest.confirmations,
        "lit_probability": lowest.chance.lit,
        "lit_probability_by": lowest.chance.by,
        "bounded": lowest.bounded,
    }


def _choice(choice: Choice) -> dict[str, Any]:
    return {
        "name": choice.name,
        "frequency_hz": choice.frequency_hz,
        "duty": choice.duty,
        "requested_frequency_hz": choice.request.frequency_hz,
        "requested_duty": choice.request.duty,
        "on_time_s": choice.on_s,
        "supply_a": choice.supply_a,
        "probe_v": choice.probe_v,
        "light_v": choice.light_v,
        "share_of_lit_level": choice.share,
        "verified": choice.verified,
    }


def _setting(setting: Setting) -> dict[str, Any]:
    return {
        "frequency_hz": setting.frequency_hz,
        "duty": setting.duty,
        "on_time_s": setting.on_s,
        "reserve": setting.reserve,
        "requested_frequency_hz": setting.request.frequency_hz,
        "requested_duty": setting.request.duty,
        "supply_a": setting.supply_a,
        "probe_v": setting.probe_v,
        "light_v": setting.light_v,
        "verified": setting.verified,
        "lit_probability": setting.chance.lit,
        "lit_probability_by": setting.chance.by,
    }
