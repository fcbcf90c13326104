"""What the procedures can be asked for, with the defaults of commands and functions alike.

Light: the commands read their defaults here before anything is computed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from coilwright.errors import BadWish
from coilwright.quantities import show, show_percent

PURPOSES = ("least-current", "lowest-duty", "brightest")
LIT = ("light", "probe", "ask")
BATTERY_AH = 2.0
"""Charge of the battery that hours are told for where none is named."""


@dataclass(frozen=True, slots=True)
class RecordWishes:
    """The record that a procedure keeps.

    Attributes:
        path: Where; None for a name of its own in `runs/`.
        note, tags: Kept with it.
        force: Overwrite a file that exists.
    """

    path: Path | None = None
    note: str = ""
    tags: tuple[str, ...] = ()
    force: bool = False


@dataclass(frozen=True)
class TuneWishes:
    """What a tune is asked for; frequencies in Hz, duties as fractions of the period.

    A record keeps these fields as its plan.

    Attributes:
        purpose: One of `PURPOSES`: what the setting is to be best in. "" for the usual one: least
            current, or the lowest duty where a person's eye decides, which tells no brightness.
        band: Lowest and highest frequency to search.
        safe_duty: Duty of the sweeps.
        least_duty, most_duty: Smallest and largest duty to try; None for the driver's cap.
        lit: One of `LIT`: what tells lit from dark.
        lit_level: Probe voltage, or rise of the light sensor over dark, that counts as lit, V;
            None as calibrated in the driver.
        margin: Share added to the lowest lit duty, where that is the purpose.
        reserve: More light or pickup than counts as lit, as a share of that level, where the
            purpose is another.
        least_on_time: On-time below which no setting is proposed, s; None for that of a build's
            stray loop, or 0.4 us.
        max_current: Mean supply current not to be exceeded, A; None where the driver trips.
        supply: Supply voltage, V, for the powers that are told; None as the driver measures it,
            or a build has it.
        battery: Charge of a battery, Ah, for the hours that are told.

    Raises:
        ValueError: There is no such purpose, or nothing of that name tells lit from dark.
    """

    purpose: str = ""
    band: tuple[float, float] = (100e3, 250e3)
    safe_duty: float = 0.2
    least_duty: float = 0.005
    most_duty: float | None = None
    lit: str = LIT[0]
    lit_level: float | None = None
    margin: float = 0.1
    max_current: float | None = None
    reserve: float = 0.25
    least_on_time: float | None = None
    supply: float | None = None
    battery: float = BATTERY_AH

    def __post_init__(self) -> None:
        if not self.purpose:
            usual = "lowest-duty" if self.lit == "ask" else PURPOSES[0]
            object.__setattr__(self, "purpose", usual)
        for name, kinds in (("purpose", PURPOSES), ("lit", LIT)):
            if getattr(self, name) not in kinds:
                raise ValueError(f"{getattr(self, name)!r} is none of {', '.join(kinds)}")


@dataclass(frozen=True)
class LimitWishes:
    """What a current limit is asked for; frequencies in Hz, duties as fractions of the period.

    A record keeps these fields as its plan.

    Attributes:
        max_current: Mean supply current not to be exceeded, A.
        band: Lowest and highest frequency to measure.
        least_duty: Duty to begin with.
        most_duty: Largest duty to allow; None for the driver's cap.
        margin: Share of the current that is kept in hand.
        points: Points to measure before the caps are tried.
        trip: Supply current at which the driver trips from now on, A; None for a tenth more than
            the limit.

    Raises:
        BadWish: The current is not above 0, the margin leaves nothing, or the trip lies below.
    """

    max_current: float
    band: tuple[float, float] = (100e3, 250e3)
    least_duty: float = 0.005
    most_duty: float | None = None
    margin: float = 0.05
    points: int = 240
    trip: float | None = None

    def __post_init__(self) -> None:
        if not self.max_current > 0:
            raise BadWish("max_current", f"{self.max_current:g} A is not above 0 A")
        if not 0 <= self.margin < 1:
            raise BadWish("margin", "nothing is left below it")
        if self.trip is not None and self.trip < self.max_current:
            raise BadWish("trip", "it lies below the limit")


MODES = ("probe", "light", "current")


@dataclass(frozen=True)
class TrackWishes:
    """What a tracking is asked for; a record keeps these fields as its plan.

    Attributes:
        frequency, duty: Where to begin, Hz and a fraction; None for the setting that is stored.
        mode: One of `MODES`: follow the most pickup, the most light, or the least supply current.
        step: Size of a step aside, Hz.
        span: Farthest from the beginning, Hz.
        interval: Time between readings, s.
        minutes: How long; None until `KeyboardInterrupt`.
        leave_on: Leave output and tracking on at the end.

    Raises:
        BadWish: Frequency without duty or the other way round, or there is no such mode.
    """

    frequency: float | None = None
    duty: float | None = None
    mode: str = MODES[0]
    step: float = 400.0
    span: float = 8e3
    interval: float = 0.1
    minutes: float | None = None
    leave_on: bool = False

    def __post_init__(self) -> None:
        if (self.frequency is None) != (self.duty is None):
            raise BadWish("frequency", "give frequency and duty together, or neither")
        if self.mode not in MODES:
            raise BadWish("mode", f"{self.mode!r} is none of {', '.join(MODES)}")


@dataclass(frozen=True, slots=True)
class CalibrationWishes:
    """How a calibration is done.

    Attributes:
        averages: Conversions a reading; None by the noise at rest.
        dry_run: Change nothing in the driver.
    """

    averages: int | None = None
    dry_run: bool = False


@dataclass(frozen=True, slots=True)
class MeterPlace:
    """A setting, and what the meter shows there in the sensor's unit; None where not known."""

    frequency_hz: float
    duty: float
    meter: float | None = None

    def __str__(self) -> str:
        return f"{show(self.frequency_hz, 'Hz', 6)} {show_percent(self.duty)}"


@dataclass(frozen=True, slots=True)
class Load:
    """A resistor at a known voltage, in place of the driver's own current."""

    ohm: float
    volt: float

    @property
    def ampere(self) -> float:
        return self.volt / self.ohm

    def __str__(self) -> str:
        return f"{show(self.ohm, 'Ω')} at {show(self.volt, 'V')}"
