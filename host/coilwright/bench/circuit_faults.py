"""Circuit faults as other values of the same circuit: what the solver is given instead.

A condition says how the circuit differs from the sound one: pairs of a fault's name and its value
now. It is hashable, so that solutions can be kept for each; drifts move in steps for that reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from coilwright.circuit.driver import Circuit, Receiver
from coilwright.circuit.field import field_t, solenoid

from .faults import KINDS, Fault

Condition = tuple[tuple[str, float], ...]
SOUND: Condition = ()

DRIFT_STEP = 2e-4
"""Share of its value by which a drifting part moves at once: half of that in frequency, less
than the noise of a reading where a lamp's Q is below a few hundred."""

_LEAST, _MOST = 0.2, 5.0  # a drifting part does not leave this range of its sound value
_BROKEN_OHM = 1e6
_TURN_COUPLING = 0.7
"""Coupling of shorted turns to the rest of a coil wound closely (common practice, no source)."""
_METAL_Q = 10.0
"""Ratio of reactance to resistance of the eddy currents' path in a sheet (common practice, no
source: skin depth well below the thickness)."""


def condition(acting: Iterable[tuple[Fault, int]]) -> Condition:
    """The condition of the circuit under these faults, each acting for so many us."""
    now: dict[str, float] = {}
    for fault, since_us in acting:
        if fault.kind.stays:
            assert isinstance(fault.value, float)
            steps = round(fault.value * since_us / 1e6 / DRIFT_STEP)
            now[fault.name] = now.get(fault.name, 0.0) + steps
        else:
            now[fault.name] = fault.value if isinstance(fault.value, float) else 0.0
    return tuple(sorted((name, value) for name, value in now.items() if _matters(name, value)))


def conditions_ahead(acting: Sequence[tuple[Fault, int]], count: int) -> list[Condition]:
    """The next conditions that these faults go through, at most `count`; none without a drift."""
    rates = [abs(f.value) for f, _ in acting if f.kind.stays and isinstance(f.value, float)]
    if not max(rates, default=0.0):
        return []
    step_us = int(1e6 * DRIFT_STEP / max(rates) / 3) + 1
    found = {condition(acting): None}
    for n in range(1, 4 * count):
        later = ((fault, _later(fault, since, n * step_us)) for fault, since in acting)
        found[condition(later)] = None
        if len(found) > count:
            break
    return list(found)[1:]


def but_drifts(condition: Condition) -> Condition:
    """What makes one condition's circuit another kind of circuit than a second one's."""
    return tuple(pair for pair in condition if not KINDS[pair[0]].stays)


def _later(fault: Fault, since_us: int, span_us: int) -> int:
    """How long a fault will have been acting, its end considered where it stays."""
    later = since_us + span_us
    return min(later, fault.for_us) if fault.kind.stays and fault.for_us is not None else later


def _matters(name: str, value: float) -> bool:
    return value != 0 or name == "coil-open"


def altered(driver: Circuit, condition: Condition) -> Circuit:
    """The driver (its last receiver is the probe) under a condition."""
    for name, value in condition:
        driver = _ALTER[name](driver, value)
    return driver


def _coil_open(driver: Circuit, _: float) -> Circuit:
    return replace(driver, coil=replace(driver.coil, resistance_ohm=_BROKEN_OHM))


def _turns_shorted(driver: Circuit, share: float) -> Circuit:
    """The shorted turns are a secondary winding L_s = s² L, R_s = s R, coupled to the rest.

    Of the rest, (1 - s) of the turns, with q = ω L_s / R_s and g = q² / (1 + q²):
    L' = (1 - s)² L (1 - k² g), R' = (1 - s) R + (k (1 - s) / s)² s R g. The lamps couple to both,
    opposed: coupling' = coupling (1 - k g) / sqrt(1 - k² g). ω is that of coil and tank capacitor.
    """
    coil, rest, k = driver.coil, 1 - share, _TURN_COUPLING
    resistance, reactance = coil.resistance_ohm, _reactance(driver)
    g = 1 / (1 + (resistance / (share * reactance)) ** 2)
    left = replace(
        coil,
        inductance_h=coil.inductance_h * rest**2 * (1 - k**2 * g),
        resistance_ohm=resistance * (rest + (k * rest) ** 2 / share * g),
    )
    return _coupled(replace(driver, coil=left), (1 - k * g) / math.sqrt(1 - k**2 * g))


