"""Microcontrollers the bench can be: clocks, ADC ranges, pins, and what their PWM counts mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

ESP32_FLOOR_UV = 140_000
"""Least reading of an ESP32 ADC pin at 11 dB; from memory, the documentation says only that it
never reads 0 for ground."""


@dataclass(frozen=True, slots=True)
class Chip:
    """One microcontroller as the bench wires it.

    `adc_top_uv` is where the converter clips, `adc_full_uv` where its range of use ends (its source
    is in the board's file), `led` None where the board has none on a pin.
    """

    name: str
    family: str
    pwm_clock_hz: int
    cpu_clock_hz: int
    gate: int
    supply_pin: int
    probe_pin: int
    light_pin: int
    led: int | None
    alert: int
    latch: int
    latch_clear: int
    scl: int
    sda: int
    adc_top_uv: int
    adc_floor_uv: int
    adc_full_uv: int
    unique_id_bytes: int
    conversion_us: int

    @property
    def restarts_timer(self) -> bool:
        """Whether a new frequency starts the PWM's counter anew.

        Chips that have only low-speed timers: ports/esp32/machine_pwm.c, `ledc_timer_rst`.
        """
        return self.family == "esp32" and self.name != "esp32"


# In the order of the fields, from the clock of the CPU on. Where an ESP32 and an ESP32-C3 clip is
# from memory; ESP32-S3: ESP-IDF Programming Guide v4.4.8, ADC Attenuation.
_ESP32 = (240_000_000, 25, 34, 35, 32, 2, 33, 26, 27, 22, 21, 3_100_000, ESP32_FLOOR_UV, 2_450_000)
_ESP32S3 = (240_000_000, 12, 4, 5, 6, None, 7, 15, 16, 9, 8, 3_100_000, 0, 2_900_000)
_ESP32C3 = (160_000_000, 10, 0, 1, 3, None, 4, 5, 8, 7, 6, 2_600_000, 0, 2_500_000)
_RP2 = (2, 26, 27, 28, 25, 22, 20, 21, 5, 4, 3_300_000, 0, 3_300_000, 8, 10)
CHIPS = {
    "esp32": Chip("esp32", "esp32", 80_000_000, *_ESP32, 6, 60),
    "esp32s3": Chip("esp32s3", "esp32", 80_000_000, *_ESP32S3, 6, 60),
    "esp32c3": Chip("esp32c3", "esp32", 80_000_000, *_ESP32C3, 6, 60),
    "rp2040": Chip("rp2040", "rp2", 125_000_000, 125_000_000, *_RP2),
    "rp2350": Chip("rp2350", "rp2", 150_000_000, 150_000_000, *_RP2),
}


@dataclass(frozen=True, slots=True)
class Gate:
    """What the gate pin does, in the chip's own counts: the key of every cached solution.

    A PWM of `on` counts in `period` (ESP32: the divider D with `scale` duty bits; RP2: TOP + 1
    with `scale` sixteenths of a clock divider), or a level held (`period` 0, `on` 0 or 1).
    """

    period: int = 0
    scale: int = 16
    on: int = 0

    def frequency_hz(self, chip: Chip) -> float:
        """Achieved frequency; 0 for a held level.

        Sources: MicroPython ports/esp32/machine_pwm.c, ESP-IDF ledc.c, ports/rp2/machine_pwm.c.
        """
        if self.period == 0:
            return 0.0
        if chip.family == "esp32":
            return chip.pwm_clock_hz * 256 / (self.period << self.scale)
        return chip.pwm_clock_hz * 16 / (self.scale * self.period)

    def span(self, chip: Chip) -> int:
        """Counts a period."""
        return 1 << self.scale if chip.family == "esp32" else self.period

    def duty(self, chip: Chip) -> float:
        """Achieved duty as a fraction, at most 1."""
        return min(1.0, self.on / self.span(chip)) if self.period else float(self.on)


OFF = Gate()
HIGH = Gate(on=1)


def board_json(
    chip: Chip,
    sensor: str,
    shunt_uohm: int,
    amp: float,
    calibration: dict[str, list[int]],
    alert: bool = False,
    latch: bool = False,
) -> dict[str, Any]:
    """The wiring the firmware reads from `board.json` in its flash."""
    return {
        "chip": chip.family,
        **({"mcu": chip.name} if chip.family == "esp32" else {}),
        "gate": chip.gate,
        "supply": {
            "sensor": sensor,
            "pin": chip.supply_pin,
            "address": 64,
            "shunt_uohm": shunt_uohm,
            "amp": amp,
            **({"alert": chip.alert} if alert else {}),
        },
        "probe": chip.probe_pin,
        "light": chip.light_pin,
        "i2c": {"id": 0, "scl": chip.scl, "sda": chip.sda, "freq": 400_000},
        "led": chip.led,
        "adc_full_uv": chip.adc_full_uv,
        "calibration": calibration,
        **({"latch": {"pin": chip.latch, "clear": chip.latch_clear}} if latch else {}),
    }
