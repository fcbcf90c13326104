"""The driver checks sensors, coil and supply in a short burst; what its numbers mean."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.documents import parse_json
from coilwright.errors import BadRecord

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.link.facts import SelfCheck

VERDICTS = {
    0: "passed",
    1: "the current sensor does not answer",
    2: "the current sensor reads below zero: it is dead or the wrong way round",
    3: "current flows with the output off: the gate is stuck high",
    4: "over-current in the burst: the coil is shorted, or the limit very low",
    5: "the current falls in the burst: the sensor is the wrong way round",
    6: "the current does not rise, the pickup does: the sensor is stuck or dead",
    7: "the current does not rise: coil open, gate not switching, or no supply",
    8: "no supply",
    9: "the current sensor is not at zero at rest: stuck, or not calibrated",
    10: "the pickup is noisy at rest",
    11: "the check was stopped",
}
"""What the driver's numbers mean; docs/commands.md."""

_MORE, _LESS = 1.35, 0.65
"""Current over the reference's beyond which something has changed: twice what a supply 15 % off
makes of it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A check of the driver.

    Attributes:
        verdict: In words.
        readings: What the driver found.
        supply_sensor: The kind of its current sensor; `NONE` where it has none.
    """

    verdict: str
    readings: SelfCheck
    supply_sensor: str

    @property
    def passed(self) -> bool:
        """Whether nothing is wrong."""
        return self.verdict == VERDICTS[0]

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright check --json` prints them."""
        return {"passed": self.passed, "verdict": self.verdict, **asdict(self.readings)}


def check(driver: Driver, reference: dict[str, float] | None = None) -> Checked:
    """Check sensors, coil and supply; the output is off before and after.

    Args:
        driver: An open driver.
        reference: An earlier check of the sound driver, from `read_reference`.

    Raises:
        Refused: The output is on or tripped, or the firmware has no self-check.
    """
    readings = driver.self_check()
    return Checked(_verdict(readings, reference), readings, driver.board.supply_sensor)


def read_reference(path: Path) -> dict[str, float]:
    """What is compared of an earlier check, from its JSON.

    Raises:
        BadRecord: It cannot be read, or is no check.
    """
    names = ("rise_a", "burst_probe_v", "frequency_hz", "duty")
    try:
        found = parse_json(path.read_text("utf-8"))
        return {name: float(found[name]) for name in names}
    except OSError as error:
        raise BadRecord(f"Cannot read {path}: {error.strerror}.", "Give another file.") from None
    except (ValueError, KeyError, TypeError, OverflowError):
        raise BadRecord(
            f"{path} is no earlier check.", "Make one with `coilwright check --json > FILE`."
        ) from None


def _verdict(found: SelfCheck, before: dict[str, float] | None) -> str:
    """In words; with a reference also what has changed since then."""
    if found.number == 7 and found.supply_v is not None:
        return "the current does not rise: coil open, or gate not switching"
    if found.number or before is None or not found.duty:
        return VERDICTS.get(found.number, f"unknown result {found.number}")
    same = abs(found.frequency_hz - before["frequency_hz"]) < 1e-3 * found.frequency_hz
    if not same or abs(found.duty - before["duty"]) > 1e-3:
        return "the reference was taken at another frequency or duty"
    share = found.rise_a / max(before["rise_a"], 1e-6)
    pickup = found.burst_probe_v / max(before["burst_probe_v"], 1e-6)
    if share > _MORE and pickup < 1 / _MORE:
        return (
            f"{share:.2f} times the reference's current, less pickup: turns shorted, or metal near"
        )
    if share > _MORE and pickup > _MORE:
        return f"{share:.2f} times the reference's current, more pickup: the supply is higher"
    if not _LESS <= share <= _MORE or not _LESS <= pickup <= _MORE:
        return f"{share:.2f} times the reference's current, {pickup:.2f} times its pickup"
    return VERDICTS[0]
