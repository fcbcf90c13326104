"""`machine.PWM` of the ports, in counts: what a write does to the gate, in the order of the port.

Sources: MicroPython ports/esp32/machine_pwm.c with ESP-IDF components/driver/ledc, and
ports/rp2/machine_pwm.c (v1.26 to v1.29).
"""

from __future__ import annotations

from collections.abc import Callable

from .chips import Chip, Gate

_DUTY_BITS_MAX = 16
_DIVIDER_MIN, _DIVIDER_MAX = 256, 0x3FFFF


def timer_counts(chip: Chip, frequency_hz: int) -> tuple[int, int]:
    """Counts the port chooses for a requested frequency.

    Returns:
        ESP32: divider D (8 fraction bits) and duty bits. RP2: TOP + 1 and sixteenths of a divider.

    Raises:
        ValueError: The frequency is out of the timer's range.
    """
    if not 1 <= frequency_hz <= chip.pwm_clock_hz // 2:
        raise ValueError(f"{frequency_hz} Hz is out of the PWM's range")
    return (_ledc if chip.family == "esp32" else _slice)(chip.pwm_clock_hz, frequency_hz)


def _ledc(clock: int, f: int) -> tuple[int, int]:
    for n in ((clock + f // 2) // f, clock // f):
        bits = min(n.bit_length() - 1, _DUTY_BITS_MAX)
        divider = ((clock << 8) + (f << bits) // 2) // (f << bits)
        if _DIVIDER_MIN <= divider <= _DIVIDER_MAX:
            return divider, bits
    raise ValueError(f"{f} Hz is out of the PWM's range")


def _slice(clock: int, f: int) -> tuple[int, int]:
    if clock // f < 65534:
        return (clock + f // 2) // f, 16
    sixteenths = -(-16 * clock // (65534 * f))
    if sixteenths >= 256 * 16:
        raise ValueError(f"{f} Hz is out of the PWM's range")
    return (16 * clock + sixteenths * f // 2) // (sixteenths * f), sixteenths


def duty_counts(chip: Chip, duty_u16: int, period: int, scale: int) -> int:
    """Counts of on-time for a 16-bit duty; 65535 is 100 % on both ports."""
    if chip.family == "esp32":
        return 1 << scale if duty_u16 >= 65535 else duty_u16 >> (16 - scale)
    return (duty_u16 * period + 32767) // 65535


def read_back(chip: Chip, gate: Gate) -> tuple[int, int]:
    """What `freq()` and `duty_u16()` answer for a state."""
    if gate.period == 0:
        return 0, 0
    if chip.family == "esp32":
        top, bottom = chip.pwm_clock_hz << 8, gate.period << gate.scale
        duty = gate.on << (16 - gate.scale)
    else:
        top, bottom = chip.pwm_clock_hz * 16, gate.scale * gate.period
        duty = gate.on * 65535 // gate.period
    return (top + bottom // 2) // bottom, min(duty, 65535)


class PwmPort:
    """One PWM object: requested values, counts, and each write to the hardware in turn.

    Args:
        chip: The microcontroller.
        write: Called with every state the hardware passes through.
    """

    def __init__(self, chip: Chip, write: Callable[[Gate], None]) -> None:
        self._chip, self._write = chip, write
        self.frequency_hz = self._duty = 0
        self.gate = Gate()

    def freq(self, frequency_hz: int) -> None:
        """Timer first, duty after: between the two the old count meets the new period."""
        if self._chip.family == "esp32" and frequency_hz == self.frequency_hz:
            return
        period, scale = timer_counts(self._chip, frequency_hz)
        self.frequency_hz = frequency_hz
        self._put(period, scale, self.gate.on)
        self.duty_u16(self._duty)

    def duty_u16(self, duty_u16: int) -> None:
        """Duty in 65535ths."""
        self._duty = min(max(duty_u16, 0), 65535)
        period, scale = self.gate.period, self.gate.scale
        if period:
            self._put(period, scale, duty_counts(self._chip, self._duty, period, scale))

    def duty_ns(self, on_ns: int) -> None:
        """Duty as on-time."""
        self.duty_u16((on_ns * 65536 * self.frequency_hz + 500_000_000) // 1_000_000_000)

    def _put(self, period: int, scale: int, on: int) -> None:
        self.gate = Gate(period, scale, on)
        self._write(self.gate)
