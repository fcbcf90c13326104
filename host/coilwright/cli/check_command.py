"""`coilwright check`: let the driver check sensors, coil and supply in a short burst."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import json_option, port_option, print_json

if TYPE_CHECKING:
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


@click.command("check")
@port_option
@click.option(
    "--reference",
    type=click.Path(dir_okay=False, path_type=Path),
    help="An earlier check of the sound driver (--json kept in a file) to compare with.",
)
@json_option
def command(port: str | None, reference: Path | None, as_json: bool) -> None:
    """Check sensors, coil and supply in a short burst at a small duty.

    Reads at rest, then drives at 5 % (less where the limits want it) for some 20 ms at the present
    frequency; the output is off before and after. Exit code 40 where something is wrong.
    """
    from coilwright.cli.bench_session import open_driver
    from coilwright.errors import NoResult
    from coilwright.view.pairs import print_pairs

    before = None if reference is None else _read(reference)
    with open_driver(port, drives=False) as driver:
        found = driver.self_check()
        sensor = driver.board.supply_sensor
    verdict = _verdict(found, before)
    if as_json:
        print_json({"passed": verdict == VERDICTS[0], "verdict": verdict, **asdict(found)})
    else:
        print_pairs(_lines(found, verdict, sensor))
    if verdict != VERDICTS[0]:
        raise NoResult(
            f"The self-check failed: {verdict}.",
            "The output is off; docs/trouble.md tells what to look at for each result.",
        )


def _read(path: Path) -> dict[str, float]:
    from coilwright.documents import parse_json
    from coilwright.errors import BadRecord

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


def _lines(found: SelfCheck, verdict: str, sensor: str) -> list[tuple[str, str]]:
    from coilwright.quantities import show, show_percent

    lines = [("self-check", verdict)]
    if sensor != "NONE":
        spread = show(found.rest_sd_a, "A", 2)
        lines.append(("current at rest", f"{show(found.rest_a, 'A')} (spread {spread})"))
    spread = show(found.noise_probe_v, "V", 2)
    lines.append(("pickup at rest", f"{show(found.rest_probe_v, 'V')} (spread {spread})"))
    if found.supply_v is not None:
        lines.append(("supply voltage", show(found.supply_v, "V")))
    if found.duty:
        at = f"{found.frequency_hz / 1e3:.3f} kHz, {show_percent(found.duty)}"
        lines.append(("burst", at))
        lines.append(("current rises by", show(found.rise_a, "A")))
        lines.append(("pickup", show(found.burst_probe_v, "V")))
    return lines
