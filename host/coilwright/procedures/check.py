"""The driver checks sensors, coil and supply in a short burst; what its numbers mean."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from coilwright.errors import BadRecord
from coilwright.link.facts import SelfCheck
from coilwright.procedures.session import read_rest
from coilwright.rest import warnings
from coilwright.results import Result

if TYPE_CHECKING:
    from coilwright.link import Driver

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked(SelfCheck, Result):
    """A check of the driver: what it found, and what that means.

    Attributes:
        passed: Whether nothing is wrong.
        verdict: In words.
        supply_sensor: The kind of its current sensor; `NONE` where it has none.
        warning: What is wrong with the sensor's zero though the check passed; else empty.
    """

    passed: bool
    verdict: str
    supply_sensor: str = ""
    warning: str = ""


def check(driver: Driver, reference: Checked | None = None) -> Checked:
    """Check sensors, coil and supply; the output is off before and after.

    Args:
        driver: An open driver.
        reference: An earlier check of the sound driver.

    Raises:
        Refused: The output is on or tripped, or the firmware has no self-check.
    """
    readings = driver.self_check()
    verdict = _verdict(readings, reference)
    return Checked(
        **asdict(readings),
        passed=verdict == VERDICTS[0],
        verdict=verdict,
        supply_sensor=driver.board.supply_sensor,
        warning=" ".join(warnings(read_rest(driver))),
    )


def read_reference(path: Path) -> Checked:
    """An earlier check, from its JSON.

    Raises:
        BadRecord: It cannot be read, or is no check.
    """
    try:
        return Checked.from_json(path)
    except BadRecord as problem:
        raise BadRecord(
            problem.message, "Make one with `coilwright check --json > FILE`."
        ) from None


def _verdict(found: SelfCheck, before: Checked | None) -> str:
    """In words; with a reference also what has changed since then."""
    if found.number == 7 and found.supply_v is not None:
        return "the current does not rise: coil open, or gate not switching"
    if found.number or before is None or not found.duty:
        return VERDICTS.get(found.number, f"unknown result {found.number}")
    same = abs(found.frequency_hz - before.frequency_hz) < 1e-3 * found.frequency_hz
    if not same or abs(found.duty - before.duty) > 1e-3:
        return "the reference was taken at another frequency or duty"
    share = found.rise_a / max(before.rise_a, 1e-6)
    pickup = found.burst_probe_v / max(before.burst_probe_v, 1e-6)
    if share > _MORE and pickup < 1 / _MORE:
        return (
            f"{share:.2f} times the reference's current, less pickup: turns shorted, or metal near"
        )
    if share > _MORE and pickup > _MORE:
        return f"{share:.2f} times the reference's current, more pickup: the supply is higher"
    if not _LESS <= share <= _MORE or not _LESS <= pickup <= _MORE:
        return f"{share:.2f} times the reference's current, {pickup:.2f} times its pickup"
    return VERDICTS[0]
