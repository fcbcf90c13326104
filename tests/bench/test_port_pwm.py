"""PWM of the ports against worked tables.

Sources: MicroPython ports/esp32/machine_pwm.c with ESP-IDF components/driver/ledc, and
ports/rp2/machine_pwm.c, as compiled for v1.24.1 to v1.29: requested frequency to counts.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.bench.chips import CHIPS, Gate
from coilwright.bench.pwm import PwmPort, duty_counts, read_back, timer_counts

ESP32 = [  # requested, duty bits, divider, achieved, freq(), raw for 21845
    (100000, 9, 400, 100000.000, 100000, 170),
    (125000, 9, 320, 125000.000, 125000, 170),
    (150000, 9, 267, 149812.734, 149813, 170),
    (156300, 9, 256, 156250.000, 156250, 170),
    (200000, 8, 400, 200000.000, 200000, 85),
    (165000, 8, 485, 164948.454, 164948, 85),
    (185000, 8, 432, 185185.185, 185185, 85),
    (250000, 8, 320, 250000.000, 250000, 85),
    (312600, 8, 256, 312500.000, 312500, 85),
    (400000, 7, 400, 400000.000, 400000, 42),
]
RP2040 = [  # requested, TOP, achieved, freq(), level for 21845
    (100000, 1249, 100000.000, 100000, 417),
    (125000, 999, 125000.000, 125000, 333),
    (150000, 832, 150060.024, 150060, 278),
    (156300, 799, 156250.000, 156250, 267),
    (200000, 624, 200000.000, 200000, 208),
    (165000, 757, 164907.652, 164908, 253),
    (185000, 675, 184911.243, 184911, 225),
    (250000, 499, 250000.000, 250000, 167),
    (312600, 399, 312500.000, 312500, 133),
    (400000, 312, 399361.022, 399361, 104),
]


@pytest.mark.parametrize(("f", "bits", "divider", "achieved", "back", "raw"), ESP32)
def test_esp32(f: int, bits: int, divider: int, achieved: float, back: int, raw: int) -> None:
    chip = CHIPS["esp32"]
    assert timer_counts(chip, f) == (divider, bits)
    assert duty_counts(chip, 21845, divider, bits) == raw
    gate = Gate(divider, bits, raw)
    assert gate.frequency_hz(chip) == pytest.approx(achieved, abs=6e-4)
    assert gate.duty(chip) == raw / 2**bits
    assert read_back(chip, gate) == (back, raw << (16 - bits))


@pytest.mark.parametrize(("f", "top", "achieved", "back", "level"), RP2040)
def test_rp2040(f: int, top: int, achieved: float, back: int, level: int) -> None:
    chip = CHIPS["rp2040"]
    assert timer_counts(chip, f) == (top + 1, 16)
    assert duty_counts(chip, 21845, top + 1, 16) == level
    gate = Gate(top + 1, 16, level)
    assert gate.frequency_hz(chip) == pytest.approx(achieved, abs=6e-4)
    assert gate.duty(chip) == level / (top + 1)
    assert read_back(chip, gate)[0] == back


@pytest.mark.parametrize(
    ("f", "top", "achieved"), [(165000, 908, 165016.502), (185000, 810, 184956.843)]
)
def test_rp2350(f: int, top: int, achieved: float) -> None:
    chip = CHIPS["rp2350"]
    period, scale = timer_counts(chip, f)
    assert (period, scale) == (top + 1, 16)
    assert Gate(period, scale, 1).frequency_hz(chip) == pytest.approx(achieved, abs=6e-4)


@pytest.mark.parametrize(
    ("chip", "distinct", "worst"), [("esp32", 513, 0.00195), ("rp2040", 938, 0.00160)]
)
def test_the_grid_between_100_and_400_khz(chip: str, distinct: int, worst: float) -> None:
    """Number of frequencies and largest error over all whole hertz, from the compiled sources."""
    board = CHIPS[chip]
    found, error = set(), 0.0
    for f in range(100_000, 400_001):
        period, scale = timer_counts(board, f)
        found.add((period, scale))
        error = max(error, abs(Gate(period, scale, 1).frequency_hz(board) / f - 1))
    assert len(found) == distinct
    assert error == pytest.approx(worst, abs=5e-6)


@pytest.mark.parametrize("edge", [156_403, 313_112])
def test_a_boundary_doubles_the_duty_for_a_moment(edge: int) -> None:
    """ESP32: timer first, duty after; the old count meets half the range."""
    chip, seen = CHIPS["esp32"], []
    port = PwmPort(chip, seen.append)
    port.freq(edge - 1)
    port.duty_u16(32768)
    bits = port.gate.scale
    seen.clear()
    port.freq(edge)
    assert port.gate.scale == bits - 1
    assert [gate.duty(chip) for gate in seen] == [1.0, 0.5]


def test_the_same_request_changes_nothing_on_an_esp32() -> None:
    seen: list[Gate] = []
    port = PwmPort(CHIPS["esp32"], seen.append)
    port.freq(165_000)
    seen.clear()
    port.freq(165_000)
    assert not seen


@pytest.mark.parametrize(
    ("chip", "factor"), [("esp32", 1), ("esp32s3", 2), ("esp32c3", 2), ("rp2040", 1)]
)
def test_a_new_frequency_may_double_a_pulse_where_it_restarts_the_timer(
    chip: str, factor: int
) -> None:
    """MicroPython ports/esp32/machine_pwm.c: `ledc_timer_rst` on chips without high-speed timers.

    A counter set to 0 at the end of a pulse begins the next one at once.
    """
    seen: list[Gate] = []
    port = PwmPort(CHIPS[chip], seen.append)
    port.freq(165_000)
    for duty in (0, 0.2, 0.7):
        port.duty_u16(round(duty * 65535))
        seen.clear()
        port.freq(166_000)
        duties = [gate.duty(CHIPS[chip]) for gate in seen]
        assert max(duties) == pytest.approx(min(factor * duty, 1), abs=0.01)
        assert duties[-1] == pytest.approx(duty, abs=0.01)
        port.freq(165_000)


@given(
    st.sampled_from(sorted(CHIPS)),
    st.integers(20_000, 1_000_000),
    st.integers(0, 65535),
)
def test_a_setting_is_within_one_step(chip: str, f: int, duty: int) -> None:
    board = CHIPS[chip]
    port = PwmPort(board, lambda _: None)
    port.freq(f)
    port.duty_u16(duty)
    span = 1 << port.gate.scale if board.family == "esp32" else port.gate.period
    assert abs(port.gate.duty(board) - duty / 65535) <= 1 / span
    assert abs(port.gate.frequency_hz(board) / f - 1) < 0.5 / min(port.gate.period, 256)


@pytest.mark.parametrize("f", [0, -1, 50_000_000, 10**9])
def test_frequencies_no_timer_reaches(f: int) -> None:
    with pytest.raises(ValueError, match="range"):
        timer_counts(CHIPS["esp32"], f)
