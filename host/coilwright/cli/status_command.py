"""`coilwright status`: what a driver is, how it is set and what it measures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeVar

import click

from coilwright.cli.options import json_option, port_option, print_json

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.link.driver import Status
    from coilwright.link.tracking import Track
    from coilwright.point import Point, Setpoint

_Answer = TypeVar("_Answer")


@click.command("status")
@port_option
@json_option
def command(port: str | None, as_json: bool) -> None:
    """Show what a driver is, how it is set and what it measures. Switches nothing."""
    from coilwright.calibrated import describe, plain, read
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.session import rest_at
    from coilwright.rest import facts, warnings, without_zero
    from coilwright.view.pairs import print_pairs, print_sentences

    with open_driver(port, drives=False) as driver:
        status, point = driver.status(), driver.measure()
        caps, track = _or_none(driver.duty_table), _or_none(driver.track)
        dates, calibration = read(_or_none(driver.protected_data) or ""), driver.calibration()
        rest = rest_at(driver, point)
        if as_json:
            more = {
                **facts(rest),
                "duty_table": _plain_caps(caps),
                "tracking": _plain_track(track),
                "calibrated": plain(dates, calibration),
            }
            known_zero_a = 0.0 if rest is None else rest.taken_off_a
            shown = without_zero(point, known_zero_a)
            print_json({**_as_dict(driver, status, shown), **more})
            return
        known = [("calibrated", describe(dates, calibration))]
        print_pairs([*_lines(driver, status, point), *known, *_more_lines(caps, track)])
        print_sentences(f"Warning: {warning}" for warning in warnings(rest))


def _or_none(ask: Callable[[], _Answer]) -> _Answer | None:
    """None where the firmware is too old to know of it."""
    from coilwright.errors import Refused

    try:
        return ask()
    except Refused:
        return None


def _plain_caps(caps: list[Setpoint] | None) -> list[dict[str, float]] | None:
    if caps is None:
        return None
    return [{"frequency_hz": cap.frequency_hz, "duty": cap.duty} for cap in caps]


def _plain_track(track: Track | None) -> dict[str, Any] | None:
    if track is None:
        return None
    moves = [asdict(move) for move in track.moves]
    return {"on": track.on, "run": track.run, "places": track.next, "moves": moves}


def _more_lines(caps: list[Setpoint] | None, track: Track | None) -> list[tuple[str, str]]:
    from coilwright.tune.limit_table import CapPoint, describe_table

    lines = []
    if caps is not None:
        table = [CapPoint(cap.frequency_hz, cap.duty) for cap in caps]
        lines.append(("caps by frequency", describe_table(table) if table else "none"))
    if track is not None:
        told = "on" if track.on else "off"
        if track.moves:
            last = track.moves[-1]
            word = "now" if track.on else "last"
            told += f"; {max(track.next - 1, 0)} moves, {word} at {last.frequency_hz / 1e3:.3f} kHz"
        lines.append(("tracking", told))
    return lines


def _as_dict(driver: Driver, status: Status, point: Point) -> dict[str, Any]:
    return {
        "driver": asdict(driver.identity),
        "board": asdict(driver.board),
        "status": {**asdict(status), "state": status.state.value},
        "measured": {**asdict(point), "flags": int(point.flags)},
        "startup_errors": [str(error) for error in driver.startup_errors],
    }


def _lines(driver: Driver, status: Status, point: Point) -> list[tuple[str, str]]:
    from coilwright.quantities import show, show_percent
    from coilwright.rest import supply_name
    from coilwright.view.progress import flag_names

    limits, board = status.limits, driver.board
    lines = [
        ("driver", f"{driver.identity.serial}, firmware {driver.identity.firmware}"),
        ("board", f"{board.chip}, gate on GPIO {board.gate_pin}, current by {board.supply_sensor}"),
        ("output", status.state.value.lower()),
        ("setting", f"{status.frequency_hz / 1e3:.3f} kHz at {show_percent(status.duty)}"),
        (
            supply_name(point, "supply current", "current at rest"),
            _with_spread(point.supply_a, point.supply_sd_a, "A"),
        ),
        ("probe", _with_spread(point.probe_v, point.probe_sd_v, "V")),
        ("light sensor", _with_spread(point.light_v, point.light_sd_v, "V")),
        ("band", f"{show(limits.low_hz, 'Hz')} to {show(limits.high_hz, 'Hz')}"),
        ("duty cap", show_percent(limits.duty_cap)),
        ("trips at", show(limits.trip_a, "A")),
        ("host-lost time", show(limits.host_timeout_s, "s")),
        ("averages", f"{status.averages}, settling {show(status.settle_s, 's')}"),
        ("stored settings", status.settings.lower()),
    ]
    if status.trip.number:
        lines.insert(3, ("tripped by", f"{status.trip.text} ({status.trip.number})"))
    if point.flags:
        lines.append(("flags", flag_names(point.flags)))
    lines.extend(("driver says", str(error)) for error in driver.startup_errors)
    return lines


def _with_spread(value: float, spread: float, unit: str) -> str:
    from coilwright.quantities import show

    return f"{show(value, unit)} (single readings spread by {show(spread, unit, 2)})"
