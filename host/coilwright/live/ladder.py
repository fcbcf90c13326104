"""Frequency and duty by the steps of a chip's PWM, inside a driver's limits. No I/O."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coilwright.link.facts import Limits
from coilwright.point import Setpoint
from coilwright.pwm import PwmTimer, Step, frequency_steps, predict

COARSE_SHARE = 0.01
"""A coarse move is as many whole steps as come nearest to 1 % of the frequency, or of duty."""
_WIDEST_STEP = 0.01
"""No step of a chip between 20 kHz and 1 MHz is wider, as a part of the frequency."""
_LONGEST_WAY = 60


@dataclass(frozen=True, slots=True)
class LadderMove:
    """Steps up (or down, below zero) that are asked for."""

    frequency: int = 0
    duty: int = 0
    coarse: bool = False


@dataclass(frozen=True, slots=True)
class Rung:
    """A setting among the steps beside it.

    Attributes:
        step: The setting.
        step_hz: To the next frequency above, or below where there is none above.
        coarse_frequency, coarse_duty: Steps of a coarse move.
        cap: Largest duty at this frequency.
    """

    step: Step
    step_hz: float
    coarse_frequency: int
    coarse_duty: int
    cap: float

    @property
    def step_duty(self) -> float:
        """One count of on-time as a fraction of the period."""
        return 1 / self.step.span


class Ladder:
    """The steps of a timer inside limits and caps.

    Args:
        timer: The chip's.
        limits: The driver's.
        caps: Its caps by frequency, rising; may be none.
    """

    def __init__(self, timer: PwmTimer, limits: Limits, caps: Sequence[Setpoint] = ()) -> None:
        self._timer, self._limits, self._caps = timer, limits, list(caps)

    def cap(self, frequency_hz: float) -> float:
        """Largest duty at a frequency; between two caps the smaller one holds."""
        caps = self._caps
        if not caps:
            return self._limits.duty_cap
        beside = [
            near.duty
            for below, near, above in zip([None, *caps[:-1]], caps, [*caps[1:], None], strict=True)
            if (above is None or frequency_hz < above.frequency_hz)
            and (below is None or frequency_hz > below.frequency_hz)
        ]
        return min(self._limits.duty_cap, *beside)

    def moved(self, at: Setpoint, move: LadderMove) -> Setpoint:
        """The setting that a move leads to; at the ends of the ladder it stops.

        The duty that was asked for stays as near as the new frequency and its cap allow.
        """
        request, duty = at.frequency_hz, at.duty
        if move.frequency:
            rung = self.rung(at)
            many = move.frequency * (rung.coarse_frequency if move.coarse else 1)
            request = self._frequency(request, many)
        if move.duty:
            rung = self.rung(Setpoint(request, duty))
            counts = rung.step.counts + move.duty * (rung.coarse_duty if move.coarse else 1)
            duty = max(counts, 0) / rung.step.span
        return self.inside(Setpoint(request, duty))

    def inside(self, at: Setpoint) -> Setpoint:
        """The setting with its duty reduced to whole counts below the cap, where it is above."""
        step = predict(self._timer, at.frequency_hz, at.duty)
        cap = self.cap(step.frequency_hz)
        if step.duty <= cap and at.duty <= cap:
            return at
        return Setpoint(at.frequency_hz, int(cap * step.span + 1e-6) / step.span)

    def rung(self, at: Setpoint) -> Rung:
        """A setting and what lies beside it."""
        step = predict(self._timer, at.frequency_hz, at.duty)
        beside = self._frequencies(at.frequency_hz, 1)
        gaps = [hz - step.frequency_hz for _, hz in beside if hz != step.frequency_hz]
        above = [gap for gap in gaps if gap > 0]
        step_hz = min(above) if above else min(map(abs, gaps), default=0.0)
        coarse = round(COARSE_SHARE * step.frequency_hz / step_hz) if step_hz else 1
        return Rung(
            step,
            step_hz,
            max(2, coarse),
            max(2, round(COARSE_SHARE * step.span)),
            self.cap(step.frequency_hz),
        )

    def _frequency(self, request_hz: int, many: int) -> int:
        """Request of the frequency so many steps away."""
        many = max(-_LONGEST_WAY, min(_LONGEST_WAY, many))
        steps = self._frequencies(request_hz, abs(many))
        here = self._timer.period(request_hz).frequency_hz
        middle = min(range(len(steps)), key=lambda i: abs(steps[i][1] - here), default=None)
        if middle is None:
            return request_hz
        return steps[max(0, min(len(steps) - 1, middle + many))][0]

    def _frequencies(self, request_hz: int, around: int) -> list[tuple[int, float]]:
        """Requests and frequencies near one, rising, inside the limits."""
        here = self._timer.period(request_hz).frequency_hz
        reach = _WIDEST_STEP * (around + 1)
        low, high = self._limits.low_hz, self._limits.high_hz
        return [
            (request, period.frequency_hz)
            for request, period in frequency_steps(
                self._timer, max(low, here * (1 - reach)), min(high, here * (1 + reach))
            )
            if low <= request <= high
        ]
