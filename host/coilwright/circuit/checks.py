"""Checks of a driver at one operating point: pass, marginal or fail, with number and reason.

A check whose data the build file does not give is "not checked" and names the keys it needs; it
guesses nothing. Ratings are meant to be used up to `MARGIN`; between that and the whole rating a
check is marginal (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from coilwright.circuit.driver import Circuit
from coilwright.circuit.gate_drive import (
    average_capacitance_f,
    gate_current_a,
    gate_power_w,
    gate_time_s,
    junction_c,
    on_resistance_factor,
    output_capacitance_loss_w,
    overlap_loss_w,
)
from coilwright.quantities import show, show_percent

if TYPE_CHECKING:
    # Build files are read without the solver.
    from coilwright.circuit.steady_state import SteadyState, Waveforms

Verdict = Literal["pass", "marginal", "fail", "not checked"]

MARGIN = 0.8
"""Share of a rating up to which a check passes (common practice, no source)."""
RIPPLE = (0.02, 0.05)
"""Ripple of the supply as a share of its voltage: passes up to the first, marginal up to the
second (common practice, no source)."""
GATE_SHARE = (0.1, 0.25)
"""Gate time as a share of the shorter of on-time and off-time, likewise."""
FACTOR = 2.0
"""Estimated on-resistance over the rated one up to which weak gate drive is marginal, likewise."""
SOFT = 0.25
"""Drain voltage at turn-on, as a share of the supply's, up to which switching counts as soft: a
sixteenth of the energy of the whole supply voltage (common practice, no source)."""

SOURCE_A = {"usb2": 0.5, "usb3": 0.9, "type-c-1.5": 1.5, "type-c-3": 3.0}
"""Continuous current a port gives: USB 2.0 once configured, USB 3.2 on one lane, Type-C with the
source's 1.5 A or 3 A advertised (ST UM2191 table 4; IEC 62680-1-3, the USB Type-C standard)."""
USB_V = (4.75, 5.25)
"""Voltage at a USB port (ST UM2191)."""
SOURCES = ("bench", *SOURCE_A)


@dataclass(frozen=True, slots=True)
class SwitchFacts:
    """Data-sheet figures of the MOSFET; None where the build file does not say.

    `threshold_v` is the highest of the data sheet; `rated_at_v` the gate voltage for which the
    on-resistance is given; `output_capacitance_at_v` the drain voltage for which the output
    capacitance is. `rise_per_k` is the growth of the on-resistance a kelvin (0.6 % is usual).
    """

    gate_charge_c: float | None = None
    drive_v: float | None = None
    threshold_v: float | None = None
    rated_at_v: float | None = None
    rated_v: float | None = None
    rated_a: float | None = None
    output_capacitance_at_v: float | None = None
    thermal_resistance_k_per_w: float | None = None
    rise_per_k: float = 0.006
    highest_junction_c: float = 150.0
    ambient_c: float = 25.0


