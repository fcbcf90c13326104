"""When each sensor was calibrated and how well: a short text that the driver keeps with it.

The driver keeps it as its protected user data (`*PUD`, IEEE 488.2 10.27), one entry a sensor:

    current 2026-11-27 2.04e-05A 3f2a, probe 2026-11-27 0.0013V 91c0, lit 2026-11-27 07be

The sensor, the date (UTC), how far the farthest reading lay off the line (left out where that is
not known), and a check of the values that were stored then: where it does not fit the driver's
values any more, somebody has set others since. What somebody else keeps there stays.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from coilwright.errors import OutOfRange
from coilwright.link.facts import Calibration
from coilwright.quantities import show

MOST = 200
"""Characters of protected user data that a host asks of the driver."""

_VALUES = {
    "zero": ("supply_offset_v",),
    "current": ("supply_offset_v", "supply_gain_a_per_v"),
    "probe": ("probe_offset_v", "probe_gain_v_per_v"),
    "light": ("light_offset_v", "light_gain_v_per_v"),
    "lit": ("probe_level_v", "light_level_v"),
}
_ENTRY = re.compile(
    r"(zero|current|probe|light|lit) (\d{4}-\d\d-\d\d)"
    r"(?: (\d[\d.]*(?:e[-+]\d+)?)([AV]))? ([0-9a-f]{4})"
)


@dataclass(frozen=True, slots=True)
class Calibrated:
    """One calibration.

    Attributes:
        what: zero (the current sensor's reading at rest), current, probe, light or lit.
        day: On which day, UTC.
        residual: How far the farthest reading lay off the line, for zero and light how far the
            reading at rest wandered; None where it is not known.
        unit: Of the residual, A or V.
        check: Of the values that were stored.
    """

    what: str
    day: date
    residual: float | None
    unit: str
    check: str

    def fits(self, calibration: Calibration) -> bool:
        """Whether the driver still has the values of then."""
        return self.check == check_of(self.what, calibration)

    def entry(self) -> str:
        """Its entry in the driver's text."""
        off = "" if self.residual is None else f" {self.residual:.3g}{self.unit}"
        return f"{self.what} {self.day.isoformat()}{off} {self.check}"

    def told(self, calibration: Calibration) -> str:
        """The same for people."""
        notes = []
        if self.residual is not None:
            how = "wandering by" if self.what in ("light", "zero") else "off its line by at most"
            notes.append(f"{how} {show(self.residual, self.unit, 3)}")
        if not self.fits(calibration):
            notes.append("other values were set since")
        return f"{self.what} {self.day.isoformat()}" + (f" ({'; '.join(notes)})" if notes else "")


def check_of(what: str, calibration: Calibration) -> str:
    """Four hexadecimal digits for the values of a sensor, as the driver holds them."""
    values = [round(getattr(calibration, name) * 1e6) for name in _VALUES[what]]
    return f"{zlib.crc32(','.join(map(str, values)).encode()) & 0xFFFF:04x}"


def read(text: str) -> tuple[Calibrated, ...]:
    """The calibrations in the driver's text, in its order."""
    found = []
    for part in text.split(", "):
        if (entry := _ENTRY.fullmatch(part)) is None:
            continue
        what, day, residual, unit, check = entry.groups()
        try:
            when = date.fromisoformat(day)
        except ValueError:
            continue
        found.append(Calibrated(what, when, float(residual) if residual else None, unit or "",
                                check))  # fmt: skip
    return tuple(found)


def written(text: str, new: Calibrated) -> str:
    """The driver's text with one more calibration, in the place of an older one of that sensor.

    Raises:
        OutOfRange: There is no room beside what somebody else keeps there.
    """
    kept = [part for part in text.split(", ") if part and not _is_of(part, new.what)]
    found = ", ".join([*kept, new.entry()])
    if len(found) > MOST:
        raise OutOfRange(
            f"The driver's protected user data would have {len(found)} characters; {MOST} is the"
            " most.",
            "Somebody keeps a text of their own there: shorten it with *PUD, docs/commands.md.",
        )
    return found


def _is_of(part: str, what: str) -> bool:
    entry = _ENTRY.fullmatch(part)
    return entry is not None and entry[1] == what


def describe(found: Iterable[Calibrated], calibration: Calibration) -> str:
    """All of them for people, in one line."""
    return ", ".join(one.told(calibration) for one in found) or "no date known"


def plain(found: Sequence[Calibrated], calibration: Calibration) -> dict[str, dict[str, object]]:
    """All of them as plain values, by sensor."""
    return {
        one.what: {
            "date": one.day.isoformat(),
            "residual": one.residual,
            "unit": one.unit or None,
            "changed_since": not one.fits(calibration),
        }
        for one in found
    }
