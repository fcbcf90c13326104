"""A receiver's inductor from its data sheet: drum core, inductance, resistance, self-resonance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from coilwright.circuit.wire import Values
from coilwright.errors import OutOfRange
from coilwright.quantities import show


@dataclass(frozen=True, slots=True)
class DrumCore:
    """Data-sheet values of an inductor.

    Args:
        inductance_h: Well below self-resonance.
        resistance_ohm: For direct current.
        self_resonance_hz: None where the sheet does not say; then no capacitance is reckoned.
        quality: Q at `quality_hz`; None where the sheet does not say.
        quality_hz: Frequency of `quality`.

    Raises:
        ValueError: A value that is not above zero, only one of the two of Q, or a Q that the
            resistance for direct current alone does not allow.
    """

    inductance_h: float
    resistance_ohm: float
    self_resonance_hz: float | None = None
    quality: float | None = None
    quality_hz: float | None = None

    def __post_init__(self) -> None:
        for name in (
            "inductance_h",
            "resistance_ohm",
            "self_resonance_hz",
            "quality",
            "quality_hz",
        ):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise ValueError(f"{name} is {value}; it must be above zero")
        if (self.quality is None) != (self.quality_hz is None):
            raise ValueError("Q needs the frequency it was measured at, and the other way round")
        if self.quality is not None and self._added_at_test_ohm < 0:
            most = self._reactance_ohm(self.quality_hz or 0.0) / self.resistance_ohm
            raise ValueError(
                f"Q of {self.quality:g} is more than the {most:.4g} that the resistance for "
                "direct current leaves"
            )

    def _reactance_ohm(self, frequency_hz: float) -> float:
        return 2 * math.pi * frequency_hz * self.inductance_h

    @property
    def _added_at_test_ohm(self) -> float:
        assert self.quality is not None
        assert self.quality_hz is not None
        return self._reactance_ohm(self.quality_hz) / self.quality - self.resistance_ohm

    @property
    def parasitic_f(self) -> float:
        """Capacitance that with the inductance gives the self-resonance: 1/((2πf)² L)."""
        if self.self_resonance_hz is None:
            return 0.0
        return 1 / ((2 * math.pi * self.self_resonance_hz) ** 2 * self.inductance_h)

    def resistance_at_ohm(self, frequency_hz: ArrayLike) -> Values:
        """Series resistance: that for direct current, and what Q shows beyond it, growing with f².

        The square is that of eddy currents in wire and core while they are small (common practice,
        no source); without a Q the resistance for direct current alone, which is a lower bound.
        """
        frequency = np.asarray(frequency_hz, float)
        if self.quality is None or self.quality_hz is None:
            return np.full_like(frequency, self.resistance_ohm)
        share = (frequency / self.quality_hz) ** 2
        return np.asarray(self.resistance_ohm + self._added_at_test_ohm * share)

    def quality_at(self, frequency_hz: ArrayLike) -> Values:
        """Q of the inductor: ωL/R with `resistance_at_ohm`; an upper bound without a Q."""
        frequency = np.asarray(frequency_hz, float)
        reactance = 2 * math.pi * frequency * self.inductance_h
        return np.asarray(reactance / self.resistance_at_ohm(frequency))

    def capacitor_f(self, frequency_hz: float) -> float:
        """Capacitor that tunes it to a frequency: 1/((2πf)² L) less its own capacitance.

        Raises:
            OutOfRange: The frequency is at or above the self-resonance.
        """
        if self.self_resonance_hz is not None and frequency_hz >= self.self_resonance_hz:
            raise OutOfRange(
                f"{show(frequency_hz, 'Hz')} is not below the self-resonance at "
                f"{show(self.self_resonance_hz, 'Hz')}.",
                "Take a smaller inductance.",
            )
        return 1 / ((2 * math.pi * frequency_hz) ** 2 * self.inductance_h) - self.parasitic_f

    def resonance_hz(self, capacitance_f: float) -> float:
        """Frequency to which a capacitor tunes it, its own capacitance counted."""
        total = capacitance_f + self.parasitic_f
        if not total > 0:
            raise ValueError("without a capacitor and a self-resonance nothing resonates")
        return 1 / (2 * math.pi * math.sqrt(self.inductance_h * total))