@dataclass(frozen=True, slots=True)
class SupplyFacts:
    """What feeds the driver: one of `SOURCES`, a bench supply's limit, the capacitor's data."""

    source: str | None = None
    current_limit_a: float | None = None
    series_resistance_ohm: float = 0.0
    capacitor_v: float | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything the checks need that the circuit's solution does not.

    `receiver_v` holds the voltage ratings of the receivers' capacitors, by name of the receiver.
    """

    switch: SwitchFacts = SwitchFacts()
    supply: SupplyFacts = SupplyFacts()
    gate_driver_a: float | None = None
    coil_rated_a: float | None = None
    tank_rated_v: float | None = None
    receiver_v: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its verdict, its number and the limit it was held against, and why.

    `value` and `limit` are SI in `unit` (°C for temperatures); None where there is no number.
    `hypothetical` marks what would be if the gate were driven otherwise than this build says.
    """

    name: str
    verdict: Verdict
    value: float | None
    unit: str
    limit: float | None
    reason: str
    needs: tuple[str, ...] = ()
    hypothetical: bool = False

    def to_json(self) -> dict[str, Any]:
        """All fields as plain values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Losses:
    """Losses in W at one operating point; None where the data for it are missing.

    `conduction_w` is that of the on-resistance, the tank's recharging through it included;
    `overlap_w` is the crossing of voltage and current at both edges. `emptied_w` is what the solved
    circuit loses of `output_capacitance_w`: the solver's output capacitance is constant, its gate
    ideal, so the supply's solved power covers `solved_switch_w` and not what comes on top.
    """

    conduction_w: float
    output_capacitance_w: float
    emptied_w: float
    overlap_w: float | None
    body_diode_w: float
    clamp_w: float
    coil_w: float
    supply_w: float
    damping_w: float
    receivers_w: float
    gate_w: float | None

    @property
    def switch_other_w(self) -> float:
        """Loss in the MOSFET that does not grow with its on-resistance."""
        diodes = self.body_diode_w + self.clamp_w
        return self.output_capacitance_w + (self.overlap_w or 0.0) + diodes

    @property
    def switch_w(self) -> float:
        """Whole loss in the MOSFET, at 25 °C."""
        return self.conduction_w + self.switch_other_w

    @property
    def solved_switch_w(self) -> float:
        """Loss in the MOSFET that the solved supply power covers."""
        return self.conduction_w + self.emptied_w + self.body_diode_w + self.clamp_w

    @property
    def on_top_w(self) -> float:
        """What `switch_w` has beyond the solved circuit; the supply delivers that as well."""
        return self.switch_w - self.solved_switch_w


@dataclass(frozen=True, slots=True)
class Situation:
    """A driver, its facts, and its solution at one operating point (arrays of one point).

    `unlit_v` (R) is the peak voltage of one receiver of each kind whose LED is missing, None for a
    kind that has none, or where it is not known (`operating_map.unlit_peak_v`).
    """

    driver: Circuit
    facts: Facts
    state: SteadyState
    waves: Waveforms
    unlit_v: tuple[float | None, ...]

    def number(self, name: str) -> float:
        """One quantity of `state`."""
        return float(getattr(self.state, name)[0])

    @property
    def frequency_hz(self) -> float:
        """Frequency of the operating point."""
        return self.number("frequency_hz")

    @property
    def on_s(self) -> float:
        """On-time."""
        return self.number("duty") / self.frequency_hz

    @property
    def gate_s(self) -> float | None:
        """Gate-drive time; None without gate charge or driver current."""
        charge, current = self.facts.switch.gate_charge_c, self.facts.gate_driver_a
        return None if charge is None or current is None else gate_time_s(charge, current)


def turn_on_current_a(
    voltage_v: float, resistance_ohm: float, inductance_h: float, time_s: float
) -> float:
    """Coil current after `time_s` of the switch closed, from rest: V/R (1 − e^(−tR/L))."""
    if resistance_ohm == 0:
        return voltage_v * time_s / inductance_h
    rise = -math.expm1(-time_s * resistance_ohm / inductance_h)
    return voltage_v / resistance_ohm * rise


def stuck_on_current_a(voltage_v: float, resistance_ohm: float) -> float:
    """Coil current with the gate stuck high: V / R, all resistances in series."""
    return voltage_v / resistance_ohm


def tank_peak_v(driver: Circuit, waves: Waveforms) -> float:
    """Highest voltage either way across the tank capacitor: L·di/dt + R·i of the coil."""
    # The solver repeats the instants at which the switch moves, and cuts some steps very finely.
    time = waves.time_s
    kept = np.flatnonzero(np.diff(time, prepend=-1.0) > 1e-4 * time[-1])
    slope = np.gradient(waves.coil_a[kept], time[kept])
    across = driver.coil.inductance_h * slope + driver.coil.resistance_ohm * waves.coil_a[kept]
    return float(np.abs(across).max())


def losses(case: Situation) -> Losses:
    """Losses at the operating point, the MOSFET's split by their cause."""
    switch, facts = case.driver.switch, case.facts.switch
    turn_on_v, hertz = case.number("drain_turn_on_v"), case.frequency_hz
    closed_w = case.number("switch_loss_w")
    # The solver empties the output capacitance through the on-resistance.
    emptied = output_capacitance_loss_w(switch.output_capacitance_f, turn_on_v, hertz)
    emptied = min(emptied, closed_w)
    capacitance = switch.output_capacitance_f
    if facts.output_capacitance_at_v is not None and turn_on_v > 0:
        capacitance = average_capacitance_f(capacitance, facts.output_capacitance_at_v, turn_on_v)
    gate = None
    if facts.gate_charge_c is not None and facts.drive_v is not None:
        gate = gate_power_w(facts.gate_charge_c, facts.drive_v, hertz)
    return Losses(
        conduction_w=closed_w - emptied,
        output_capacitance_w=output_capacitance_loss_w(capacitance, turn_on_v, hertz),
        emptied_w=emptied,
        overlap_w=_overlap(case),
        body_diode_w=case.number("body_diode_loss_w"),
        clamp_w=case.number("clamp_loss_w"),
        coil_w=case.number("coil_loss_w"),
        supply_w=case.number("supply_loss_w"),
        damping_w=case.number("damping_loss_w"),
        receivers_w=case.number("receiver_loss_w"),
        gate_w=gate,
    )


