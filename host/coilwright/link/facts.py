"""What a driver tells about itself, as plain frozen records in SI units."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from coilwright.pwm import PwmTimer

CLOCK_WRAP_MS = 1 << 30
"""At which the driver's clock of milliseconds begins anew."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Answer to `*IDN?` (IEEE 488.2, 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True)
class Board:
    """Answer to `SYSTem:BOARd?`: chip, PWM clock, gate pin and the supply current's sensor."""

    chip: str
    pwm_clock_hz: int
    gate_pin: int
    supply_sensor: str

    @property
    def timer(self) -> PwmTimer:
        """The timer of its PWM."""
        return PwmTimer(
            "esp32" if self.chip.lower().startswith("esp32") else "rp2", self.pwm_clock_hz
        )


class DriverState(enum.Enum):
    """Answer to `OUTPut:CONDition?`."""

    OFF = "OFF"
    RAMPING = "RAMPING"
    ON = "ON"
    TRIPPED = "TRIPPED"


@dataclass(frozen=True, slots=True)
class Trip:
    """Why the driver switched itself off; `number` 0 means it did not."""

    number: int
    text: str


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """Answer to `DIAGnostic:CHECk?`: what the readings showed at rest and in a short burst.

    Attributes:
        number: 0 passed; what the others mean: docs/commands.md.
        rest_a, rest_sd_a: Supply current with the output off, and the spread of single readings.
        rise_a: What it rose by in the burst.
        rest_probe_v, noise_probe_v, burst_probe_v: Pickup.
        supply_v: Supply voltage where it is measured, else None.
        frequency_hz, duty: The burst; 0 where there was none.
    """

    number: int
    rest_a: float
    rest_sd_a: float
    rise_a: float
    rest_probe_v: float
    noise_probe_v: float
    burst_probe_v: float
    supply_v: float | None
    frequency_hz: float
    duty: float


@dataclass(frozen=True, slots=True)
class DriverMessage:
    """One entry of the driver's error queue."""

    number: int
    text: str

    def __str__(self) -> str:
        return f'{self.number}, "{self.text}"'


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds the driver keeps whatever it is asked.

    Attributes:
        low_hz, high_hz: Band the frequency never leaves.
        duty_cap: Largest duty, a fraction.
        trip_a: Mean supply current at which the driver trips.
        host_timeout_s: Output goes off when no line came for so long.
    """

    low_hz: int
    high_hz: int
    duty_cap: float
    trip_a: float
    host_timeout_s: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Offsets and gains of the sensors: value = (reading − offset) · gain.

    Attributes:
        probe_level_v: Probe voltage at which the load counts as lit; 0 where not known.
        light_level_v: Rise of the light sensor over dark at which it does; 0 where not known.
    """

    supply_offset_v: float
    supply_gain_a_per_v: float
    probe_offset_v: float
    probe_gain_v_per_v: float
    probe_level_v: float
    light_offset_v: float
    light_gain_v_per_v: float
    light_level_v: float


class TraceState(enum.Enum):
    """State of a sweep; the value is its number in a block's header."""

    IDLE = 0
    RUN = 1
    PAUSE = 2
    DONE = 3
    ABORT = 4
    TRIP = 5


@dataclass(frozen=True, slots=True)
class RingState:
    """Answer to `TRACe:STATe?`."""

    state: TraceState
    sweep: int
    first_held: int
    next: int
    total: int
