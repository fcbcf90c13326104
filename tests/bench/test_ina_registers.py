"""INA219 and INA226 registers against the worked examples of the data sheets."""

from __future__ import annotations

import pytest

from coilwright.bench.ina import Ina, Ina219, Ina226


def read(chip: Ina, register: int, now_us: int = 10**9) -> int:
    return int.from_bytes(chip.transfer(bytes([register]), 2, now_us), "big")


def write(chip: Ina, register: int, value: int, now_us: int = 0) -> None:
    chip.transfer(bytes([register]) + value.to_bytes(2, "big"), 0, now_us)


def test_ina219_example() -> None:
    """TI SBOS448F, table 3: 10 A, 12 V, 2 mohm, 1 mA a count."""
    chip = Ina219(lambda now, samples: (0.020, 11.98))
    assert read(chip, 0) == 0x399F
    write(chip, 0, 0x019F)
    write(chip, 5, 0x5000)
    assert read(chip, 1) == 0x07D0
    assert read(chip, 2) & ~7 == 0x5D98
    assert read(chip, 2) & 2
    assert read(chip, 4) == 0x2710
    assert read(chip, 3) == 0x1766
    assert not read(chip, 2) & 2  # reading the power clears conversion ready


def test_ina226_example() -> None:
    """TI SBOS547, table 1: the same load; 25 mW a count of power."""
    chip = Ina226(lambda now, samples: (0.020, 11.98))
    assert read(chip, 0) == 0x4127
    write(chip, 5, 0x0A00)
    write(chip, 0, 0x4127)
    assert read(chip, 1) == 0x1F40
    assert read(chip, 2) == 0x2570
    assert read(chip, 4) == 0x2710
    assert read(chip, 3) == 0x12B8
    assert read(chip, 0xFE) == 0x5449
    assert read(chip, 0xFF) == 0x2260
    assert read(chip, 6) & 8
    assert not read(chip, 6) & 8


def test_reverse_current_is_two_s_complement() -> None:
    """TI SBOS448F, section 8.6.3.1: -320 mV reads 8300h."""
    chip = Ina219(lambda now, samples: (-0.320, 12.0))
    write(chip, 0, 0x399F)
    assert read(chip, 1) == 0x8300


@pytest.mark.parametrize(("gain", "counts"), [(0, 4000), (1, 8000), (2, 16000), (3, 32000)])
def test_ina219_clips_at_its_range(gain: int, counts: int) -> None:
    """TI SBOS448F, table 7: 40, 80, 160, 320 mV."""
    chip = Ina219(lambda now, samples: (0.5, 12.0))
    write(chip, 0, 0x219F | gain << 11)
    assert read(chip, 1) == counts


def test_a_triggered_conversion_takes_its_time_and_happens_once() -> None:
    """TI SBOS547: one shunt conversion of 1.1 ms."""
    shunts = iter([0.010, 0.020, 0.030])
    chip = Ina226(lambda now, samples: (next(shunts), 12.0))
    write(chip, 0, 0x4121)
    assert read(chip, 1, 1000) == 0
    assert read(chip, 1, 1100) == 4000
    assert read(chip, 1, 9900) == 4000
    write(chip, 0, 0x4121, 10_000)
    assert read(chip, 1, 11_100) == 8000


def test_reset_and_power_down() -> None:
    chip = Ina219(lambda now, samples: (0.02, 12.0))
    write(chip, 5, 0x5000)
    write(chip, 0, 0x8000)
    assert read(chip, 0, 0) == 0x399F
    assert read(chip, 5, 0) == 0
    write(chip, 0, 0x3998)
    assert read(chip, 1) == 0


def test_averaging_is_told_to_the_sensor() -> None:
    seen = []

    def sense(now_us: int, samples: int) -> tuple[float, float]:
        seen.append(samples)
        return 0.0, 0.0

    chip = Ina226(sense)
    write(chip, 0, 0x4727)  # 64 samples
    read(chip, 1)
    assert seen == [64]


def test_ina226_alert_of_the_shunt_voltage() -> None:
    """TI SBOS547, registers 06h and 07h: D15 over-voltage, D14 under-voltage of the shunt, D4 the
    flag, D1 the polarity, D0 the latch; the limit has the register's own 2.5 uV a count."""
    shunt = [0.010]
    chip = Ina226(lambda now, samples: (shunt[0], 12.0))
    write(chip, 0, 0x4005)  # shunt, continuous, 140 us
    assert not chip.alert_low(1000)
    write(chip, 7, 8000, 1000)  # 20 mV
    write(chip, 6, 0x8000, 1000)
    assert not chip.alert_low(2000)
    shunt[0] = 0.020
    assert not chip.alert_low(3000)  # the limit itself is not over it
    shunt[0] = 0.021
    assert chip.alert_low(4000)
    shunt[0] = 0.010
    assert not chip.alert_low(5000)  # transparent: it follows
    write(chip, 6, 0x8001, 5000)
    shunt[0] = 0.021
    assert chip.alert_low(6000)
    shunt[0] = 0.010
    assert chip.alert_low(7000)  # latched
    assert read(chip, 6, 8000) & 0x8013 == 0x8011
    assert not chip.alert_low(9000)
    assert read(chip, 6, 9000) & 0x10 == 0
    write(chip, 6, 0x4000, 9000)
    assert chip.alert_low(10_000)
    write(chip, 6, 0x4002, 10_000)
    assert not chip.alert_low(11_000)  # active high: it is pulled up
    write(chip, 7, 0x8000, 11_000)  # -81.92 mV: nothing is under it
    assert chip.alert_low(12_000)


def test_ina226_alert_functions_of_bus_and_power() -> None:
    """TI SBOS547, 06h: the highest of D15 to D11 counts, and D10 says that a result is there."""
    chip = Ina226(lambda now, samples: (0.020, 11.98))
    write(chip, 5, 0x0A00)  # the sheet's example: power 12B8h, bus 2570h
    write(chip, 7, 0x12B7)
    write(chip, 6, 0x0800)
    assert chip.alert_low(10**6)
    write(chip, 7, 0x12B8, 10**6)
    assert not chip.alert_low(2 * 10**6)
    write(chip, 6, 0x1800, 2 * 10**6)  # bus under, before power over
    assert not chip.alert_low(3 * 10**6)
    write(chip, 6, 0x2800, 3 * 10**6)
    assert chip.alert_low(4 * 10**6)
    write(chip, 6, 0x0400, 4 * 10**6)
    read(chip, 6, 5 * 10**6)
    assert not chip.alert_low(5 * 10**6)
    assert chip.alert_low(6 * 10**6)


def test_ina219_has_no_alert_pin() -> None:
    chip = Ina219(lambda now, samples: (0.3, 12.0))
    write(chip, 6, 0x8001)
    assert not chip.alert_low(10**6)