def _overlap(case: Situation) -> float | None:
    """Both edges: the solver's gate is ideal, so what crosses within the gate time is added."""
    gate_s, waves, on_s = case.gate_s, case.waves, case.on_s
    if gate_s is None:
        return None
    amps = waves.drain_v / case.driver.switch.on_resistance_ohm  # while the switch is closed
    rising = float(np.interp(min(gate_s, on_s), waves.time_s, amps))
    last = waves.time_s < on_s * (1 - 1e-9)
    falling = float(amps[last][-1])
    after = (waves.time_s >= on_s) & (waves.time_s <= on_s + gate_s)
    reached = float(np.interp(on_s + gate_s, waves.time_s, waves.drain_v))
    met = max(float(waves.drain_v[after].max(initial=0.0)), reached)
    before = max(case.number("drain_turn_on_v"), 0.0)
    first = overlap_loss_w(before, abs(rising), gate_s, case.frequency_hz)
    return first + overlap_loss_w(met, abs(falling), gate_s, case.frequency_hz)


def check_all(case: Situation) -> tuple[Check, ...]:
    """All checks of an operating point with a duty between 0 and 1, in the order of a report."""
    return tuple(_checks(case, losses(case)))


def worst(checks: tuple[Check, ...]) -> Verdict:
    """The worst verdict among what was checked for the build as it is."""
    found = {check.verdict for check in checks if not check.hypothetical}
    ranks: tuple[Verdict, ...] = ("fail", "marginal", "pass")
    return next((verdict for verdict in ranks if verdict in found), "not checked")


def _checks(case: Situation, lost: Losses) -> Iterator[Check]:
    yield _turn_on(case)
    yield _coil_rms(case)
    yield _stuck_on(case)
    yield _gate_time(case)
    yield from _enhancement(case.facts.switch)
    yield _soft(case, lost)
    yield _junction(case, lost)
    yield _drain_peak(case)
    yield _tank(case)
    yield _decoupling_voltage(case)
    yield _ripple(case)
    yield _supply(case)
    yield from _receivers(case)
    yield from _lamps(case)


def _held(value: float, limit: float, share: float = MARGIN) -> Verdict:
    if value > limit:
        return "fail"
    return "pass" if value <= share * limit else "marginal"


def _between(value: float, good: float, bad: float) -> Verdict:
    return "pass" if value <= good else "marginal" if value <= bad else "fail"


def _absent(*data: tuple[str, float | None]) -> tuple[str, ...]:
    """The keys whose values are missing."""
    return tuple(key for key, value in data if value is None)


def _rated(
    name: str, value: float, unit: str, limit: float | None, needs: str, reason: str
) -> Check:
    """A number against a rating of the build file."""
    if limit is None:
        return Check(name, "not checked", value, unit, None, reason, (needs,))
    return Check(name, _held(value, limit), value, unit, limit, reason)


def _turn_on(case: Situation) -> Check:
    driver = case.driver
    ohm = driver.coil.resistance_ohm + driver.switch.on_resistance_ohm
    amps = turn_on_current_a(driver.supply.voltage_v, ohm, driver.coil.inductance_h, case.on_s)
    reason = (
        f"from rest, {show(case.on_s, 's', 3)} at {show(driver.supply.voltage_v, 'V')} through "
        f"{show(ohm, 'ohm')}; swinging, the coil peaks at "
        f"{show(case.number('coil_peak_a'), 'A', 3)}"
    )
    return _rated(
        "coil current after turn-on",
        max(amps, case.number("coil_peak_a")),
        "A",
        case.facts.switch.rated_a,
        "switch.rated_current",
        reason,
    )


def _coil_rms(case: Situation) -> Check:
    heat = show(case.number("coil_loss_w"), "W", 3)
    return _rated(
        "coil current, rms",
        case.number("coil_rms_a"),
        "A",
        case.facts.coil_rated_a,
        "coil.rated_current",
        f"heats the coil with {heat}",
    )


def _stuck_on(case: Situation) -> Check:
    driver, rated = case.driver, case.facts.coil_rated_a
    ohm = (
        driver.supply.resistance_ohm + driver.coil.resistance_ohm + driver.switch.on_resistance_ohm
    )
    amps = stuck_on_current_a(driver.supply.voltage_v, ohm)
    reason = (
        f"{show(driver.supply.voltage_v, 'V')} across {show(ohm, 'ohm')} if the gate stays high"
    )
    held = case.facts.supply.current_limit_a
    if rated is not None and held is not None and held <= rated < amps:
        reason += f"; only the supply's limit of {show(held, 'A')} holds it down"
        return Check("coil current, stuck on", "marginal", amps, "A", rated, reason)
    if rated is not None and amps > rated:
        reason += "; set a current limit or fit a fuse, and a pull-down at the gate"
    return _rated("coil current, stuck on", amps, "A", rated, "coil.rated_current", reason)


