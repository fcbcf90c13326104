"""A bench for the tests of tuning: a plain phasor model behind each chip's own grid.

It is not the project's circuit model, so that the tuning is tested against something else: a
coil driven by a pulsed supply (fundamental only), tuned lamps whose LEDs clamp, a probe, and
light in proportion to the LED current. The chips' rules are those of MicroPython's ports,
`ports/esp32/machine_pwm.c` and `ports/rp2/machine_pwm.c`, v1.26 to v1.29-preview.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from coilwright.point import Flag, Point, Setpoint


def esp32(frequency_hz: int, duty: float) -> tuple[float, float]:
    """Achieved frequency and duty of LEDC on an 80 MHz clock."""
    clock = 80_000_000
    n = (clock + frequency_hz // 2) // frequency_hz
    res = min(int(math.log2(n)), 20)
    divider = ((clock << 8) + frequency_hz * 2**res // 2) // (frequency_hz * 2**res)
    if not 256 <= divider <= 0x3FFFF:
        res = min(int(math.log2(clock // frequency_hz)), 20)
        divider = ((clock << 8) + frequency_hz * 2**res // 2) // (frequency_hz * 2**res)
    res = min(res, 16)
    u16 = min(65535, int(duty * 65535 + 0.5))
    return clock * 256 / (2**res * divider), (u16 >> (16 - res)) / 2**res


def rp2(frequency_hz: int, duty: float) -> tuple[float, float]:
    """Achieved frequency and duty of a slice on a 125 MHz clock."""
    clock = 125_000_000
    top = (clock + frequency_hz // 2) // frequency_hz - 1
    u16 = min(65535, int(duty * 65535 + 0.5))
    return clock / (top + 1), ((u16 * (top + 1) + 32767) // 65535) / (top + 1)


SETTLE_S, CONVERSION_S = 0.008, 0.2e-3
"""Settling of a point, and a conversion of all three channels: 6.4 ms for a reading of 32."""

CHIPS: dict[str, Callable[[int, float], tuple[float, float]]] = {"esp32": esp32, "rp2": rp2}


@dataclass
class PhasorBench:
    """A driver with lamps and a probe; `measure` is a `Measure`. SI units.

    With `probe_tuned` false the probe is a bare loop: it shows the coil current and no peak. With
    `harmonics` above 1 the receivers are excited by those of a rectangular pulse as well, of height
    sin(pi n D)/n (its Fourier series, handbook), each in its own way: their squares add up. `room`
    is what the room's light adds to the light sensor at times in s.
    """

    chip: str = "esp32"
    seed: int = 1
    probe_hz: float = 165e3
    probe_q: float = 46.0
    probe_tuned: bool = True
    probe_gain: float = 0.1
    probe_range_v: float = 2.45
    lamp_hz: float = 165.036e3
    lamp_q: float = 30.0
    absorption: float = 0.25
    noise_v: float = 4e-3
    supply_noise_a: float = 2e-3
    light_noise_v: float = 3e-3
    dark_v: float = 0.05
    threshold_a: float = 0.35
    hard_below: float = 0.0
    averages: int = 32
    wild: float = 0.0
    harmonics: int = 1
    room: Callable[[np.ndarray], np.ndarray] = np.zeros_like
    points: int = 0
    time_s: float = 0.0
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)

    def coil_a(self, f: float, duty: float) -> float:
        """Fundamental of the coil current: falls with the frequency, dips where lamps absorb."""
        u = self.lamp_q * (f / self.lamp_hz - self.lamp_hz / f)
        drive = math.sin(math.pi * duty) * 165e3 / f
        return drive * abs(1 - self.absorption / (1 + 1j * u))

    def pickup_v(self, f: float, duty: float) -> float:
        """Voltage behind the divider."""
        if not self.probe_tuned:
            return self.probe_gain * self.coil_a(f, duty)
        return self.over_harmonics(self.pickup_of, f, duty)

    def over_harmonics(
        self, response: Callable[[float, float], float], f: float, duty: float
    ) -> float:
        """A receiver's response to all harmonics; those of duty D are at n f with sin(pi n D)/n."""
        rows = [response(f, duty)]
        for n in range(2, self.harmonics + 1):
            strength = abs(math.sin(math.pi * n * duty)) / n
            rows.append(response(n * f, math.asin(strength) / math.pi))
        return math.hypot(*rows)

    def pickup_of(self, f: float, duty: float) -> float:
        """Voltage behind the divider by the fundamental alone."""
        u = self.probe_q * (f / self.probe_hz - self.probe_hz / f)
        gain = self.probe_gain * self.probe_q * (f / self.probe_hz)
        return gain * self.coil_a(f, duty) / math.sqrt(1 + u * u)

    def lamp_a(self, f: float, duty: float) -> float:
        """What the lamps get, in the unit of the threshold."""
        hard = 1.0 if duty < self.hard_below else 0.0
        return self.over_harmonics(self.lamp_of, f, duty) + hard * (duty > 0)

    def lamp_of(self, f: float, duty: float) -> float:
        """The same by the fundamental alone."""
        u = self.lamp_q * (f / self.lamp_hz - self.lamp_hz / f)
        return self.coil_a(f, duty) / math.sqrt(1 + u * u)

    def supply_a(self, f: float, duty: float) -> float:
        """Mean supply current."""
        u = self.lamp_q * (f / self.lamp_hz - self.lamp_hz / f)
        hard = 0.4 if duty < self.hard_below else 0.0
        return 0.02 + duty * (0.8 + 0.4 / (1 + u * u)) + hard

    def light_v(self, f: float, duty: float) -> float:
        """Light sensor's voltage above dark: nothing below the LEDs' threshold."""
        return 2.0 * max(0.0, self.lamp_a(f, duty) - self.threshold_a)

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """Measure in order, with noise."""
        return [self._point(s) for s in setpoints]

    def measure_long(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """The same with readings that last 50 ms."""
        before, self.averages = self.averages, round(0.05 / CONVERSION_S)
        found = self.measure(setpoints)
        self.averages = before
        return found

    def rest(self) -> Point:
        """A point with the output off."""
        return self._read(Setpoint(165_000, 0.0), 165e3, 0.0, Flag.OUTPUT_OFF)

    def _point(self, s: Setpoint) -> Point:
        f, duty = CHIPS[self.chip](s.frequency_hz, s.duty)
        return self._read(s, f, duty, Flag.NONE)

    def _read(self, s: Setpoint, f: float, duty: float, flags: Flag) -> Point:
        probe, probe_sd = self._sample(self.pickup_v(f, duty), self.noise_v)
        if self.rng.random() < self.wild:
            probe += self.rng.choice([-1.0, 1.0]) * 0.3
        if probe >= self.probe_range_v:
            probe, flags = self.probe_range_v, flags | Flag.PROBE_OVER
        times = self.time_s + SETTLE_S + CONVERSION_S * np.arange(self.averages)
        self.time_s += SETTLE_S + CONVERSION_S * self.averages
        seen_v = self.dark_v + self.light_v(f, duty) + self.room(times)
        light, light_sd = self._sample(seen_v, self.light_noise_v)
        lit = self.supply_a(f, duty) if duty else 0.0
        supply, supply_sd = self._sample(lit, self.supply_noise_a)
        self.points += 1
        return Point(
            index=self.points - 1, time_s=self.time_s,
            requested_frequency_hz=s.frequency_hz, requested_duty=s.duty,
            frequency_hz=f, duty=duty, supply_a=supply, probe_v=probe, light_v=light,
            supply_sd_a=supply_sd, probe_sd_v=probe_sd, light_sd_v=light_sd,
            averages=self.averages, flags=flags,
        )  # fmt: skip

    def _sample(self, value: float | np.ndarray, noise: float) -> tuple[float, float]:
        readings = value + noise * self.rng.standard_normal(self.averages)
        return float(readings.mean()), float(readings.std(ddof=1))
