"""The table of sensors against data sheets and firmware, and each place that uses its steps.

A step ten or a hundred times wrong must be seen everywhere: in calibration, tune, limit, report,
compare and identify.
"""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from coilwright import calibration
from coilwright.build import load_build
from coilwright.compare.figures import figures
from coilwright.compare.records import common_ground, grouped
from coilwright.identify.sensors import sensors_of
from coilwright.link.facts import Board, Calibration, Limits
from coilwright.point import Flag, Point
from coilwright.procedures.limit import limit_options
from coilwright.procedures.options import LimitWishes, TuneWishes
from coilwright.procedures.tune import tune_options
from coilwright.record import Record, RecordInfo, RecordWriter, read_record
from coilwright.report.measured import as_sweep, measured
from coilwright.sensors import ESP32_ADC, INA219, INA226, RP2_ADC, Resolution, resolution
from coilwright.tune.lineshape import Shape, lineshape
from firmware.rig import load

SHUNT_OHM = 0.1
CASES = [
    # One step of the shunt register: TI SBOS448 (INA219, table 3) and SBOS547 (INA226, table 1),
    # 2,000 and 8,000 counts for 20 mV. read_uv of an ESP32: multiples of 1,000 µV (MicroPython
    # docs, esp32 quickref). RP2040: 12 bits of 3.3 V (data sheet, 4.9).
    ("ESP32", "ADC", 0.5, 1e-3, 1e-3),
    ("RP2040", "ADC", 0.5, 3.3 / 4096, 3.3 / 4096),
    ("ESP32", "INA219", 1 / SHUNT_OHM, 20e-3 / 2000, 1e-3),
    ("RP2040", "INA226", 1 / SHUNT_OHM, 20e-3 / 8000, 3.3 / 4096),
    ("ESP32-S3", "INA226", 1 / SHUNT_OHM, 20e-3 / 8000, 1e-3),
]
PROBE_GAIN, LIGHT_GAIN = 10.0, 1.0
F = np.linspace(150e3, 180e3, 41)
PEAK = Shape(165e3, 2.0, 40.0, 0.0, 0.0)


def board_of(chip: str, sensor: str) -> Board:
    return Board(chip, 125_000_000, 16, sensor)


def calibration_of(gain: float) -> Calibration:
    return Calibration(0.0, gain, 0.0, PROBE_GAIN, 0.0, 0.0, LIGHT_GAIN, 0.0)


def driver_of(chip: str, sensor: str, gain: float) -> Any:
    """As much of a driver as the options of a command ask."""
    return SimpleNamespace(
        board=board_of(chip, sensor),
        calibration=lambda: calibration_of(gain),
        limits=lambda: Limits(100_000, 250_000, 0.5, 2.0, 2.0),
        zero_a=0.0,
    )


def recorded(path: Path, facts: dict[str, Any]) -> Record:
    """A sweep whose conversions all showed the same: nothing but the step is known of its noise."""
    supply = 0.02 * (1 + ((F - 168e3) / 10e3) ** 2)  # a parabola, which the figures fit exactly
    probe = lineshape(F, PEAK)
    with RecordWriter(path, RecordInfo(kind="sweep", **facts)) as writer:
        for i, (hertz, amps, volts) in enumerate(zip(F, supply, probe, strict=True)):
            writer.write(
                "sweep",
                Point(i, i / 10, round(hertz), 0.2, float(hertz), 0.2, float(amps), float(volts),
                      0.5, 0.0, 0.0, 0.0, 64, Flag.NONE),
            )  # fmt: skip
        writer.finish("complete", None)
    return read_record(path)


def facts_of(chip: str, sensor: str, gain: float) -> dict[str, Any]:
    """What `Driver.describe` puts into a record."""
    return {
        "board": asdict(board_of(chip, sensor)),
        "calibration": asdict(calibration_of(gain)),
    }


cases = pytest.mark.parametrize(("chip", "sensor", "gain", "step_v", "adc_v"), CASES)


@cases
def test_calibration_knows_the_step(chip, sensor, gain, step_v, adc_v) -> None:
    board = board_of(chip, sensor)
    assert calibration.CURRENT.step_v(board) == pytest.approx(step_v)
    assert calibration.PROBE.step_v(board) == pytest.approx(adc_v)
    assert calibration.LIGHT.step_v(board) == pytest.approx(adc_v)


@cases
def test_tune_knows_the_step(chip, sensor, gain, step_v, adc_v) -> None:
    wishes = TuneWishes("lowest-duty", (140e3, 190e3), 0.2, 0.01, None, "light", None, 0.1, None)
    options = tune_options(driver_of(chip, sensor, gain), wishes)
    assert options.supply_step_a == pytest.approx(step_v * gain)
    assert options.probe_step_v == pytest.approx(adc_v * PROBE_GAIN)
    assert options.light_step_v == pytest.approx(adc_v * LIGHT_GAIN)


@cases
def test_limit_knows_the_step(chip, sensor, gain, step_v, adc_v) -> None:
    wishes = LimitWishes(0.3, (140e3, 190e3), 0.01, None, 0.05, 100, None)
    options, _ = limit_options(driver_of(chip, sensor, gain), wishes)
    assert options.supply_step_a == pytest.approx(step_v * gain)