def _gate_time(case: Situation) -> Check:
    switch, amps = case.facts.switch, case.facts.gate_driver_a
    if switch.gate_charge_c is None or amps is None:
        needs = _absent(("switch.gate_charge", switch.gate_charge_c), ("gate_driver.current", amps))
        return Check("gate-drive time", "not checked", None, "s", None, "", needs)
    seconds = gate_time_s(switch.gate_charge_c, amps)
    shorter = min(case.on_s, 1 / case.frequency_hz - case.on_s)
    mean = gate_current_a(switch.gate_charge_c, case.frequency_hz)
    good, bad = (share * shorter for share in GATE_SHARE)
    reason = (
        f"{show(switch.gate_charge_c, 'C')} at {show(amps, 'A')}: {show_percent(seconds / shorter)}"
        f" of the shorter of on and off time; the gate draws {show(mean, 'A', 3)} on average"
    )
    return Check("gate-drive time", _between(seconds, good, bad), seconds, "s", bad, reason)


def _enhancement(switch: SwitchFacts) -> Iterator[Check]:
    if switch.drive_v is None:
        needs = ("switch.drive_voltage",)
        yield Check("enhancement", "not checked", None, "V", None, "", needs)
    else:
        yield _enhanced(switch, switch.drive_v, hypothetical=False)
    for volts in (3.3, 5.0):
        if volts != switch.drive_v:
            yield _enhanced(switch, volts, hypothetical=True)


def _enhanced(switch: SwitchFacts, volts: float, *, hypothetical: bool) -> Check:
    name = f"{'if driven' if hypothetical else 'enhancement'} at {show(volts, 'V')}"
    if switch.rated_at_v is None or switch.threshold_v is None:
        needs = _absent(
            ("switch.on_resistance_at", switch.rated_at_v),
            ("switch.threshold_voltage", switch.threshold_v),
        )
        return Check(name, "not checked", volts, "V", None, "", needs, hypothetical)
    factor = on_resistance_factor(volts, switch.threshold_v, switch.rated_at_v)
    verdict = _between(factor, 1.0, FACTOR)
    rated = show(switch.rated_at_v, "V")
    if verdict == "pass":
        reason = f"the on-resistance is rated for {rated}"
    elif math.isinf(factor):
        reason = f"the threshold may be {show(switch.threshold_v, 'V')}: it may not turn on at all"
    else:
        reason = f"the on-resistance is rated for {rated}; expect about {factor:.2g} times as much"
    return Check(name, verdict, volts, "V", switch.rated_at_v, reason, (), hypothetical)


def _soft(case: Situation, lost: Losses) -> Check:
    volts, supply = case.number("drain_turn_on_v"), case.driver.supply.voltage_v
    verdict = _between(volts, SOFT * supply, supply)
    watts = show(lost.output_capacitance_w, "W", 3)
    if verdict == "pass":
        reason = "the drain is back near zero when the switch closes (soft switching)"
    else:
        reason = (
            "the switch closes on a charged drain, which costs current and heat: "
            f"{watts} from the output capacitance alone, and the tank's charge on top"
        )
    return Check("drain at turn-on", verdict, volts, "V", SOFT * supply, reason)


def _junction(case: Situation, lost: Losses) -> Check:
    facts, name = case.facts.switch, "junction temperature"
    watts = show(lost.switch_w, "W", 3)
    needs = _absent(
        ("switch.thermal_resistance", facts.thermal_resistance_k_per_w),
        ("switch.gate_charge", facts.gate_charge_c),
        ("gate_driver.current", case.facts.gate_driver_a),
    )
    if facts.thermal_resistance_k_per_w is None or needs:
        reason = f"the MOSFET loses at least {watts}"
        return Check(name, "not checked", None, "°C", facts.highest_junction_c, reason, needs)
    celsius = junction_c(
        facts.ambient_c,
        facts.thermal_resistance_k_per_w,
        lost.conduction_w,
        lost.switch_other_w,
        facts.rise_per_k,
    )
    reason = (
        f"{watts} at 25 °C through {facts.thermal_resistance_k_per_w:g} K/W "
        f"above {facts.ambient_c:g} °C of ambient"
    )
    if math.isinf(celsius):
        reason += "; heat grows faster than it is carried away"
    rise = facts.highest_junction_c - facts.ambient_c
    verdict = _held(celsius - facts.ambient_c, rise)
    return Check(name, verdict, celsius, "°C", facts.highest_junction_c, reason)


