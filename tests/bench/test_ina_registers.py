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
