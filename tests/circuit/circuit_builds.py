"""Circuits that the tests of the solver share, and the points at which ngspice was asked."""

from __future__ import annotations

import math

from coilwright.circuit.driver import Coil, Diode, Driver, Loop, Receiver, Supply, Switch

LED = Diode(saturation_a=1.2e-18, emission=2.0, resistance_ohm=10.0)
BODY = Diode(saturation_a=1e-12, emission=1.05, resistance_ohm=0.01)
SWITCH = Switch(0.03, 400e-12, BODY)
SUPPLY = Supply(9.0, 0.25, 47e-6)
COIL = Coil(9.6e-6, 0.28)


def lamps(coupling: float = 0.006, count: int = 8, led: Diode | None = LED) -> Receiver:
    """Buoy lamps of the harbour."""
    return Receiver("lamps", 1.5e-3, 9.0, 620e-12, coupling, count, led)


PROBE = Receiver("probe", 1.5e-3, 9.0, 620e-12, 0.002, 1, None, 100e3)


def harbour(loop_h: float = 80e-9, damping_ohm: float = 50.0) -> Driver:
    """The harbour build: eight lamps and the pickup probe."""
    return Driver(SUPPLY, COIL, 82e-9, Loop(loop_h, damping_ohm), SWITCH, (lamps(), PROBE))


def single(loop_h: float = 50e-9, damping_ohm: float = 50.0, switch: Switch = SWITCH) -> Driver:
    """One lamp at a coupling of 0.004 and nothing else."""
    return Driver(SUPPLY, COIL, 82e-9, Loop(loop_h, damping_ohm), switch, (lamps(0.004, 1),))


BUILDS = {
    "harbour": harbour(),
    "single-50nH": single(50e-9),
    "single-150nH": single(150e-9),
    "single-no-loop": single(0.0, math.inf),
    "single-clamped": single(80e-9, 50.0, Switch(0.03, 400e-12, BODY, breakdown_v=60.0)),
}
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
}
