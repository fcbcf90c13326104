"""A bench without a serial line: the solved circuit behind a chip's counts and its converters.

It measures as the driver does: duty and frequency become counts of the chip (`bench.pwm`), the
circuit is solved there, and every reading is a mean of noisy, rounded conversions with the offset
and gain errors that the build's seed draws. What the sensors would see without noise is kept, so
that a whole tune takes seconds and the truth can be asked for afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from coilwright.bench.board import Errors
from coilwright.bench.chips import CHIPS, Gate
from coilwright.bench.pwm import timer_counts
from coilwright.build import Build
from coilwright.circuit.steady_state import solve
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune import TuneOptions
from coilwright.tune.run import LONG_S

MILLION = 1_000_000
CHANNELS, SETTLE_S = 3, 0.008
"""Channels converted in turn, and the driver's settling time if nothing else is said."""
STEP_V = {"esp32": 1e-3, "rp2": 3.3 / 4096}
"""Step of a reading: `read_uv` of an ESP32 answers whole millivolts, an RP2 has 12 bits."""


@dataclass(frozen=True)
class Truth:
    """What the sensors are exposed to, arrays of one length: A, V, and V over dark."""

    supply_a: np.ndarray
    probe_v: np.ndarray
    light_v: np.ndarray


class PlantBench:
    """A driver to tune; `measure` is a `Measure`.

    Args:
        build: Values as built.
        seed: Of the sensors' errors and their noise.
        cap: Duty cap of the driver.
        known: Solutions to begin with, by (frequency, duty).
        room: What the room's light adds to the light sensor's voltage at a time in s, V.
    """

    def __init__(
        self,
        build: Build,
        seed: int,
        *,
        averages: int = 32,
        cap: float = 0.5,
        known: dict[tuple[float, float], tuple[float, float, float]] | None = None,
        room: Callable[[np.ndarray], np.ndarray] | None = None,
    ) -> None:
        self.room, self.time_s = room, 0.0
        self.build, self.chip = build, CHIPS[build.bench.chip]
        self.averages, self.cap = averages, cap
        self.known = {} if known is None else known
        self.index = self.batches = 0
        self._rng = np.random.default_rng([seed, 7])
        pins = {"supply": build.bench.supply.pin, "probe": build.probe.pin,
                "light": build.bench.light.pin}  # fmt: skip
        self._errors = {name: Errors(seed, name, pin) for name, pin in pins.items()}
        self._noise = {name: pin.noise_v for name, pin in pins.items()}

    # What the chip makes of a request ---------------------------------------------------------

    def achieved(self, setpoint: Setpoint) -> tuple[float, float]:
        """Frequency and duty that the firmware and the port set for a request."""
        gate = self.gate(setpoint.frequency_hz, setpoint.duty)
        return gate.frequency_hz(self.chip), gate.duty(self.chip)

    def gate(self, frequency_hz: int, duty: float) -> Gate:
        """The counts: nearest duty that does not exceed the cap, as `firmware/drive.py` has it."""
        period, scale = timer_counts(self.chip, frequency_hz)
        span = (1 << scale) if self.chip.family == "esp32" else period
        ppm, cap = round(duty * MILLION), round(self.cap * MILLION)
        counts = min((min(ppm, cap) * span + 500_000) // MILLION, cap * span // MILLION)
        return Gate(period, scale, counts)

    def frequencies(self, low_hz: float, high_hz: float) -> np.ndarray:
        """All frequencies the chip can set between two, rising."""
        asked = range(round(low_hz), round(high_hz) + 1, 10)
        gates = {self.gate(f, 0.2) for f in asked}
        found = {g.frequency_hz(self.chip) for g in gates}
        return np.array(sorted(f for f in found if low_hz <= f <= high_hz))

    def duties(self, frequency_hz: float, low: float, high: float) -> np.ndarray:
        """All duties the chip can set at a frequency between two, rising."""
        gate = self.gate(round(frequency_hz), 0.2)
        span = (1 << gate.scale) if self.chip.family == "esp32" else gate.period
        every = np.arange(span + 1) / span
        return every[(every >= low) & (every <= high)]

    # The plant --------------------------------------------------------------------------------

    def truth(self, frequency_hz: Sequence[float], duty: Sequence[float]) -> Truth:
        """The plant without errors and noise; the light with its sensor's gain error."""
        keys = list(zip(map(float, frequency_hz), map(float, duty), strict=True))
        self.known.update({key: (0.0, 0.0, 0.0) for key in keys if key[1] == 0})
        missing = [key for key in dict.fromkeys(keys) if key not in self.known]
        if missing:
            self._solve(missing)
        rows = np.array([self.known[key] for key in keys]).reshape(-1, 3)
        light = rows[:, 2] * self._errors["light"].gain
        return Truth(rows[:, 0], rows[:, 1], light)

    def _solve(self, keys: list[tuple[float, float]]) -> None:
        places = np.array(keys)
        found = solve(self.build.bench_driver, places[:, 0], places[:, 1])
        peaks, ohm = found.receiver_peak_v[:, -1], self.build.bench.light.transimpedance_ohm
        light = found.led_a[:, self.build.light_index, :].mean(axis=1) * ohm
        bias = self.build.probe.pin.bias_v
        columns = np.stack([found.supply_a, peaks, light], axis=1)
        for key, (supply, peak, lamp) in zip(keys, columns, strict=True):
            if not np.isfinite(supply):
                supply, peak, lamp = self._near(key)
                self.known[key] = (supply, peak, lamp)
                continue
            volts = self.build.probe.pin_v(float(peak)) - bias
            self.known[key] = (float(supply), volts, float(lamp))

    def _near(self, key: tuple[float, float]) -> tuple[float, float, float]:
        """Values of the nearest solved point, for one that the solver cannot settle."""
        if not self.known:
            return 0.0, 0.0, 0.0
        near = min(self.known, key=lambda k: abs(np.log(k[0] / key[0])) + abs(k[1] - key[1]))
        return self.known[near]

    # Measuring --------------------------------------------------------------------------------

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`."""
        self.batches += 1
        places = [self.achieved(s) for s in setpoints]
        seen = self.truth([f for f, _ in places], [d for _, d in places])
        rows = zip(setpoints, places, seen.supply_a, seen.probe_v, seen.light_v, strict=True)
        return [self._point(s, at, a, v, light, self._flags(s)) for s, at, a, v, light in rows]

    def measure_long(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """The same with readings that last `LONG_S`."""
        before = self.averages
        self.averages = math.ceil(LONG_S / (CHANNELS * self.chip.conversion_us * 1e-6))
        try:
            return self.measure(setpoints)
        finally:
            self.averages = before

    def rest(self) -> Point:
        """The reading with the output off."""
        here = Setpoint(165_000, 0.0)
        return self._point(here, (165e3, 0.0), 0.0, 0.0, 0.0, Flag.OUTPUT_OFF)

    def _flags(self, s: Setpoint) -> Flag:
        return Flag.DUTY_LIMITED if s.duty > self.cap + 1e-9 else Flag.NONE

    def _point(
        self, s: Setpoint, at: tuple[float, float], supply_a: float, probe_v: float,
        light_v: float, flags: Flag,
    ) -> Point:  # fmt: skip
        gain = self.build.bench.supply.gain_a_per_v
        # The driver takes its supply sensor's zero before a tune, so its offset is gone.
        supply, supply_sd, over = self._convert("supply", supply_a / gain, 0.0)
        flags |= Flag.SUPPLY_OVER if over else Flag.NONE
        probe, probe_sd, over = self._convert("probe", probe_v, None)
        flags |= Flag.PROBE_OVER if over else Flag.NONE
        # `truth` has the light sensor's gain error already.
        room = self._room()
        light, light_sd, over = self._convert(
            "light", light_v / self._errors["light"].gain + room, None
        )
        flags |= Flag.LIGHT_OVER if over else Flag.NONE
        self.index += 1
        # The driver tells whole millihertz and millionths, cut.
        told = math.floor(at[0] * 1e3) / 1e3, math.floor(at[1] * MILLION) / MILLION
        return Point(
            self.index - 1, self.time_s, s.frequency_hz, s.duty, *told,
            supply * gain, probe, light, supply_sd * gain, probe_sd, light_sd,
            self.averages, flags,
        )  # fmt: skip

    def _room(self) -> np.ndarray:
        """The room's light at the conversions of a point, behind its settling; time goes on."""
        each = CHANNELS * self.chip.conversion_us * 1e-6
        times = self.time_s + SETTLE_S + each * np.arange(self.averages)
        self.time_s += SETTLE_S + each * self.averages
        return np.zeros(self.averages) if self.room is None else self.room(times)

    def _convert(
        self, name: str, volts: float | np.ndarray, offset_v: float | None
    ) -> tuple[float, float, bool]:
        """Mean and spread of noisy, rounded conversions over the bias; whether one clipped."""
        errors, step = self._errors[name], STEP_V[self.chip.family]
        bias = {"supply": self.build.bench.supply.pin, "probe": self.build.probe.pin,
                "light": self.build.bench.light.pin}[name].bias_v  # fmt: skip
        offset = errors.offset_v if offset_v is None else offset_v
        pin = bias + volts * errors.gain + offset
        readings = pin + self._noise[name] * self._rng.standard_normal(self.averages)
        top = self.chip.adc_full_uv * 1e-6
        steps = np.clip(np.round(readings / step) * step, 0.0, self.chip.adc_top_uv * 1e-6)
        over = bool((steps >= top - step / 2).any())
        return float(steps.mean()) - bias, float(steps.std(ddof=1)), over


def options_for(bench: PlantBench, **more: object) -> TuneOptions:
    """Options as the command line would make them: the level of light that means lit is known."""
    lamp = bench.build.driver.receivers[bench.build.light_index]
    step = STEP_V[bench.chip.family]
    given: dict[str, object] = {
        "light_rise_v": lamp.lit_a * bench.build.bench.light.transimpedance_ohm,
        "probe_step_v": step,
        "light_step_v": step,
        "supply_step_a": step * bench.build.bench.supply.gain_a_per_v,
        "most_duty": bench.cap,
        "limits_hz": (20e3, 1e6),
    }
    return TuneOptions(**{**given, **more})  # type: ignore[arg-type]
