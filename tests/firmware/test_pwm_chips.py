"""PWM arithmetic of the two ports against their compiled sources' results.

Source of the expected numbers: MicroPython v1.26 to v1.29-preview, ports/esp32/machine_pwm.c with
ESP-IDF's esp_driver_ledc/src/ledc.c, and v1.24.1 to v1.29-preview, ports/rp2/machine_pwm.c; read
and recomputed for every integer frequency from 100 to 400 kHz. duty_u16 21845 throughout.
"""

from __future__ import annotations

import pytest

from firmware.rig import load

ESP32 = load("hw_esp32").Chip
RP2 = load("hw_rp2").Chip

# f asked for, duty bits, divider, mHz, freq(), counts of duty_u16 = 21845
ESP32_TABLE = [
    (100000, 9, 400, 100000000, 100000, 170),
    (125000, 9, 320, 125000000, 125000, 170),
    (150000, 9, 267, 149812734, 149813, 170),
    (156300, 9, 256, 156250000, 156250, 170),
    (200000, 8, 400, 200000000, 200000, 85),
    (165000, 8, 485, 164948453, 164948, 85),
    (185000, 8, 432, 185185185, 185185, 85),
    (250000, 8, 320, 250000000, 250000, 85),
    (312600, 8, 256, 312500000, 312500, 85),
    (400000, 7, 400, 400000000, 400000, 42),
]
# f asked for, TOP, mHz, freq(), cc of duty_u16 = 21845
RP2_TABLE = [
    (100000, 1249, 100000000, 100000, 417),
    (125000, 999, 125000000, 125000, 333),
    (150000, 832, 150060024, 150060, 278),
    (156300, 799, 156250000, 156250, 267),
    (200000, 624, 200000000, 200000, 208),
    (165000, 757, 164907651, 164908, 253),
    (185000, 675, 184911242, 184911, 225),
    (250000, 499, 250000000, 250000, 167),
    (312600, 399, 312500000, 312500, 133),
    (400000, 312, 399361022, 399361, 104),
]


def esp32_counts(duty_u16: int, bits: int) -> int:
    """raw = duty_u16 >> (16 - res), 65535 counts as all (machine_pwm.c, v1.26 on)."""
    return 1 << bits if duty_u16 == 65535 else duty_u16 >> (16 - bits)


def rp2_counts(duty_u16: int, span: int) -> int:
    """cc = (duty_u16 (TOP + 1) + 32767) // 65535 (machine_pwm.c)."""
    return (duty_u16 * span + 32767) // 65535


@pytest.mark.parametrize(("hz", "bits", "divider", "mhz", "shown", "raw"), ESP32_TABLE)
@pytest.mark.parametrize("width", [14, 20])
def test_esp32_port(
    hz: int, bits: int, divider: int, mhz: int, shown: int, raw: int, width: int
) -> None:
    span, achieved, band = ESP32(width=width).plan(hz)
    assert (span, band) == (1 << bits, bits)
    assert achieved == mhz == 80000000 * 256000 // (divider << bits)
    assert (achieved + 500) // 1000 == shown
    assert esp32_counts(21845, bits) == raw


@pytest.mark.parametrize(("hz", "top", "mhz", "shown", "cc"), RP2_TABLE)
def test_rp2_port(hz: int, top: int, mhz: int, shown: int, cc: int) -> None:
    span, achieved, divider = RP2().plan(hz)
    assert (span, divider) == (top + 1, 16)
    assert achieved == mhz
    assert (achieved + 500) // 1000 == shown
    assert rp2_counts(21845, span) == cc


@pytest.mark.parametrize(
    ("clock", "hz", "top", "mhz"),
    [
        (150000000, 165000, 908, 165016501),
        (150000000, 185000, 810, 184956843),
        (200000000, 165000, 1211, 165016501),
        (200000000, 185000, 1080, 185013876),
    ],
)
def test_rp2_on_other_clocks(clock: int, hz: int, top: int, mhz: int) -> None:
    assert RP2(clock).plan(hz) == (top + 1, mhz, 16)


def test_esp32_resolution_boundaries() -> None:
    # By the port's rounding: 9 bits below 156 403 Hz, 8 to 313 111 Hz, 7 from 313 112 Hz.
    chip = ESP32()
    bits = [chip.plan(hz)[2] for hz in (156402, 156403, 313111, 313112)]
    assert bits == [9, 8, 8, 7]


def test_esp32_has_513_frequencies_from_100_to_400_khz() -> None:
    chip = ESP32()
    found = {chip.plan(hz)[1] for hz in range(100000, 400001)}
    assert len(found) == 513
    worst = max(abs(chip.plan(hz)[1] / 1000 / hz - 1) for hz in range(100000, 400001, 7))
    assert worst == pytest.approx(0.00195, abs=0.00001)


def test_rp2_has_938_frequencies_from_100_to_400_khz() -> None:
    chip = RP2()
    assert len({chip.plan(hz)[1] for hz in range(100000, 400001)}) == 938


@pytest.mark.parametrize("hz", [20000, 100000, 156402, 156403, 165000, 313112, 400000, 1000000])
def test_word_gives_every_count_back(hz: int) -> None:
    span, _, bits = ESP32().plan(hz)
    for raw in range(span):
        assert esp32_counts(ESP32().word(raw, span), bits) == raw
    span = RP2().plan(hz)[0]
    for raw in range(span + 1):
        assert rp2_counts(RP2().word(raw, span), span) == raw
