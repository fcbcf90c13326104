"""What the procedures can be asked for, with the defaults of commands and functions alike.

Light: the commands read their defaults here before anything is computed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

PURPOSES = ("lowest-duty", "least-current", "brightest")
LIT = ("light", "probe", "ask")


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
        purpose: One of `PURPOSES`: what the setting is to be best in.
        band: Lowest and highest frequency to search.
        safe_duty: Duty of the sweeps.
        least_duty, most_duty: Smallest and largest duty to try; None for the driver's cap.
        lit: One of `LIT`: what tells lit from dark.
        lit_level: Probe voltage, or rise of the light sensor over dark, that counts as lit, V;
            None as calibrated in the driver.
        margin: Share added to the lowest lit duty, or to the level that counts as lit.
        max_current: Mean supply current not to be exceeded, A; None where the driver trips.

    Raises:
        ValueError: There is no such purpose, or nothing of that name tells lit from dark.
    """

    purpose: str = PURPOSES[0]
    band: tuple[float, float] = (100e3, 250e3)
    safe_duty: float = 0.2
    least_duty: float = 0.005
    most_duty: float | None = None
    lit: str = LIT[0]
    lit_level: float | None = None
    margin: float = 0.1
    max_current: float | None = None

    def __post_init__(self) -> None:
        for name, kinds in (("purpose", PURPOSES), ("lit", LIT)):
            if getattr(self, name) not in kinds:
                raise ValueError(f"{getattr(self, name)!r} is none of {', '.join(kinds)}")
