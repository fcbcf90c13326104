"""A question about a tank and its answer: resonance, capacitors to take, scatter, soft switching.

Puts together `circuit.values`, `combination`, `tolerance` and `tank_choice`; knows no terminal.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from coilwright.callable_module import CallableModule
from coilwright.circuit.combination import Combination, Layout, combine, nearest_combination
from coilwright.circuit.driver import Circuit
from coilwright.circuit.soft_switching import tank_turn, valley_capacitance, valley_frequency
from coilwright.circuit.tank_choice import (
    ASSUMED_Q,
    SOFT,
    TankPoint,
    TankValley,
    assumed_driver,
    evaluate,
    least_current_capacitance,
    least_current_frequency,
    lossless_swing,
)
from coilwright.circuit.tank_resonance import (
    capacitance_for,
    detuning,
    inductance_for,
    resonance_hz,
)
from coilwright.circuit.tolerance import Part, Spread, frequency_spread
from coilwright.circuit.values import (
    Preferred,
    neighbours,
    series_tolerance,
    series_values,
)
from coilwright.drawer import DrawerPart
from coilwright.errors import NoResult, OutOfRange
from coilwright.quantities import show, show_percent
from coilwright.results import VERSION, Shown

SERIES_SPAN = 50.0
"""Parts of a series are offered from target / this to target · this."""

ENOUGH = 0.03
"""Share of the supply current that another part must save to be worth soldering."""

ASSUMED_SUPPLY_V = 5.0
ASSUMED_TOLERANCE = 0.1
"""Of a capacitor whose list gives none (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class TankQuestion:
    """What is known, in SI units; None for what is not.

    `driver` is that of a build file; it gives supply, losses, lamps and, unless given here, the
    inductance. Capacitors come from `drawer`, or from `series` where it is None.
    `across_f` is what lies across the capacitor already, such as the LEDs of a receiver.
    `any_dielectric` admits dielectrics that do not suit a tank.
    """

    inductance_h: float | None = None
    capacitance_f: float | None = None
    across_f: float = 0.0
    frequency_hz: float | None = None
    duty: float | None = None
    supply_v: float | None = None
    resistance_ohm: float | None = None
    driver: Circuit | None = None
    series: str = "E12"
    drawer: tuple[DrawerPart, ...] | None = None
    any_dielectric: bool = False
    parts: int = 2
    tolerance_c: float | None = None
    tolerance_l: float = 0.0
    band: float = 0.02
    distribution: str = "uniform"
    draws: int = 10_000
    seed: int = 1


@dataclass(frozen=True, slots=True)
class TankRow:
    """One capacitor or frequency of the comparison, and what the driver does with it."""

    name: str
    point: TankPoint


@dataclass(frozen=True, slots=True)
class Switching:
    """Soft switching at the wanted duty.

    `sought` is "capacitance" (F) or "frequency" (Hz), and says what `lossless` and `least` are;
    `least` and `valley` are None where the supply current has no least value near. `rows` begin
    with plain resonance. `ends` are the chosen capacitor's worst cases, slow end first.
    """

    sought: str
    lossless: float
    least: float | None
    valley: TankValley | None
    rows: tuple[TankRow, ...]
    ends: tuple[TankPoint, ...] = ()

    @property
    def target(self) -> float:
        """The least-current value where there is one, else the lossless one."""
        return self.lossless if self.least is None else self.least


@dataclass(frozen=True, slots=True)
class TankAnswer(Shown):
    """Everything found; `capacitance_f` is the exact one, `choice` what to solder.

    `across_f` lies across either.

    `frequency_hz` is the operating frequency, `resonance_hz` the tank's own.
    """

    inductance_h: float
    capacitance_f: float
    across_f: float
    frequency_hz: float
    resonance_hz: float
    duty: float | None
    preferred: tuple[Preferred, Preferred] | None
    combinations: tuple[Combination, ...]
    choice: Combination | None
    spread: Spread | None
    band: float
    share_in_band: float | None
    switching: Switching | None
    assumed: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        """Plain values for `--json`, SI units and fractions."""
        return {
            "version": VERSION,
            "inductance_h": self.inductance_h,
            "capacitance_f": self.capacitance_f,
            "across_f": self.across_f,
            "frequency_hz": self.frequency_hz,
            "resonance_hz": self.resonance_hz,
            "duty": self.duty,
            "preferred": self._preferred(),
            "combinations": [self._combination(one) for one in self.combinations],
            "choice": None if self.choice is None else self._combination(self.choice),
            "spread": self._spread(),
            "switching": None if self.switching is None else _switching_json(self.switching),
            "assumed": list(self.assumed),
            "left_out": list(self.left_out),
            "notes": list(self.notes),
            "cautions": list(self.cautions),
        }

    def resonance_with(self, capacitance_f: float) -> float:
        """Resonance in Hz with another capacitor."""
        return resonance_hz(self.inductance_h, capacitance_f + self.across_f)

    def detuned(self, capacitance_f: float) -> float:
        """How far the resonance with a capacitance lies from that with the exact one."""
        return detuning(self.resonance_with(capacitance_f), self.resonance_hz)

    def _preferred(self) -> list[dict[str, Any]]:
        return [
            {
                "series": one.series,
                "capacitance_f": one.value,
                "low_f": one.low,
                "high_f": one.high,
                "resonance_hz": self.resonance_with(one.value),
                "detuning": self.detuned(one.value),
            }
            for one in self.preferred or ()
        ]

    def _combination(self, one: Combination) -> dict[str, Any]:
        return {
            "text": str(one),
            "layout": one.layout.name.lower(),
            "parts_f": list(one.parts_f),
            "capacitance_f": one.capacitance_f,
            "error": one.error(self.capacitance_f),
            "resonance_hz": self.resonance_with(one.capacitance_f),
            "detuning": self.detuned(one.capacitance_f),
        }

    def _spread(self) -> dict[str, Any] | None:
        if self.spread is None:
            return None
        return {
            "nominal_hz": self.spread.nominal_hz,
            "worst_low_hz": self.spread.low_hz,
            "worst_high_hz": self.spread.high_hz,
            "mean_hz": self.spread.mean_hz,
            "sd_hz": self.spread.sd_hz,
            "middle_95_hz": list(self.spread.interval(0.95)),
            "draws": len(self.spread.draws_hz),
            "band": self.band,
            "share_in_band": self.share_in_band,
        }


def _switching_json(found: Switching) -> dict[str, Any]:
    unit = "f" if found.sought == "capacitance" else "hz"
    return {
        "sought": found.sought,
        f"lossless_{unit}": found.lossless,
        f"least_current_{unit}": found.least,
        "points": [
            {"name": row.name, **_point_json(row.point, found.rows[0].point)} for row in found.rows
        ],
        "worst_case": [_point_json(point, found.rows[0].point) for point in found.ends],
    }


def _point_json(point: TankPoint, plain: TankPoint) -> dict[str, Any]:
    values = {**asdict(point), "lit": list(point.lit)}
    return values | {"saved_against_plain": point.saved_against(plain)}


def answer(question: TankQuestion) -> TankAnswer:
    """Answer a question about a tank.

    Raises:
        OutOfRange: Too little or too much is known, or an impossible value.
        NoResult: No capacitor of the drawer may be used.
    """
    inductance, capacitance, frequency = _known(question)
    if capacitance is not None:
        return _judge(question, inductance, capacitance)
    assert frequency is not None
    return _choose(question, inductance, frequency)


def _known(question: TankQuestion) -> tuple[float, float | None, float | None]:
    """Inductance, and whichever of capacitance and frequency is known."""
    inductance, capacitance = question.inductance_h, question.capacitance_f
    frequency = question.frequency_hz
    if question.driver is not None:
        inductance = question.driver.coil.inductance_h if inductance is None else inductance
        if capacitance is None and frequency is None:
            capacitance = question.driver.tank_capacitance_f
    if [inductance, capacitance, frequency].count(None) != 1:
        raise OutOfRange(
            "A tank is given by two of inductance, capacitance and frequency.",
            "Give two of --inductance, --capacitance and --frequency; the third is the answer. "
            "A build file gives the inductance, and the capacitance where no other is given.",
        )
    if inductance is None and capacitance is not None and frequency is not None:
        turn = math.tau if question.duty is None else tank_turn(question.duty)
        whole = capacitance + question.across_f
        inductance = inductance_for(whole, frequency * turn / math.tau)
    assert inductance is not None
    return inductance, capacitance, frequency


def _choose(question: TankQuestion, inductance: float, frequency: float) -> TankAnswer:
    """Inductance and frequency are known: find the capacitor."""
    target, switching, assumed = capacitance_for(inductance, frequency), None, list[str]()
    if not target > question.across_f:
        raise OutOfRange(
            f"{show(question.across_f, 'F')} across it tune {show(inductance, 'H')} below "
            f"{show(frequency, 'Hz')} without any capacitor.",
            "Take a smaller inductance, or LEDs of less capacitance.",
        )
    target -= question.across_f
    driver = None
    if question.duty is not None:
        driver, assumed = _driver(question, inductance, frequency)
        switching = _capacitance_sought(driver, frequency, question.duty)
        target = switching.target
    offer, left_out = _offer(question, target, driver, frequency)
    values = [part.value_f for part in offer]
    found = combine(values, target, question.parts, [_stock(part) for part in offer])
    if switching is not None and driver is not None:
        switching = _compared(question, switching, driver, frequency, found)
    choice = _choice(found, target, switching)
    parts = [
        Part(value, _tolerance(question, offer[place]))
        for value, place in zip(choice.parts_f, choice.places, strict=True)
    ]
    assumed += _tolerance_assumed(question, [offer[place] for place in choice.places])
    if switching is not None and driver is not None:
        switching = _with_ends(question, switching, driver, choice.layout, parts)
    result = TankAnswer(
        inductance_h=inductance,
        capacitance_f=target,
        frequency_hz=frequency,
        across_f=question.across_f,
        resonance_hz=resonance_hz(inductance, target + question.across_f),
        duty=question.duty,
        preferred=None if question.drawer else neighbours(question.series, target),
        combinations=found,
        choice=choice,
        spread=_spread(question, inductance, choice.layout, parts),
        band=question.band,
        share_in_band=None,
        switching=switching,
        assumed=tuple(assumed),
        left_out=left_out,
        notes=_notes(switching, driver),
    )
    return _finished(result)


def _judge(question: TankQuestion, inductance: float, capacitance: float) -> TankAnswer:
    """Inductance and capacitance are known: where does the tank work?"""
    resonance = resonance_hz(inductance, capacitance + question.across_f)
    switching, assumed, driver = None, list[str](), None
    if question.duty is not None:
        driver, assumed = _driver(question, inductance, resonance)
        driver = replace(driver, tank_capacitance_f=capacitance)
        switching = _frequency_sought(driver, question.duty)
    part = Part(capacitance, question.tolerance_c or 0.0)
    result = TankAnswer(
        inductance_h=inductance,
        capacitance_f=capacitance,
        frequency_hz=resonance if switching is None else switching.target,
        across_f=question.across_f,
        resonance_hz=resonance,
        duty=question.duty,
        preferred=None,
        combinations=(),
        choice=None,
        spread=_spread(question, inductance, Layout.ONE, [part]),
        band=question.band,
        share_in_band=None,
        switching=switching,
        assumed=tuple(assumed),
        left_out=(),
        notes=_notes(switching, driver),
    )
    return _finished(result)


def _finished(result: TankAnswer) -> TankAnswer:
    share = None
    if result.spread is not None:
        share = result.spread.share_within(result.resonance_hz, result.band)
    return replace(result, share_in_band=share, cautions=_cautions(result))


def _driver(
    question: TankQuestion, inductance: float, frequency: float
) -> tuple[Circuit, list[str]]:
    """The driver to solve, and in words what had to be assumed for it."""
    volts, ohm = question.supply_v, question.resistance_ohm
    if volts is not None and not volts > 0:
        raise OutOfRange(f"The supply is {show(volts, 'V')}; it must be above zero.", "Try 5V.")
    if ohm is not None and ohm < 0:
        raise OutOfRange(
            f"The coil's resistance is {show(ohm, 'ohm')}; it cannot be negative.",
            "Give what an ohmmeter or `coilwright coil` says.",
        )
    if question.driver is not None:
        driver = question.driver
        coil = replace(driver.coil, inductance_h=inductance)
        if question.resistance_ohm is not None:
            coil = replace(coil, resistance_ohm=question.resistance_ohm)
        supply = driver.supply
        if question.supply_v is not None:
            supply = replace(supply, voltage_v=question.supply_v)
        return replace(driver, coil=coil, supply=supply), []
    volts = ASSUMED_SUPPLY_V if volts is None else volts
    driver = assumed_driver(volts, inductance, frequency, question.resistance_ohm)
    assumed = [] if question.supply_v is not None else [f"supply {show(volts, 'V')}"]
    if question.resistance_ohm is None:
        told = show(driver.coil.resistance_ohm, "ohm", 3)
        assumed.append(f"coil resistance {told} (Q {ASSUMED_Q:g})")
    assumed.append("0.25 ohm and 47 uF at the supply, 80 nH of loop, MOSFET of 30 mohm and 400 pF")
    return driver, [*assumed, "no lamps"]


def _capacitance_sought(driver: Circuit, frequency: float, duty: float) -> Switching:
    lossless = valley_capacitance(driver.coil.inductance_h, frequency, duty)
    try:
        valley = least_current_capacitance(driver, frequency, duty)
    except NoResult:
        return Switching("capacitance", lossless, None, None, ())
    return Switching("capacitance", lossless, valley.best, valley, ())


def _compared(
    question: TankQuestion,
    switching: Switching,
    driver: Circuit,
    frequency: float,
    found: Sequence[Combination],
) -> Switching:
    assert question.duty is not None
    named = [
        ("plain resonance", capacitance_for(driver.coil.inductance_h, frequency)),
        ("lossless valley", switching.lossless),
    ]
    if switching.least is not None:
        named.append(("least current", switching.least))
    if question.driver is not None:
        named.append(("as in the build", question.driver.tank_capacitance_f))
    named += [(str(one), one.capacitance_f) for one in found]
    points = evaluate(driver, [value for _, value in named], frequency, question.duty)
    rows = tuple(TankRow(name, point) for (name, _), point in zip(named, points, strict=True))
    return replace(switching, rows=rows)


def _choice(
    found: Sequence[Combination], target: float, switching: Switching | None
) -> Combination:
    """What to solder: the fewest parts that draw as little as the best, give `ENOUGH`.

    Without a duty, or where a current is not known, the fewest that come as near as the best.
    """
    amps = [row.point.supply_a for row in switching.rows[-len(found) :]] if switching else []
    if not amps or not all(math.isfinite(one) for one in amps):
        return nearest_combination(found, target)
    least = min(amps) * (1 + ENOUGH)
    return next(one for one, amp in zip(found, amps, strict=True) if amp <= least)


def _with_ends(
    question: TankQuestion,
    switching: Switching,
    driver: Circuit,
    layout: Layout,
    parts: Sequence[Part],
) -> Switching:
    """Add the worst cases: coil and capacitors all at the upper, then all at the lower end."""
    assert question.duty is not None
    if question.tolerance_l == 0 and all(part.tolerance == 0 for part in parts):
        return switching
    ends: list[TankPoint] = []
    for sign in (1, -1):
        inductance = driver.coil.inductance_h * (1 + sign * question.tolerance_l)
        there = replace(driver, coil=replace(driver.coil, inductance_h=inductance))
        total = layout.total([part.value * (1 + sign * part.tolerance) for part in parts])
        frequency = switching.rows[0].point.frequency_hz
        ends += evaluate(there, [float(total)], frequency, question.duty)
    return replace(switching, ends=tuple(ends))


def _frequency_sought(driver: Circuit, duty: float) -> Switching:
    inductance, capacitance = driver.coil.inductance_h, driver.tank_capacitance_f
    lossless = valley_frequency(inductance, capacitance, duty)
    named = [
        ("plain resonance", resonance_hz(inductance, capacitance)),
        ("lossless valley", lossless),
    ]
    least, valley = None, None
    try:
        valley = least_current_frequency(driver, duty)
        least = valley.best
        named.append(("least current", least))
    except NoResult:
        pass  # told by the note that `least` is missing
    hertz = [value for _, value in named]
    points = evaluate(driver, [capacitance] * len(named), hertz, duty)
    rows = tuple(TankRow(name, point) for (name, _), point in zip(named, points, strict=True))
    return Switching("frequency", lossless, least, valley, rows)


def _offer(
    question: TankQuestion, target: float, driver: Circuit | None, frequency: float
) -> tuple[tuple[DrawerPart, ...], tuple[str, ...]]:
    """The capacitors to choose from, and in words those of the drawer that may not be used."""
    if question.drawer is None:
        tolerance = series_tolerance(question.series)
        span = series_values(question.series, target / SERIES_SPAN, target * SERIES_SPAN)
        return tuple(DrawerPart(value, tolerance=tolerance) for value in span), ()
    peak = 0.0
    if driver is not None and question.duty is not None:
        volts, inductance = driver.supply.voltage_v, driver.coil.inductance_h
        peak = lossless_swing(volts, inductance, frequency, question.duty).drain_peak_v
    kept, left_out = [], []
    for part in question.drawer:
        why = _unfit(part, peak, question.any_dielectric)
        if why:
            left_out.append(f"{show(part.value_f, 'F')}: {why}")
        else:
            kept.append(part)
    if not kept:
        raise NoResult(
            f"No capacitor of the drawer may be used: {left_out[0]}.",
            "Add parts that suit a tank, or allow any dielectric with --any-dielectric.",
        )
    return tuple(kept), tuple(left_out)


def _unfit(part: DrawerPart, peak_v: float, any_dielectric: bool) -> str:
    if part.steady is False and not any_dielectric:
        return f"{part.dielectric} does not suit a tank"
    if part.voltage_v is not None and part.voltage_v < peak_v:
        return f"rated {show(part.voltage_v, 'V')}, the drain reaches {show(peak_v, 'V', 3)}"
    return ""


def _stock(part: DrawerPart) -> int:
    return 3 if part.quantity is None else part.quantity


def _tolerance(question: TankQuestion, part: DrawerPart) -> float:
    if question.tolerance_c is not None:
        return question.tolerance_c
    return ASSUMED_TOLERANCE if part.tolerance is None else part.tolerance


def _tolerance_assumed(question: TankQuestion, chosen: Sequence[DrawerPart]) -> list[str]:
    if question.tolerance_c is not None:
        return []
    if question.drawer is None:
        within = show_percent(series_tolerance(question.series))
        return [f"capacitor tolerance {within} ({question.series})"]
    if any(part.tolerance is None for part in chosen):
        return [f"capacitor tolerance {show_percent(ASSUMED_TOLERANCE)} where none is listed"]
    return []


def _spread(
    question: TankQuestion, inductance: float, layout: Layout, parts: Sequence[Part]
) -> Spread | None:
    inductor = Part(inductance, question.tolerance_l)
    if all(part.tolerance == 0 for part in (inductor, *parts)):
        return None
    return frequency_spread(
        inductor,
        layout,
        parts,
        across_f=question.across_f,
        draws=question.draws,
        seed=question.seed,
        distribution=question.distribution,
    )


NO_VALLEY = (
    "With these losses and lamps the supply current has no least value near soft switching; "
    "the lossless value is taken."
)
MATERIAL = (
    "Take C0G/NP0 ceramic or polypropylene film for a tank, not X7R and the like: their "
    "capacitance moves with voltage and heat, and they get hot (common practice)."
)
UNLOADED = (
    "A tuned receiver without its load can reach tens to hundreds of volts: choose the "
    "capacitor's voltage for that, and do not touch it."
)
MODEL = (
    "These are figures of a model and no statement that a build is safe: begin with a small "
    "duty and a current-limited supply."
)


def _notes(switching: Switching | None, driver: Circuit | None) -> tuple[str, ...]:
    """What the figures of the comparison do not say by themselves."""
    if switching is None or driver is None:
        return ()
    if switching.least is None:
        return (NO_VALLEY,)
    notes = []
    least = next(row.point for row in switching.rows if row.name == "least current")
    turn_on = least.drain_turn_on_v
    if turn_on > SOFT * driver.supply.voltage_v:
        notes.append(
            f"At the least current the drain is still at {show(turn_on, 'V', 2)} when the MOSFET "
            "closes: at this duty the losses leave no full swing, so it is not soft switching."
        )
    dark = [r.name for r, lit in zip(driver.receivers, least.lit, strict=True) if not lit]
    if dark:
        notes.append("At the least current these lamps stay dark: " + ", ".join(dark) + ".")
    return tuple(notes)


def _cautions(result: TankAnswer) -> tuple[str, ...]:
    """The usual cautions, with the numbers of this tank."""
    if result.switching is None:
        return MATERIAL, UNLOADED
    aim = [row.point for row in result.switching.rows[1:]]
    worst = [result.switching.rows[0].point, *aim, *result.switching.ends]
    drain, ever = (max(point.drain_peak_v for point in points) for points in (aim, worst))
    volts = (
        f"The drain reaches {show(drain, 'V', 3)} near the valley and {show(ever, 'V', 3)} at "
        "the worst point shown; MOSFET and capacitor need ratings above that, with a margin "
        "(twice is common practice)."
    )
    amps = (
        "The capacitor carries nearly the coil's current, "
        f"{show(max(point.coil_rms_a for point in aim), 'A', 3)} rms at "
        f"{show(result.frequency_hz, 'Hz', 4)}: look up its AC rating at that frequency."
    )
    return volts, amps, MATERIAL, MODEL


sys.modules[__name__].__class__ = CallableModule