@cases
def test_compare_knows_the_step(chip, sensor, gain, step_v, adc_v, tmp_path) -> None:
    record = recorded(tmp_path / "a.csv", facts_of(chip, sensor, gain))
    sweep = common_ground(grouped([record], None)).groups[0].sweeps[0]
    assert sweep.supply_step_a == pytest.approx(step_v * gain)
    assert sweep.probe_step_v == pytest.approx(adc_v * PROBE_GAIN)
    assert sweep.light_step_v == pytest.approx(adc_v * LIGHT_GAIN)


@cases
def test_report_knows_the_step(chip, sensor, gain, step_v, adc_v, tmp_path) -> None:
    record = recorded(tmp_path / "a.csv", facts_of(chip, sensor, gain))
    found = measured(record)
    sweep = as_sweep(record, found, "a")
    assert sweep is not None
    assert sweep.supply_step_a == pytest.approx(step_v * gain)
    assert sweep.probe_step_v == pytest.approx(adc_v * PROBE_GAIN)
    # Without dither a reading is known to step/√12 (JCGM 100:2008, 4.3.7).
    assert found.probe_sd_v == pytest.approx(adc_v * PROBE_GAIN / math.sqrt(12))


@pytest.mark.parametrize(("kind", "step_v"), [("ina219", 10e-6), ("ina226", 2.5e-6)])
def test_identify_knows_the_step(kind: str, step_v: float) -> None:
    build = load_build("harbour")
    shunt_ohm = build.bench.supply.shunt_ohm
    expected_a = 0.3 * step_v / math.sqrt(12) / shunt_ohm
    assert sensors_of(build, kind).floor[0] == pytest.approx(expected_a)


def test_an_interval_of_compare_is_that_of_the_sensor(tmp_path: Path) -> None:
    """The least supply current by an INA226 at 0.1 Ω, to microamperes, not to milliamperes."""
    wide = {
        sensor: figures(
            common_ground(grouped([recorded(tmp_path / f"{sensor}.csv", facts)], None))
            .groups[0].sweeps[0]
        ).estimates["least supply"].sd
        for sensor, facts in (
            ("INA226", facts_of("RP2040", "INA226", 1 / SHUNT_OHM)),
            ("ADC", facts_of("RP2040", "ADC", 1 / SHUNT_OHM)),
        )
    }  # fmt: skip
    # With seven points of the parabola at most their own error, step/√12, and no less than a third.
    for sensor, step_v in (("INA226", 2.5e-6), ("ADC", 3.3 / 4096)):
        alone = step_v / SHUNT_OHM / math.sqrt(12)
        assert alone / 4 < wide[sensor] < alone


def test_a_record_without_its_sensor_is_taken_for_the_coarsest_and_says_so(tmp_path: Path) -> None:
    known = recorded(tmp_path / "known.csv", facts_of("RP2040", "INA226", 1 / SHUNT_OHM))
    old = facts_of("RP2040", "INA226", 1 / SHUNT_OHM)
    del old["board"]
    nameless = recorded(tmp_path / "old.csv", old)

    ground = common_ground(grouped([known, nameless], None))

    first, second = (group.sweeps[0] for group in ground.groups)
    assert first.supply_step_a == pytest.approx(25e-6)
    assert second.supply_step_a == pytest.approx(1e-3 / SHUNT_OHM)
    assert any("old.csv" in remark and "1 mV" in remark for remark in ground.remarks)
    assert not any("known.csv" in remark for remark in ground.remarks)
    assert ESP32_ADC.step_v == max(c.step_v for c in (ESP32_ADC, RP2_ADC, INA219, INA226))


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"board": "RP2040", "calibration": [1, 2]},
        {"board": {"chip": 5, "supply_sensor": None}, "calibration": {"supply_gain_a_per_v": "x"}},
        {"board": {}, "calibration": {"supply_gain_a_per_v": 0.0, "probe_gain_v_per_v": 1e300}},
        {"board": {}, "calibration": {"supply_gain_a_per_v": float("nan")}},
    ],
)
def test_nothing_in_the_metadata_is_trusted(facts: dict[str, Any]) -> None:
    found = resolution(facts)
    assert found == replace(resolution({}), named=False)
    assert found.supply_step_a == ESP32_ADC.step_v
    assert isinstance(found, Resolution)


def test_ranges_and_steps_are_those_the_firmware_works_with() -> None:
    firmware = load("ina")
    for sensor, converter in ((firmware.Ina219, INA219), (firmware.Ina226, INA226)):
        assert converter.step_v == pytest.approx(sensor.nanovolts * 1e-9)
        assert converter.top_v == pytest.approx(sensor.top * sensor.nanovolts * 1e-9)


def test_noise_of_an_rp2_follows_from_its_effective_bits() -> None:
    # 8.7 bits (pico-sdk hardware/adc.h); SNR = 6.02 dB · n + 1.76 dB of a full sine (IEEE 1241).
    full_sine_rms = 3.3 / 2 / math.sqrt(2)
    assert 20 * math.log10(full_sine_rms / RP2_ADC.noise_v) == pytest.approx(
        6.02 * 8.7 + 1.76, abs=0.02
    )
