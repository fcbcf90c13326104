"""Gate drive, switching loss and heat of a MOSFET from its data sheet's figures.

Pure functions of SI values (temperatures in °C). The formulas are textbook estimates: upper bounds
for the overlap of voltage and current, the square-law line for a gate that is driven too weakly.
"""

from __future__ import annotations

import math


def gate_time_s(charge_c: float, current_a: float) -> float:
    """Time in which a driver moves the gate charge: t = Qg / Ig."""
    return charge_c / current_a


def gate_current_a(charge_c: float, frequency_hz: float) -> float:
    """Mean current that charging the gate once a period draws: Qg · f.

    100 nC every microsecond are 100 mA (Texas Instruments, TPSI3050 data sheet, table 9-1).
    """
    return charge_c * frequency_hz


def gate_power_w(charge_c: float, drive_v: float, frequency_hz: float) -> float:
    """Power of the gate drive: Qg · V · f (Texas Instruments SLVAED3A, equation 4)."""
    return charge_c * drive_v * frequency_hz


def overlap_loss_w(voltage_v: float, current_a: float, time_s: float, frequency_hz: float) -> float:
    """Loss while voltage and current cross within `time_s`, both in straight lines: V·I·t·f/2."""
    return 0.5 * voltage_v * current_a * time_s * frequency_hz


def output_capacitance_loss_w(capacitance_f: float, turn_on_v: float, frequency_hz: float) -> float:
    """Loss of emptying the output capacitance at turn-on: C · V² · f / 2.

    `turn_on_v` is the drain voltage just before turn-on: at zero-voltage switching nothing is
    left to lose. A drain below zero rests on its body diode, whose loss is counted elsewhere.
    """
    return 0.5 * capacitance_f * max(turn_on_v, 0.0) ** 2 * frequency_hz


def average_capacitance_f(capacitance_f: float, given_at_v: float, used_at_v: float) -> float:
    """Mean of a junction capacitance up to `used_at_v`, given at one voltage: 2 C sqrt(Vg/Vu).

    For a capacitance that falls with the root of the voltage (Texas Instruments SLUA618).
    """
    return 2 * capacitance_f * math.sqrt(given_at_v / used_at_v)


def on_resistance_factor(drive_v: float, threshold_v: float, rated_at_v: float) -> float:
    """On-resistance at `drive_v` over that at `rated_at_v`; 1 at or above it, `inf` if not on.

    In its linear region a MOSFET conducts in proportion to the gate voltage above its threshold
    (square law, textbook), hence (Vr − Vth) / (Vd − Vth): an estimate, not a data sheet's promise.
    """
    if drive_v >= rated_at_v:
        return 1.0
    if drive_v <= threshold_v:
        return math.inf
    return (rated_at_v - threshold_v) / (drive_v - threshold_v)


def junction_c(
    ambient_c: float,
    thermal_resistance_k_per_w: float,
    conduction_w: float,
    other_w: float,
    rise_per_k: float,
) -> float:
    """Junction temperature in °C at which heat made and heat carried away are equal.

    The conduction loss, given for 25 °C, grows by the share `rise_per_k` a kelvin with the
    on-resistance; `other_w` does not. `inf` where no such temperature exists (thermal runaway).
    """
    slope = thermal_resistance_k_per_w * conduction_w * rise_per_k
    if slope >= 1:
        return math.inf
    cold = conduction_w * (1 + rise_per_k * (ambient_c - 25.0)) + other_w
    return ambient_c + thermal_resistance_k_per_w * cold / (1 - slope)
