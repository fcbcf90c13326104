"""What the sensors add to the circuit: a gain each, and an offset in each record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright import sensors as table
from coilwright.build import Analogue, Build
from coilwright.identify.observations import LIGHT, PROBE, SUPPLY, Observations

Reals = NDArray[np.float64]

LARGEST_MODEL_ERROR = (0.01, 0.01, 0.02)
"""Largest standard deviation of the model's own error as a share of the reading, by channel, and
what is taken until the readings tell it: the solver agrees with ngspice to a median of 0.3 %
(docs/solver.md); light is not quite proportional to current."""

LIGHT_GAIN = 0.5
LIGHT_OFFSET_V = 0.3
"""Spread of the light sensor's gain and dark reading: distance and room light are not known
(common practice, no source)."""

_STEP_V = table.UNKNOWN.step_v / math.sqrt(12)


@dataclass(frozen=True, slots=True)
class Sensors:
    """Standard deviations of gain (a share) and offset (in the reading's unit), by channel."""

    gain: tuple[float, float, float]
    offset: tuple[float, float, float]
    floor: tuple[float, float, float]


def sensors_of(build: Build, kind: str | None = None) -> Sensors:
    """Errors to expect of the bench's sensors; `kind` is the supply sensor, if known better.

    The build file gives their largest values, taken as uniform.
    """
    supply, probe, light = build.bench.supply, build.probe, build.bench.light
    kind = (kind or supply.kind).lower()
    if kind in table.SHUNT_SENSORS:
        ina = table.SHUNT_SENSORS[kind]
        offset_a = ina.offset_v / supply.shunt_ohm
        step_a = ina.step_v / math.sqrt(12) / supply.shunt_ohm
    else:
        per_v = supply.gain_a_per_v
        offset_a, step_a = supply.pin.offset_v * per_v, _STEP_V * per_v
    root, per_pin = math.sqrt(3), 1 / probe.divider
    return Sensors(
        gain=(_gain(supply.pin), _gain(probe.pin), math.hypot(LIGHT_GAIN, _gain(light.pin))),
        offset=(offset_a / root, probe.pin.offset_v * per_pin / root, LIGHT_OFFSET_V),
        floor=(0.3 * step_a, 0.3 * _STEP_V * per_pin, 0.3 * _STEP_V),
    )


def _gain(pin: Analogue) -> float:
    return pin.gain_error / math.sqrt(3)


def sigma(seen: Observations, sensors: Sensors, model_error: Reals) -> Reals:
    """Standard deviation of each reading (3, N): noise, converter steps, and the model's error,
    a share of the reading by channel (3,)."""
    floor = np.array(sensors.floor)[:, None]
    model = model_error[:, None] * np.abs(np.nan_to_num(seen.reading))
    return np.asarray(np.sqrt(seen.sd**2 + floor**2 + model**2))


@dataclass(frozen=True)
class Nuisance:
    """Gains and offsets as unknowns of the fit, in units of their spread.

    Attributes:
        channel: Channel of each unknown (Q,).
        record: Record of each offset, -1 for a gain (Q,).
        spread: Its standard deviation (Q,).
    """

    channel: NDArray[np.int64]
    record: NDArray[np.int64]
    spread: Reals

    def columns(self, seen: Observations, ideal: Reals) -> Reals:
        """Change of the readings with each unknown (Q, 3, N) at ideal readings (3, N)."""
        out = np.zeros((len(self.spread), *ideal.shape))
        for row, (channel, record, spread) in enumerate(
            zip(self.channel.tolist(), self.record.tolist(), self.spread.tolist(), strict=True)
        ):
            if record < 0:
                out[row, channel] = spread * ideal[channel]
            else:
                out[row, channel] = spread * (seen.record == record)
        return out

    def gain(self, unknown: Reals) -> Reals:
        """Gain of each channel (3,)."""
        gains = np.ones(3)
        for value, channel, record, spread in zip(
            unknown, self.channel, self.record, self.spread, strict=True
        ):
            if record < 0:
                gains[channel] += value * spread
        return gains

    def offset(self, unknown: Reals, seen: Observations) -> Reals:
        """Offset of each reading (3, N)."""
        out = np.zeros((3, len(seen)))
        for value, channel, record, spread in zip(
            unknown, self.channel, self.record, self.spread, strict=True
        ):
            if record >= 0:
                out[channel, seen.record == record] += value * spread
        return out


def nuisance(seen: Observations, sensors: Sensors) -> Nuisance:
    """The unknowns of the channels that are in use."""
    rows: list[tuple[int, int, float]] = []
    used = seen.used
    for channel in (SUPPLY, PROBE, LIGHT):
        if not used[channel].any():
            continue
        rows.append((channel, -1, sensors.gain[channel]))
        rows += [
            (channel, record, sensors.offset[channel])
            for record in range(len(seen.labels))
            if used[channel, seen.record == record].any()
        ]
    rows = [row for row in rows if row[2] > 0]
    return Nuisance(
        np.array([row[0] for row in rows], dtype=np.int64),
        np.array([row[1] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows]),
    )
