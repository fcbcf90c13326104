"""`coilwright set`: set frequency and duty, and hold the output on while watched."""

from __future__ import annotations

import sys
import time
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    HERTZ,
    SECOND,
    above_zero,
    json_option,
    port_option,
    print_json,
    stop_on_termination,
)

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.point import Point
    from coilwright.rest import Rest

WATCH_INTERVAL_S = 0.25


@click.command("set")
@port_option
@click.option("--frequency", type=HERTZ, help="Frequency, for instance 165k.")
@click.option("--duty", type=DUTY, help="Duty, for instance 20%.")
@click.option("--on/--off", "on", default=None, help="Switch the output.")
@click.option(
    "--for", "hold_s", type=above_zero(SECOND), help="Hold the output on for so long, then off."
)
@click.option("--trip", "trip_a", type=AMPERE, help="Mean supply current at which it trips.")
@click.option("--duty-cap", type=DUTY, help="Largest duty the driver accepts.")
@click.option(
    "--again", is_flag=True, help="Set it and switch it on again where it starts anew or was lost."
)
@click.option("--store", is_flag=True, help="Keep setting and limits in the driver.")
@click.option("--clear", is_flag=True, help="Clear a trip first, once you know why it came.")
@json_option
def command(
    port: str | None,
    frequency: float | None,
    duty: float | None,
    on: bool | None,
    hold_s: float | None,
    trip_a: float | None,
    duty_cap: float | None,
    again: bool,
    store: bool,
    clear: bool,
    as_json: bool,
) -> None:
    """Set frequency and duty, and hold the output on while watched.

    With --on the output stays on until Ctrl-C, or for the time given with --for, and then goes
    off: the driver does not run on without its host. The answer is what the chip really set. A
    driver that starts anew meanwhile, or whose line breaks off, is waited for: with --again it is
    set and switched on again, three times at most, else its state is told and that is the end.
    """
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.session import rest_at

    if hold_s is not None and not on:
        raise click.UsageError("--for holds the output on: it needs --on.")
    if again and not on:
        raise click.UsageError("--again switches the output on again: it needs --on.")
    if on and hold_s is None and not sys.stderr.isatty():
        raise click.UsageError("Without a terminal, --on needs --for SECONDS.")
    stop_on_termination()
    with open_driver(port) as driver:
        if clear:
            driver.clear_trip()
        _apply(driver, frequency, duty, trip_a, duty_cap)
        if on is False:
            driver.output(False)
        point = driver.measure()
        rest = rest_at(driver, point)
        if on:
            point = _hold(driver, hold_s, (trip_a, duty_cap), again, rest)
        if store:
            driver.store(0)
            driver.store_settings()
        _tell(driver, point, as_json, rest)


def _apply(
    driver: Driver,
    frequency: float | None,
    duty: float | None,
    trip_a: float | None,
    duty_cap: float | None,
) -> None:
    if trip_a is not None or duty_cap is not None:
        driver.set_limits(trip_a=trip_a, duty_cap=duty_cap)
    if frequency is not None:
        driver.set_frequency(frequency)
    if duty is not None:
        driver.set_duty(duty)


def _hold(
    driver: Driver,
    hold_s: float | None,
    limits: tuple[float | None, float | None],
    again: bool,
    rest: Rest | None,
) -> Point:
    """Keep the output on, show readings, switch off; returns the last point."""
    from coilwright.link.facts import DriverState
    from coilwright.link.replies import tripped
    from coilwright.procedures.rejoining import LOST, Rejoining
    from coilwright.rest import warnings
    from coilwright.view.progress import progress_view

    wanted = driver.wanted()
    point = driver.measure()

    def set_up() -> None:
        _apply(driver, wanted.frequency_hz, wanted.duty, *limits)

    begun = False
    end = time.monotonic() + hold_s if hold_s is not None else None
    try:
        with progress_view("Output on; Ctrl-C switches it off") as view, driver.safe_first():
            view.stage("watching", 0)
            for warning in warnings(rest):
                view.say(warning)
            if not wanted.duty:
                view.say("The duty is 0: nothing is driven. Give --duty, as 20%.")
            hint = "Give --again to have it set and switched on again."
            rejoin = Rejoining(driver, set_up if again else None, view.say, hint)
            while True:
                try:
                    if not begun:
                        driver.output(True)
                    begun = True
                    point = driver.measure()
                    view.point(point)
                    if driver.condition() is DriverState.TRIPPED:
                        raise tripped(driver.trip())
                except LOST as trouble:
                    rejoin(trouble)
                    begun = True
                if end is not None and time.monotonic() >= end:
                    break
                time.sleep(WATCH_INTERVAL_S)
            driver.output(False)
    except KeyboardInterrupt:
        # Ctrl-C is how a person ends the watching: not a failure.
        if not driver.make_safe():
            raise
    return point


def _tell(driver: Driver, point: Point, as_json: bool, rest: Rest | None) -> None:
    from coilwright.rest import facts, warnings
    from coilwright.view.pairs import print_sentences
    from coilwright.view.progress import point_line

    state = driver.condition()
    frequency_hz, duty = driver.setpoint()
    if as_json:
        answer: dict[str, Any] = {
            "output": state.value,
            "frequency_hz": frequency_hz,
            "duty": duty,
            "measured": {**asdict(point), "flags": int(point.flags)},
            **facts(rest),
        }
        print_json(answer)
        return
    click.echo(point_line(point).strip())
    click.echo(f"output {state.value.lower()}")
    print_sentences(f"Warning: {warning}" for warning in warnings(rest))
