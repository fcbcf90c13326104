"""`machine.PWM` of the ports in counts: what a write does to the gate, in the order of the port."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from coilwright.errors import OutOfRange
from coilwright.pwm import Period, PwmTimer

from .chips import Chip, Gate


def _timer(chip: Chip) -> PwmTimer:
    return PwmTimer(chip.family, chip.pwm_clock_hz)


@lru_cache(maxsize=4096)
def timer_counts(chip: Chip, frequency_hz: int) -> tuple[int, int]:
    """Counts the port chooses for a requested frequency.

    Returns:
        ESP32: divider D (8 fraction bits) and duty bits. RP2: TOP + 1 and sixteenths of a divider.

    Raises:
        ValueError: The frequency is out of the timer's range, as `machine.PWM` says it.
    """
    try:
        period = _timer(chip).period(frequency_hz)
    except OutOfRange:
        raise ValueError(f"{frequency_hz} Hz is out of the PWM's range") from None
    return period.number, period.scale


def _period(chip: Chip, gate: Gate) -> Period:
    return Period(gate.period, gate.scale, gate.span(chip), gate.frequency_hz(chip))


def duty_counts(chip: Chip, duty_u16: int, period: int, scale: int) -> int:
    """Counts of on-time for a 16-bit duty; 65535 is 100 % on both ports."""
    return _timer(chip).port_counts(duty_u16, _period(chip, Gate(period, scale)))


def read_back(chip: Chip, gate: Gate) -> tuple[int, int]:
    """What `freq()` and `duty_u16()` answer for a state."""
    if gate.period == 0:
        return 0, 0
    return _timer(chip).read_back(_period(chip, gate), gate.on)


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
        """Timer first, duty after: between the two the old count meets the new period.

        Where the counter starts anew, it may do so at the end of a pulse: that one has twice its
        length then.
        """
        if self._chip.family == "esp32" and frequency_hz == self.frequency_hz:
            return
        period, scale = timer_counts(self._chip, frequency_hz)
        self.frequency_hz = frequency_hz
        on = self.gate.on
        if self._chip.restarts_timer:
            on = min(2 * on, Gate(period, scale).span(self._chip))
        self._put(period, scale, on)
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