def _drain_peak(case: Situation) -> Check:
    reason = "spike of the stray inductance included"
    if case.number("clamp_loss_w") > 0:
        watts = show(case.number("clamp_loss_w"), "W", 3)
        reason += f"; the drain breaks down every period and turns {watts} into heat"
    volts, rated = case.number("drain_peak_v"), case.facts.switch.rated_v
    return _rated("drain peak", volts, "V", rated, "switch.rated_voltage", reason)


def _tank(case: Situation) -> Check:
    return _rated(
        "tank capacitor",
        tank_peak_v(case.driver, case.waves),
        "V",
        case.facts.tank_rated_v,
        "tank.rated_voltage",
        "peak across it; at this frequency film parts stand less than their DC rating",
    )


def _decoupling_voltage(case: Situation) -> Check:
    volts = max(float(case.waves.supply_v.max()), case.driver.supply.voltage_v)
    rated = case.facts.supply.capacitor_v
    name, needs = "decoupling capacitor", "supply.capacitor_voltage"
    return _rated(name, volts, "V", rated, needs, "peak across it")


def _ripple(case: Situation) -> Check:
    supply, esr = case.driver.supply, case.facts.supply.series_resistance_ohm
    step = esr * float(np.ptp(_switch_current(case)))
    volts = float(np.ptp(case.waves.supply_v)) + step
    good, bad = (share * supply.voltage_v for share in RIPPLE)
    reason = f"{show_percent(volts / supply.voltage_v)} of the supply, peak to peak"
    if step:
        reason += f", {show(step, 'V', 3)} of it from the capacitor's series resistance"
    return Check("decoupling ripple", _between(volts, good, bad), volts, "V", bad, reason)


def _switch_current(case: Situation) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Current through the closed switch, the emptying of the output capacitance left out."""
    part = case.driver.switch
    settled = 20 * part.on_resistance_ohm * part.output_capacitance_f
    time = case.waves.time_s
    closed = (time >= settled) & (time < case.on_s * (1 - 1e-9))
    return np.asarray(np.where(closed, case.waves.drain_v / part.on_resistance_ohm, 0.0))


def _supply(case: Situation) -> Check:
    facts, volts = case.facts.supply, case.driver.supply.voltage_v
    amps, name = case.number("supply_a"), "supply current"
    reason = f"mean; {show(case.number('supply_w'), 'W', 3)} from {show(volts, 'V')}"
    if facts.source is None:
        return Check(name, "not checked", amps, "A", None, reason, ("supply.source",))
    if facts.source == "bench":
        needs = "supply.current_limit"
        return _rated(name, amps, "A", facts.current_limit_a, needs, reason)
    limit = SOURCE_A[facts.source]
    if not USB_V[0] <= volts <= USB_V[1]:
        reason = f"a USB port gives 4.75 to 5.25 V, this build wants {show(volts, 'V')}"
        return Check(name, "fail", amps, "A", limit, reason)
    return Check(name, _held(amps, limit), amps, "A", limit, f"{reason} ({facts.source})")


def _receivers(case: Situation) -> Iterator[Check]:
    for index, receiver in enumerate(case.driver.receivers):
        rated, unlit = case.facts.receiver_v.get(receiver.name), case.unlit_v[index]
        volts = float(case.state.receiver_peak_v[0, index])
        reason = "peak across its capacitor"
        if unlit is not None:
            reason += f"; {show(unlit, 'V', 3)} if one of them lacks its LED"
        if rated is not None and unlit is not None and volts <= rated < unlit:
            name = f"{receiver.name}, voltage"
            yield Check(name, "marginal", volts, "V", rated, reason)
            continue
        needs = f"receiver[{index}].rated_voltage"
        yield _rated(f"{receiver.name}, voltage", volts, "V", rated, needs, reason)


def _lamps(case: Situation) -> Iterator[Check]:
    for index, receiver in enumerate(case.driver.receivers):
        if receiver.led is None:
            continue
        amps = float(case.state.led_a[0, index].max())
        # A lamp near its limit is marginal on the other side of it than a rating is.
        verdict: Verdict = "fail" if amps < receiver.lit_a else "marginal"
        verdict = "pass" if amps * MARGIN >= receiver.lit_a else verdict
        state = "lit" if amps >= receiver.lit_a else "dark"
        reason = f"{state}: mean current of the brighter LED against what counts as lit"
        yield Check(f"{receiver.name}, light", verdict, amps, "A", receiver.lit_a, reason)
