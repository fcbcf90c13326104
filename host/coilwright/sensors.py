"""The table of sensors: step, range and noise of each converter, and what gains make of them.

Of the converters: steps, ranges, offsets and noise in volts at the converter's input, which is the
shunt for an INA sensor and the pin for a board's ADC. A driver's gains turn them into the unit of
a reading. What sensor a record was made with stands in its metadata: `board.supply_sensor` names
the current's, `board.chip` the board whose ADC reads everything else, `calibration` the gains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coilwright.link.facts import Board, Calibration


@dataclass(frozen=True, slots=True)
class Converter:
    """One kind of converter.

    Attributes:
        step_v: One step.
        top_v: End of the range; `inf` where the board file has it (`adc_full_uv`).
        noise_v: Noise of a single conversion, rms, steps aside. A point's own spread is better
            where it is of many conversions.
        offset_v: Largest error at zero that a sound one is expected to have; `inf` where nothing
            is promised.
    """

    step_v: float
    top_v: float
    noise_v: float
    offset_v: float


INA219 = Converter(step_v=10e-6, top_v=0.32, noise_v=10e-6, offset_v=50e-6)
"""TI SBOS448: shunt voltage register 01h, 10 µV a count, ±320 mV at a gain of /8; offset 40 µV
(A) and 10 µV (B) typical, 100 and 50 µV maximum. Noise of one step: common practice, no source."""

INA226 = Converter(step_v=2.5e-6, top_v=32767 * 2.5e-6, noise_v=2.5e-6, offset_v=5e-6)
"""TI SBOS547: shunt voltage register 01h, 2.5 µV a count, ±81.92 mV; offset 2.5 µV typical, 10 µV
maximum. Noise of one step: common practice, no source."""

ESP32_ADC = Converter(step_v=1e-3, top_v=math.inf, noise_v=2e-3, offset_v=math.inf)
"""`read_uv` answers whole millivolts (micropython issue 8203; docs, esp32 quickref, ADC). Noise:
common practice, no source."""

RP2_ADC = Converter(3.3 / 4096, math.inf, 3.3 / 2**8.7 / math.sqrt(12), math.inf)
"""12 bits of 3.3 V, 8.7 effective ones (pico-sdk hardware/adc.h), of which the noise follows by
the definition of an effective bit (IEEE 1241: rms of noise and distortion = step / √12)."""

UNKNOWN = ESP32_ADC
"""Taken where a record does not name its sensor (no metadata, or those of a foreign program): the
coarsest step of the table, so that intervals come out too wide rather than too narrow."""

SHUNT_SENSORS = {"ina219": INA219, "ina226": INA226}


def adc_of(chip: str) -> Converter:
    """The ADC of a board by its chip, such as ESP32-S3 or RP2040; `UNKNOWN` without one."""
    if not chip:
        return UNKNOWN
    return ESP32_ADC if chip.lower().startswith("esp32") else RP2_ADC


def supply_converter(supply_sensor: str, chip: str) -> Converter:
    """What reads the supply current: an INA sensor, else a shunt amplifier on the board's ADC."""
    return SHUNT_SENSORS.get(supply_sensor.lower()) or adc_of(chip)


@dataclass(frozen=True, slots=True)
class Resolution:
    """Steps of the three readings in their own units, and the noise of one reading of the current.

    Attributes:
        probe_step_v, supply_step_a, light_step_v: Steps.
        supply_noise_a: Noise of a single conversion.
        named: Whether board and sensor were named; else `UNKNOWN` stands for what was not.
    """

    probe_step_v: float
    supply_step_a: float
    light_step_v: float
    supply_noise_a: float
    named: bool = True


def resolution(facts: Mapping[str, Any]) -> Resolution:
    """Steps from `board` and `calibration`, as a driver tells them and a record keeps them.

    Nothing in `facts` is trusted. A sensor that is not named is taken for `UNKNOWN`, a gain that
    is not given for 1.
    """
    chip, kind = _text(facts, "chip"), _text(facts, "supply_sensor")
    adc, supply = adc_of(chip), supply_converter(kind, chip)
    probe, per_v, light = (_gain(facts, name) for name in _GAINS)
    return Resolution(
        probe_step_v=adc.step_v * probe,
        supply_step_a=supply.step_v * per_v,
        light_step_v=adc.step_v * light,
        supply_noise_a=supply.noise_v * per_v,
        named=bool(chip and kind),
    )


def resolution_of(board: Board, calibration: Calibration) -> Resolution:
    """The same of a driver that is at hand."""
    return resolution({"board": asdict(board), "calibration": asdict(calibration)})


_GAINS = ("probe_gain_v_per_v", "supply_gain_a_per_v", "light_gain_v_per_v")


def _text(facts: Mapping[str, Any], name: str) -> str:
    board = facts.get("board")
    value = board.get(name) if isinstance(board, Mapping) else None
    return value if isinstance(value, str) else ""


def _gain(facts: Mapping[str, Any], name: str) -> float:
    calibration = facts.get("calibration")
    value = calibration.get(name) if isinstance(calibration, Mapping) else None
    if not isinstance(value, int | float) or not 0 < abs(value) < 1e6:
        return 1.0
    return abs(float(value))
