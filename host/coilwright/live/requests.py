"""What a person at the panel can ask for."""

from __future__ import annotations

from dataclasses import dataclass

from coilwright.live.ladder import LadderMove


@dataclass(frozen=True, slots=True)
class ToggleOutput:
    """Switch the output over.

    Attributes:
        seen_off: Whether the person saw it off. It goes on only where it was seen off and is off:
            everything else, such as a second press before the first was seen, means off.
    """

    seen_off: bool


@dataclass(frozen=True, slots=True)
class ClearTrip:
    """Acknowledge a trip; the output stays off."""


@dataclass(frozen=True, slots=True)
class ResetPeaks:
    """Begin the peak hold anew."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Mark this moment."""


@dataclass(frozen=True, slots=True)
class Note:
    """Words for the last mark."""

    text: str


@dataclass(frozen=True, slots=True)
class StartSweep:
    """Sweep a band at the present duty."""

    band_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Tune:
    """Tune in a band."""

    band_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop the sweep or tune that runs; the output goes off."""


Request = (
    LadderMove | ToggleOutput | ClearTrip | ResetPeaks | Mark | Note | StartSweep | Tune | Stop
)
