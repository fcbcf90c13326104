"""One driver and its receivers as plain values: what the solver is given.

The circuit: a supply behind its source resistance feeds node `vcc`, which a decoupling capacitor
holds; coil and tank capacitor lie in parallel between `vcc` and node `n`; the stray inductance of
the switched loop leads from `n` to the drain; the MOSFET switches the drain to ground. Receivers
couple to the coil. All values are SI; impossible ones raise `ValueError` naming field and value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from coilwright.circuit.junction import pair_capacitance_f

JUNCTION_K = 300.15
"""Temperature of every junction (27 °C, the usual default of circuit simulators)."""

THERMAL_V = 1.380649e-23 * JUNCTION_K / 1.602176634e-19
"""Thermal voltage kT/q at `JUNCTION_K`, from the exact SI constants (about 25.9 mV)."""

BREAKDOWN_A = 250e-6
"""Current at which a drain is said to break down (common condition of MOSFET data sheets)."""

SWING_A = 1e-3
"""Current whose forward voltage is the swing for which the capacitance of a lit LED pair is taken
(ten times more or less moves the swing by 0.12 V)."""


def _positive(part: object, *names: str) -> None:
    for name in names:
        value = getattr(part, name)
        if not 0 < value < math.inf:
            raise ValueError(f"{type(part).__name__} {name} is {value}; it must be above zero")


def _not_negative(part: object, *names: str) -> None:
    for name in names:
        value = getattr(part, name)
        if not 0 <= value < math.inf:
            raise ValueError(f"{type(part).__name__} {name} is {value}; it must not be negative")


def _resistive(part: object, name: str) -> None:
    value = getattr(part, name)
    if not value > 0:
        raise ValueError(f"{type(part).__name__} {name} is {value}; use inf where there is none")


@dataclass(frozen=True, slots=True)
class Supply:
    """Source voltage, source resistance (leads included) and decoupling capacitor."""

    voltage_v: float
    resistance_ohm: float
    capacitance_f: float

    def __post_init__(self) -> None:
        _not_negative(self, "voltage_v")
        _positive(self, "resistance_ohm", "capacitance_f")


@dataclass(frozen=True, slots=True)
class Coil:
    """Driver coil: inductance in series with its resistance at the working frequency.

    `diameter_m`, `turns` and `pitch_m` of its single layer say how couplings change with distance;
    0 where its shape is not known.
    """

    inductance_h: float
    resistance_ohm: float
    diameter_m: float = 0.0
    turns: int = 0
    pitch_m: float = 0.0

    def __post_init__(self) -> None:
        _positive(self, "inductance_h")
        _not_negative(self, "resistance_ohm", "diameter_m", "turns", "pitch_m")


@dataclass(frozen=True, slots=True)
class Loop:
    """Stray inductance of the switched loop (0 allowed), with the resistor that damps it.

    `damping_ohm` lies in parallel with the inductance; `math.inf` for none.
    """

    inductance_h: float
    damping_ohm: float = math.inf

    def __post_init__(self) -> None:
        _not_negative(self, "inductance_h")
        _resistive(self, "damping_ohm")


@dataclass(frozen=True, slots=True)
class Diode:
    """Junction after Shockley with a resistance in series, at `JUNCTION_K`.

    v = emission · kT/q · ln(i / saturation + 1) + i · resistance. `capacitance_f` at 0 V,
    `potential_v` and `grading` say how much charge the junction takes (`junction`); a MOSFET's
    body diode has none, since its output capacitance holds it.
    """

    saturation_a: float
    emission: float
    resistance_ohm: float
    capacitance_f: float = 0.0
    potential_v: float = 1.0
    grading: float = 0.5

    def __post_init__(self) -> None:
        _positive(self, "saturation_a", "emission", "potential_v")
        _not_negative(self, "resistance_ohm", "capacitance_f")
        if not 0 < self.grading < 1:
            raise ValueError(f"Diode grading is {self.grading}; it must lie between 0 and 1")

    def forward_v(self, current_a: float, thermal_v: float = THERMAL_V) -> float:
        """Voltage across it at a current: n kT/q ln(I / Is + 1) + I R."""
        junction = self.emission * thermal_v * math.log1p(current_a / self.saturation_a)
        return junction + current_a * self.resistance_ohm

    @property
    def pair_f(self) -> float:
        """Capacitance of an antiparallel pair of these, swinging to their forward voltage."""
        return _pair_f(self)


@lru_cache(maxsize=256)
def _pair_f(diode: Diode) -> float:
    swing_v = diode.forward_v(SWING_A)
    return pair_capacitance_f(swing_v, diode.capacitance_f, diode.potential_v, diode.grading)


@dataclass(frozen=True, slots=True)
class Switch:
    """MOSFET with ideal gate timing: on-resistance, output capacitance, body diode.

    `breakdown_v` is the drain voltage at `BREAKDOWN_A`; above it the drain clamps with the slope
    of the body diode. None where the drain never breaks down.
    """

    on_resistance_ohm: float
    output_capacitance_f: float
    body_diode: Diode
    breakdown_v: float | None = None

    def __post_init__(self) -> None:
        _positive(self, "on_resistance_ohm", "output_capacitance_f")
        if self.breakdown_v is not None:
            _positive(self, "breakdown_v")


@dataclass(frozen=True, slots=True)
class Receiver:
    """`count` equal receivers at equal coupling, each a tuned inductor with its load.

    Across the capacitor lie an antiparallel pair of `led`, a resistor `load_ohm`, both or neither.
    Equal receivers carry equal currents, so they act exactly as one at `coupling · sqrt(count)`;
    the mutual inductance between receivers is neglected. A lamp is lit when the mean current of
    the brighter of its LEDs is at least `lit_a`. `distance_m` is where the coupling holds, from
    middle to middle on the coil's axis; 0 where it is not known.
    """

    name: str
    inductance_h: float
    resistance_ohm: float
    capacitance_f: float
    coupling: float
    count: int = 1
    led: Diode | None = None
    load_ohm: float = math.inf
    lit_a: float = 1e-4
    distance_m: float = 0.0

    def __post_init__(self) -> None:
        _positive(self, "inductance_h", "capacitance_f")
        _not_negative(self, "distance_m")
        _not_negative(self, "resistance_ohm", "lit_a")
        _resistive(self, "load_ohm")
        if not 0 <= abs(self.coupling) < 1:
            raise ValueError(f"Receiver coupling is {self.coupling}; it must lie within -1 to 1")
        if self.count < 1:
            raise ValueError(f"Receiver count is {self.count}; it must be at least 1")

    @property
    def tuned_f(self) -> float:
        """What its inductor is tuned with: the capacitor and, across it, the LEDs' own."""
        return self.capacitance_f + (self.led.pair_f if self.led is not None else 0.0)

    def unlit(self) -> Receiver:
        """One such receiver without LEDs, in tune as with them."""
        return replace(self, count=1, led=None, capacitance_f=self.tuned_f)


@dataclass(frozen=True, slots=True)
class Circuit:
    """A whole driver: supply, coil, tank capacitor, loop, switch and all its receivers."""

    supply: Supply
    coil: Coil
    tank_capacitance_f: float
    loop: Loop
    switch: Switch
    receivers: tuple[Receiver, ...] = ()

    def __post_init__(self) -> None:
        _positive(self, "tank_capacitance_f")
        shared = sum(receiver.count * receiver.coupling**2 for receiver in self.receivers)
        if shared >= 1:
            raise ValueError(
                f"Driver receivers share {shared:.3g} of the coil's field; "
                "the sum of count times coupling squared must stay below 1"
            )
