"""Circuits that the tests of the solver share, and the points at which ngspice was asked."""

from __future__ import annotations

import math
from dataclasses import replace

from coilwright.circuit.driver import Circuit, Coil, Diode, Loop, Receiver, Supply, Switch
from coilwright.circuit.led import LEDS

LED = Diode(saturation_a=1.2e-18, emission=2.0, resistance_ohm=10.0)
BODY = Diode(saturation_a=1e-12, emission=1.05, resistance_ohm=0.01)
SWITCH = Switch(0.03, 400e-12, BODY)
SUPPLY = Supply(9.0, 0.25, 47e-6)
COIL = Coil(9.6e-6, 0.28)


def lamps(coupling: float = 0.006, count: int = 8, led: Diode | None = LED) -> Receiver:
    """Buoy lamps of the harbour."""
    return Receiver("lamps", 1.5e-3, 9.0, 620e-12, coupling, count, led)


PROBE = Receiver("probe", 1.5e-3, 9.0, 620e-12, 0.002, 1, None, 100e3)


def harbour(loop_h: float = 80e-9, damping_ohm: float = 50.0) -> Circuit:
    """The harbour build: eight lamps and the pickup probe."""
    return Circuit(SUPPLY, COIL, 82e-9, Loop(loop_h, damping_ohm), SWITCH, (lamps(), PROBE))


def single(loop_h: float = 50e-9, damping_ohm: float = 50.0, switch: Switch = SWITCH) -> Circuit:
    """One lamp at a coupling of 0.004 and nothing else."""
    return Circuit(SUPPLY, COIL, 82e-9, Loop(loop_h, damping_ohm), switch, (lamps(0.004, 1),))


def high_q() -> Circuit:
    """Two receivers without load, Q = 100 at 165 kHz, on a loop of 120 nH; tuned apart by 2 %."""
    ohm = 2 * math.pi * 165e3 * 1.5e-3 / 100
    one = Receiver("one", 1.5e-3, ohm, 620e-12, 0.006)
    two = Receiver("two", 1.5e-3, ohm, 595e-12, 0.004)
    return Circuit(SUPPLY, COIL, 82e-9, Loop(120e-9, 50.0), SWITCH, (one, two))


def bright() -> Circuit:
    """A near lamp driven far into its clamping, a far one, and a drain that breaks down at 60 V."""
    held = Switch(0.05, 600e-12, BODY, breakdown_v=60.0)
    far = Receiver("far", 1.0e-3, 7.0, 900e-12, 0.005, 1, LED)
    return Circuit(SUPPLY, COIL, 82e-9, Loop(100e-9, 40.0), held, (lamps(0.03, 1), far))


def charged(capacitor_f: float, led: Diode, coupling: float = 0.004) -> Circuit:
    """One lamp with little else to its capacitor than its LEDs' junctions."""
    lamp = Receiver("lamps", 1.5e-3, 9.0, capacitor_f, coupling, 1, led)
    return replace(single(), receivers=(lamp,))


BUILDS = {
    "harbour": harbour(),
    "single-50nH": single(50e-9),
    "single-150nH": single(150e-9),
    "single-no-loop": single(0.0, math.inf),
    "single-clamped": single(80e-9, 50.0, Switch(0.03, 400e-12, BODY, breakdown_v=60.0)),
    "harbour-map": harbour(),
    "stray": single(150e-9),
    "high-q": high_q(),
    "bright": bright(),
    "light-damping": single(60e-9, 400.0),
    "undamped": single(50e-9, math.inf),
    "barely-damped": single(80e-9, 2000.0),
    # LEDs with charge: usual ones, some whose charge bends most (VJ far below the forward voltage;
    # ngspice takes none above 2 V), a lamp of high voltage, and one driven hard.
    "led-30pF": charged(560e-12, replace(LED, capacitance_f=30e-12, potential_v=1.9)),
    "led-50pF-bent": charged(510e-12, replace(LED, capacitance_f=50e-12, potential_v=1.2)),
    "led-100pF-blue": charged(390e-12, replace(LEDS["blue"].diode, potential_v=2.0)),
    "led-30pF-hard": charged(560e-12, replace(LED, capacitance_f=30e-12, potential_v=1.9), 0.03),
}


def grid(khz: tuple[int, ...], duties: tuple[float, ...]) -> list[tuple[float, float]]:
    """Every duty at every frequency."""
    return [(1e3 * frequency, duty) for frequency in khz for duty in duties]


POINTS: dict[str, list[tuple[float, float]]] = {
    "harbour": [
        (140e3, 0.4),
        (145e3, 0.2),
        (150e3, 0.3),
        (155e3, 0.4),
        (160e3, 0.1),
        (165e3, 0.02),
        (165e3, 0.1),
        (165e3, 0.2),
        (165e3, 0.4),
        (165e3, 0.5),
        (179e3, 0.3),
        (200e3, 0.2),
        (230e3, 0.4),
    ],
    "single-50nH": [(165e3, duty) for duty in (0.5, 0.4, 0.3, 0.2, 0.1, 0.02, 0.01)],
    "single-150nH": [(165e3, 0.02), (165e3, 0.1), (150e3, 0.3), (185e3, 0.4)],
    "single-no-loop": [(150e3, 0.4), (165e3, 0.4), (165e3, 0.05)],
    "single-clamped": [(165e3, 0.02), (160e3, 0.5)],
    # Maps of 60 points each. Above 175 kHz the switch closes on a charged drain (hard switching);
    # below 155 kHz and at large duty the body diode conducts before turn-on.
    "harbour-map": grid(
        (140, 148, 155, 162, 168, 173, 180, 195, 215, 235), (0.05, 0.15, 0.25, 0.35, 0.42, 0.5)
    ),
    "stray": grid(
        (145, 155, 162, 166, 172, 185), (0.01, 0.015, 0.02, 0.03, 0.04, 0.06, 0.1, 0.2, 0.3, 0.45)
    ),
    "high-q": grid(
        (150, 160, 163, 164, 165, 166, 167, 168, 170, 190), (0.03, 0.1, 0.2, 0.3, 0.4, 0.5)
    ),
    "bright": grid(
        (140, 150, 158, 163, 167, 172, 180, 190, 200, 225), (0.02, 0.08, 0.2, 0.3, 0.4, 0.5)
    ),
    "light-damping": grid(
        (142, 150, 156, 161, 165, 169, 174, 182, 195, 220), (0.02, 0.07, 0.15, 0.25, 0.35, 0.45)
    ),
    # Loops that ring on until the switch closes.
    "undamped": grid((155, 165, 175), (0.05, 0.2, 0.4)),
    "barely-damped": grid((150, 165, 180), (0.03, 0.2)),
    # Over the lamp's own resonance of 165 kHz, and beyond it.
    "led-30pF": grid((150, 160, 165, 170, 180), (0.1, 0.3)),
    "led-50pF-bent": grid((150, 160, 165, 170, 180), (0.1, 0.3)),
    "led-100pF-blue": grid((150, 160, 165, 170, 180), (0.1, 0.3)),
    "led-30pF-hard": grid((150, 160, 165, 170, 180), (0.1, 0.3)),
}