def _reactance(driver: Circuit) -> float:
    """Of the coil at the frequency of coil and tank capacitor."""
    return math.sqrt(driver.coil.inductance_h / driver.tank_capacitance_f)


def _metal(driver: Circuit, share: float) -> Circuit:
    """The sheet is a shorted secondary: L' = L (1 - share), R' = R + share · ω L / Q_sheet.

    ω is that of coil and tank capacitor.
    """
    coil = driver.coil
    ohm = coil.resistance_ohm + share * _reactance(driver) / _METAL_Q
    left = replace(coil, inductance_h=coil.inductance_h * (1 - share), resistance_ohm=ohm)
    return _coupled(replace(driver, coil=left), 1 - share)


def _coupled(driver: Circuit, factor: float) -> Circuit:
    lamps = (replace(r, coupling=r.coupling * factor) for r in driver.receivers)
    return replace(driver, receivers=tuple(lamps))


def _drifted(steps: float) -> float:
    return min(max(1 + steps * DRIFT_STEP, _LEAST), _MOST)


def _tank_drift(driver: Circuit, steps: float) -> Circuit:
    return replace(driver, tank_capacitance_f=driver.tank_capacitance_f * _drifted(steps))


def _detuned(receiver: Receiver, steps: float) -> Receiver:
    return replace(receiver, capacitance_f=receiver.capacitance_f * _drifted(steps))


def _lamp_drift(driver: Circuit, steps: float) -> Circuit:
    *lamps, probe = driver.receivers
    return replace(driver, receivers=(*(_detuned(lamp, steps) for lamp in lamps), probe))


def _probe_drift(driver: Circuit, steps: float) -> Circuit:
    *lamps, probe = driver.receivers
    return replace(driver, receivers=(*lamps, _detuned(probe, steps)))


def _supply(driver: Circuit, factor: float) -> Circuit:
    supply = replace(driver.supply, voltage_v=driver.supply.voltage_v * factor)
    return replace(driver, supply=supply)


def _supply_lead(driver: Circuit, ohm: float) -> Circuit:
    supply = replace(driver.supply, resistance_ohm=driver.supply.resistance_ohm + ohm)
    return replace(driver, supply=supply)


def _extra_lamp(driver: Circuit, coupling: float) -> Circuit:
    """Before the probe, so that every receiver keeps its place from its end of the list."""
    *lamps, probe = driver.receivers
    room = 1 - sum(r.count * r.coupling**2 for r in driver.receivers)
    coupling = min(coupling, math.sqrt(room / 2))
    extra = replace(lamps[0], name="extra lamp", count=1, coupling=coupling, distance_m=0.0)
    return replace(driver, receivers=(*lamps, extra, probe))


def _lamps_at(driver: Circuit, distance_m: float) -> Circuit:
    """Couplings as the field on the coil's axis, relative to where each receiver was.

    Receivers whose distance is not known stay. Where all together would take more than the coil
    has, each takes less, down to 98 % of it.
    """
    coil = driver.coil
    turns = solenoid(coil.diameter_m, coil.turns, coil.pitch_m)

    def field(distance: float) -> float:
        return float(field_t(turns, 1.0, 0.0, distance)[1])

    moved = [
        replace(r, coupling=r.coupling * field(distance_m) / field(r.distance_m))
        if r.distance_m
        else r
        for r in driver.receivers
    ]
    factor = min(1.0, math.sqrt(0.98 / sum(r.count * r.coupling**2 for r in moved)))
    placed = (replace(r, coupling=r.coupling * factor) for r in moved)
    return replace(driver, receivers=tuple(placed))


_ALTER: dict[str, Callable[[Circuit, float], Circuit]] = {
    "coil-open": _coil_open,
    "turns-shorted": _turns_shorted,
    "metal": _metal,
    "tank-drift": _tank_drift,
    "lamp-drift": _lamp_drift,
    "probe-drift": _probe_drift,
    "supply-sag": lambda driver, share: _supply(driver, 1 - share),
    "supply-over": lambda driver, share: _supply(driver, 1 + share),
    "supply-lead": _supply_lead,
    "extra-lamp": _extra_lamp,
    "lamps-at": _lamps_at,
}
